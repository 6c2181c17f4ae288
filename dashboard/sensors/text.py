"""A sensor in words: how it stands, what corrects it, what was done with it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dashboard.ui import formats
from monitor.core.measurements import MEASURES, Quantity
from monitor.domain.sensor import BOUNDS, Correction, SensorAction
from monitor.science.calibration.salts import SALTS
from monitor.science.calibration.settling import SettlingStage
from monitor.sensor_care import calibration

if TYPE_CHECKING:
    from collections.abc import Mapping
    from zoneinfo import ZoneInfo

    from dashboard.data.sensors import SensorDetails
    from monitor.domain.events import Event
    from monitor.science.calibration.settling import Settling

CAUTIONS = (
    "Salts eat metal and electronics: no slurry on sensor, tools, strings or instruments, and never "
    "calibrate inside an instrument case.",
    "Label the jars, keep them from food and children, wash your hands. Gloves and eye protection "
    "for lithium chloride, potassium carbonate and magnesium nitrate.",
    "Magnesium nitrate feeds fire: keep it from solvents, rags and wood dust. Magnesium chloride "
    "and table salt do; prefer them.",
)
DEFERS = "The supplier's safety data sheet and your local rules decide, not this page."
STEPS = (
    "Make a slurry, not a solution: solid salt must stay to be seen in a wide, flat dish; distilled "
    "water, pure salt.",
    "Put the sensor on a grid above it, touching nothing wet, in the smallest tight box there is, "
    "nothing of wood or leather inside.",
    "Leave it where the temperature stays, out of sun and draught. Its readings must still be heard.",
    "Tap the salt. The air of its place is not told from it meanwhile.",
    "When it is at rest, an hour at the least, take the point; the drier salt first. Then fit.",
)
"""Common practice, no source."""
_RESTS = {
    SettlingStage.WAITING: "Waiting",
    SettlingStage.MOVING: "Still moving",
    SettlingStage.SCATTERING: "Restless",
    SettlingStage.STEADY: "At rest: take the point",
}


def jar(one: SensorDetails, now_ms: int, zone: ZoneInfo, unit: formats.Unit) -> tuple[str, str]:
    """How it stands in its jar: a word or two, and a sentence."""
    history, found = one.history, one.jar
    if found is None or history.jar is None:
        return "", ""
    salt, since = SALTS[history.jar.salt], formats.when(history.jar.since_ms, now_ms, zone)
    told = [f"Over {salt.name} since {since}."]
    expected = calibration.expects(history.jar.salt, found.temp_c)
    if not math.isnan(expected) and found.readings:
        told.append(
            f"It reads {formats.figure(found.rh_pct, 1)} % at "
            f"{formats.with_unit('temperature', found.temp_c, unit)}; over this salt it should read "
            f"{formats.figure(expected, 1)} %."
        )
    told.append(f"{_first_upper(rest_words(found, unit))}.")
    return _RESTS[found.rest], " ".join(told)


def rest_words(found: Settling, unit: formats.Unit) -> str:
    """What its rest rests on."""
    if found.rest is SettlingStage.MOVING or math.isnan(found.rh_drift_pct):
        return calibration.why(found)
    return (
        f"in the last half hour RH moved {formats.figure(found.rh_drift_pct, 2)} % and temperature "
        f"{formats.spread(found.temp_drift_k, unit)} {formats.degree_difference(unit)}"
    )


def correction(one: Correction, now_ms: int, zone: ZoneInfo, unit: formats.Unit) -> str:
    """What a correction does, and what it is worth, at the middle of what a shop has."""
    at = 50.0 if one.quantity is Quantity.HUMIDITY else 20.0
    middle = min(max(at, one.fit.low), one.fit.high)
    off = middle - float(one.fit.corrected(middle))
    u = one.uncertainty(middle, now_ms)
    warm = one.quantity is Quantity.TEMPERATURE
    by = formats.spread(abs(off), unit) if warm else formats.figure(abs(off), 1)
    good = formats.spread(u, unit) if warm else formats.figure(u, 1)
    sign = formats.degree_difference(unit) if warm else "%"
    where = formats.with_unit(str(one.quantity), middle, unit)
    reads = f"reads {by} {sign} too {'high' if off > 0 else 'low'} at {where}"
    name = formats.scale(str(one.quantity), unit).words
    made = formats.when(one.made_ms, now_ms, zone)
    who = f" by {one.by}" if one.by else ""
    return f"{name}: calibrated {made}{who}; {reads}. Corrected, good to ±{good} {sign} (k = 2)."


def lead(one: SensorDetails, places: Mapping[str, str]) -> str:
    """Where it is."""
    history = one.history
    home = places.get(history.home, history.home)
    where = f"In a jar, out of {home}" if history.in_jar else f"At {home}"
    if history.home == history.topic_place:
        return f"{where}."
    return f"{where}; its topic still says {history.topic_place}."


def event_words(event: Event, places: Mapping[str, str], now_ms: int, zone: ZoneInfo) -> str:
    """What was done, in words. Who and when stand beside it."""
    body = event.body

    def at() -> str:
        if abs(body["at_ms"] - event.recorded_ms) < 2 * formats.MINUTE_MS:
            return ""
        return f", as of {formats.when(body['at_ms'], now_ms, zone)}"

    match event.action:
        case SensorAction.MOVE:
            return f"Moved to {places.get(body['place'], body['place'])}{at()}"
        case SensorAction.SEAL:
            return f"Sealed over {SALTS[body['salt']].name}{at()}"
        case SensorAction.BACK:
            return f"Back at {places.get(body['place'], body['place'])}{at()}"
        case SensorAction.TAKE | SensorAction.COMPARE:
            name, reading, reference, *_ = body["point"]
            return f"Point taken: {name}; it read {reading:.1f} for {reference:.1f}{at()}"
        case SensorAction.FIT:
            fit = body["fit"]
            holds = formats.when(body["from_ms"], now_ms, zone)
            return (
                f"Corrected ({body['quantity']}): {fit['offset']:+.2f} + {fit['slope']:.3f} × "
                f"reading, from {holds} on"
            )
        case SensorAction.VOID:
            return f"Correction {body['number']} found wrong"
        case SensorAction.ABANDON:
            return "Calibration given up"
        case SensorAction.INHERIT:
            return f"Took over the corrections of {body['of']}"
        case SensorAction.NOTE:
            return str(body["text"])
    return str(event.action)


def drift(quantity: Quantity) -> str:
    """What is allowed for drift."""
    return f"{BOUNDS[quantity].drift_a_year:g} {MEASURES[quantity].unit} a year"


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]
