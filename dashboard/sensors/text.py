"""Texts about a sensor: its state, its corrections, and its history."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dashboard.ui import formats
from monitor.core.clock import EVER_MS
from monitor.core.measurements import Quantity
from monitor.domain.sensor import Correction, VoidedSpan
from monitor.domain.sensor_requests import SensorAction
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
    (
        "Salts corrode metal and electronics. Keep the slurry off the sensor, tools, strings and "
        "instruments. Never calibrate inside an instrument case."
    ),
    (
        "Label the jars, keep them away from food and children, and wash your hands. Wear gloves "
        "and eye protection with lithium chloride, potassium carbonate and magnesium nitrate."
    ),
    (
        "Magnesium nitrate makes fire burn harder. Keep it away from solvents, rags and wood "
        "dust. Magnesium chloride and table salt are enough; use those instead."
    ),
)
DEFERS = "The supplier's safety data sheet and your local rules come before this page."
STEPS = (
    (
        "Mix pure salt with a little distilled water to a slurry in a wide, flat dish. Some "
        "solid salt must stay visible."
    ),
    (
        "Put the sensor on a grid above the slurry, in the smallest tight box you have. The "
        "sensor must not touch anything wet, and there must be no wood or leather in the box."
    ),
    (
        "Leave it where the temperature is steady, out of sun and draughts. Its readings must "
        "still arrive."
    ),
    "Tap the salt. Until the sensor is back, its readings are not used for its place.",
    (
        "When the reading is steady, after at least an hour, take the point. Use the drier salt "
        "first. Then correct the sensor."
    ),
)
"""Common practice, no source."""
_RESTS = {
    SettlingStage.WAITING: "Waiting",
    SettlingStage.MOVING: "Not steady yet",
    SettlingStage.SCATTERING: "Restless",
    SettlingStage.STEADY: "Steady: take the point",
}


def jar(one: SensorDetails, now_ms: int, zone: ZoneInfo, unit: formats.Unit) -> tuple[str, str]:
    """State of a sensor in its jar: a word or two, and a sentence."""
    history, found = one.history, one.jar
    if found is None or history.jar is None:
        return "", ""
    salt, since = SALTS[history.jar.salt], formats.when(history.jar.since_ms, now_ms, zone)
    sentences = [f"Over {salt.name} since {since}."]
    expected = calibration.expects(history.jar.salt, found.temp_c)
    if not math.isnan(expected) and found.readings:
        sentences.append(
            f"It reads {formats.figure(found.rh_pct, 1)} % at "
            f"{formats.with_unit('temperature', found.temp_c, unit)}; over this salt it should read "
            f"{formats.figure(expected, 1)} %."
        )
    sentences.append(f"{formats.first_upper(rest_words(found, unit))}.")
    return _RESTS[found.rest], " ".join(sentences)


def rest_words(found: Settling, unit: formats.Unit) -> str:
    """Evidence that a reading in the jar is steady or still moves, in words."""
    if found.rest is SettlingStage.MOVING or math.isnan(found.rh_drift_pct):
        return formats.in_reader_unit(calibration.why(found), unit)
    return (
        f"in the last half hour RH moved {formats.figure(found.rh_drift_pct, 2)} % and temperature "
        f"{formats.spread(found.temp_drift_k, unit)} {formats.degree_difference(unit)}"
    )


def correction(one: Correction, now_ms: int, zone: ZoneInfo, unit: formats.Unit) -> str:
    """Effect of a correction and its uncertainty, at the middle of the usual range of a shop."""
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
    """Place of a sensor, in a sentence."""
    history = one.history
    home = places.get(history.home, history.home)
    where = f"In a jar, out of {home}" if history.in_jar else f"At {home}"
    if history.renamed:
        return f"{where}; renamed to {history.renamed}, sends as {history.id}."
    if history.home == history.topic_place:
        return f"{where}."
    return f"{where}; its topic still names {history.topic_place}."


def event_words(event: Event, places: Mapping[str, str], now_ms: int, zone: ZoneInfo) -> str:
    """Describe one event of a sensor. Who and when are shown beside it."""
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
            return f"Put back at {places.get(body['place'], body['place'])}{at()}"
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
            return f"Correction {body['number']} voided"
        case SensorAction.VOID_READINGS:
            span = VoidedSpan(0, body["from_ms"], body["until_ms"], body["why"])
            return f"Readings voided, {voided_span(span, now_ms, zone)}"
        case SensorAction.RESTORE_READINGS:
            return f"Void {body['number']} of readings undone"
        case SensorAction.RENAME:
            return f"Renamed to {body['to']}"
        case SensorAction.UNDO_RENAME:
            return f"New name undone: {body['to']} again"
        case SensorAction.ABANDON:
            return "Calibration stopped"
        case SensorAction.INHERIT:
            return f"Uses the corrections of {body['of']}"
        case SensorAction.NOTE:
            return str(body["text"])
    return str(event.action)


def voided_span(span: VoidedSpan, now_ms: int, zone: ZoneInfo) -> str:
    """Span and reason of voided readings: `from Mon 09:00 until Tue 10:00: wrong clock`."""
    begins = "the first reading"
    if span.from_ms > -EVER_MS:
        begins = formats.when(span.from_ms, now_ms, zone)
    ends = (
        "" if span.until_ms >= EVER_MS else f" until {formats.when(span.until_ms, now_ms, zone)}"
    )
    return f"from {begins}{ends or ' on'}: {span.why}"
