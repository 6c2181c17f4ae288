"""The sentences of the board: the headline, what a place's air means, troubles and what to do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from dashboard.ui import formats
from monitor.air.current import HEATED_TO_C, TRACE_MS, PlaceAir
from monitor.domain.air_assessment import AirState

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dashboard.data.records import ServiceState
    from dashboard.ui.formats import Unit
    from monitor.core.errors import StoreFault

OLD = "old"
"""The state of a place whose sensor has gone quiet."""
_RIGHT_FOR = {"bench": "glue and open work", "varnish": "varnish and retouching"}
FIRST_READING = (
    "Let a sensor publish to the topic benchweather/<place>/<sensor>, for instance "
    "benchweather/front-bench/probe-1, a SenML pack such as"
)
FIRST_PACK = '[{"n":"temperature","u":"Cel","v":20.5},{"n":"humidity","u":"%RH","v":46}]'


class Trouble(NamedTuple):
    """Something that needs a hand: what it is, and what to do."""

    kind: str
    sentence: str
    remedy: str


class Headline(NamedTuple):
    """The one sentence over everything: its state, itself, and a smaller one beside it."""

    state: str
    sentence: str
    detail: str


def troubles(
    state: ServiceState, fault: StoreFault | None, now_ms: int, zone: ZoneInfo
) -> list[Trouble]:
    """What is wrong with the service, the worst first."""
    found = []
    if fault is not None:
        found.append(store_trouble(fault))
    if state.beat_ms is None:
        found.append(
            Trouble(
                "service",
                "The service has not run here yet: nothing is being recorded.",
                "Start Benchweather on the shop's computer.",
            )
        )
    elif state.gone:
        found.append(
            Trouble(
                "service",
                f"The service stopped at {formats.when(state.beat_ms, now_ms, zone)}: "
                "nothing is being recorded.",
                "Start Benchweather again on the shop's computer. Sensors that keep their readings "
                "send them then.",
            )
        )
    if not state.gone and state.store_trouble:
        found.append(
            Trouble(
                "store",
                f"Readings cannot be stored: {_sentence(state.store_trouble)}",
                "Make room on the disk, or see that the data folder can be written. Until then the "
                "broker holds what comes.",
            )
        )
    if not state.gone and state.broker_trouble:
        found.append(
            Trouble(
                "broker",
                f"No connection to the broker{f' at {state.broker}' if state.broker else ''}: "
                f"{_sentence(state.broker_trouble)}",
                "Check that the broker runs, its address, and the user name and password.",
            )
        )
    if not state.gone and state.round_trouble and not state.store_trouble:
        found.append(
            Trouble(
                "round",
                f"No alert is raised and no wait told: {_sentence(state.round_trouble)}",
                "Undo what was last changed in rules or settings; the log has more.",
            )
        )
    return found


def store_trouble(fault: StoreFault) -> Trouble:
    """A store that cannot be read, in words."""
    if fault.retryable and "no store yet" in str(fault):
        return Trouble(
            "store",
            "Nothing has been stored yet.",
            "The store is made when the service first runs: start Benchweather.",
        )
    if fault.retryable:
        return Trouble(
            "store",
            f"The store cannot be read just now: {_sentence(str(fault))}",
            "The board tries again by itself. If this stays, see whether another program has the "
            "file open.",
        )
    return Trouble(
        "store",
        f"The store cannot be read: {_sentence(str(fault))}",
        "Stop Benchweather, put the last backup in the place of that file, and start it again. "
        "Keep the damaged file.",
    )


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def state_of(air: PlaceAir) -> str:
    """The word for a place's state."""
    if air.heard_ms is None:
        return AirState.UNKNOWN
    return OLD if air.old else air.verdict.state


def headline(airs: list[PlaceAir], now_ms: int, zone: ZoneInfo, unit: Unit) -> Headline:
    """The single most important sentence now: what is wrong, what is unknown, or all is right."""
    heard = [air for air in airs if air.heard_ms is not None]
    judged = [air for air in heard if air.place.kind != "outdoors"]
    if not heard:
        return Headline("unknown", "No reading yet.", "")
    acting = [a for a in judged if not a.old and a.verdict.weight >= 2]
    if acting:
        return _worst(max(acting, key=lambda air: air.verdict.weight), now_ms, zone, unit)
    quiet = [air for air in judged if air.old]
    if quiet:
        air = min(quiet, key=lambda air: air.heard_ms or 0)
        more = len(quiet) - 1
        others = f" {more} more {'place is' if more == 1 else 'places are'} quiet." if more else ""
        return Headline(
            OLD,
            f"Nothing heard from {air.place.label} since "
            f"{formats.when(air.heard_ms or 0, now_ms, zone)}.{others}",
            "The air there is not known now. Check the sensor's power and radio.",
        )
    minded = [a for a in judged if a.verdict.weight == 1]
    if minded:
        return _worst(minded[0], now_ms, zone, unit)
    if not judged:
        return Headline("right", "Only the air outdoors is measured.", "")
    since = max(air.verdict.since_ms for air in judged)
    works = list(dict.fromkeys(_RIGHT_FOR[a.place.kind] for a in judged))
    if len(judged) == 1:
        figures = (
            f"{formats.with_unit('humidity', judged[0].rh_pct, unit)} at {judged[0].place.label}"
        )
    else:
        figures = "all places within their bands"
    long = any(since <= int(a.trace.at_ms[0]) for a in judged) and now_ms - since > TRACE_MS // 2
    return Headline(
        "right",
        f"The air is right: {figures}.",
        f"{_since(since, now_ms, zone, long).capitalize()}. Good for {' and for '.join(works)}.",
    )


def _worst(air: PlaceAir, now_ms: int, zone: ZoneInfo, unit: Unit) -> Headline:
    first, _, rest = air.verdict.sentence.partition(". ")
    about_air = air.verdict.state in (AirState.COLD, AirState.HOT)
    figure = (
        formats.with_unit("temperature", air.temp_c, unit)
        if about_air
        else formats.with_unit("humidity", air.rh_pct, unit)
    )
    word, _, meaning = first.rstrip(".").partition(": ")
    said = f": {meaning}" if meaning else ""
    return Headline(
        air.verdict.state,
        f"{air.place.label}, {figure}. {word}{said}.",
        f"{rest} {since(air, now_ms, zone).capitalize()}.".strip(),
    )


def since(air: PlaceAir, now_ms: int, zone: ZoneInfo) -> str:
    """Since when a place is in its state: "since 13:10"."""
    began = air.verdict.since_ms
    long = len(air.trace.at_ms) > 0 and began <= int(air.trace.at_ms[0])
    return _since(began, now_ms, zone, long and now_ms - began > TRACE_MS // 2)


def _since(ms: int, now_ms: int, zone: ZoneInfo, long: bool) -> str:
    return "so for a day or more" if long else f"since {formats.when(ms, now_ms, zone)}"


def meaning(air: PlaceAir, now_ms: int, zone: ZoneInfo, unit: Unit) -> str:
    """What a place's air means for the work, in a sentence or two."""
    if air.heard_ms is None:
        return f"No reading yet. Its sensor publishes to benchweather/{air.place.id}/<sensor>."
    if air.old:
        return (
            f"The figures are from {formats.when(air.heard_ms, now_ms, zone)}, the last heard. "
            "Check the sensor's power and radio."
        )
    if air.place.kind == "outdoors":
        if not math.isfinite(air.heated_rh_pct):
            return ""
        return (
            f"Brought in and heated to {formats.whole_temperature(HEATED_TO_C, unit)}, this air "
            f"would read {formats.with_unit('humidity', air.heated_rh_pct, unit)} RH."
        )
    return air.verdict.sentence
