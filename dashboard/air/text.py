"""Sentences of the wall page: the headline, and what a place's air means for the work."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dashboard.ui import formats
from dashboard.ui.sentences import Headline
from monitor.air.current import TRACE_MS, PlaceAir
from monitor.domain.air_assessment import AirState

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dashboard.ui.formats import Unit
    from monitor.air.gravity import Gravity

OLD = "old"
"""The state of a place whose sensor has gone quiet."""
DOUBT = (
    "The sensor's value has not changed for hours or is at the end of its range, or its clock is "
    "wrong. Check the air with another hygrometer. See Sensors."
)
_RIGHT_FOR = {"bench": "glue and open work", "varnish": "varnish and retouching"}


def state_of(air: PlaceAir) -> str:
    """The word for a place's state."""
    if air.heard_ms is None:
        return AirState.UNKNOWN
    if air.old:
        return OLD
    if air.in_doubt and air.assessment.weight == 0:
        return AirState.UNKNOWN
    return air.assessment.state


def headline(
    airs: list[PlaceAir], now_ms: int, zone: ZoneInfo, unit: Unit, many: Gravity | None = None
) -> Headline:
    """The single most important sentence now: what is wrong, what is unknown, or all is right.

    `many`: all places, where `airs` are the gravest of many.
    """
    heard = [air for air in airs if air.heard_ms is not None]
    judged = [air for air in heard if air.place.kind != "outdoors"]
    if not heard:
        return Headline("unknown", "No reading yet.", "")
    acting = [a for a in judged if not a.old and a.assessment.weight >= 2]
    if acting:
        return _worst(max(acting, key=lambda air: air.gravity), now_ms, zone, unit)
    quiet = [air for air in judged if air.old]
    if quiet:
        air = min(quiet, key=lambda air: air.heard_ms or 0)
        more = (many.old if many else len(quiet)) - 1
        others = f" No reading from {formats.counted(more, 'more place')}." if more else ""
        since_then = formats.when(air.heard_ms or 0, now_ms, zone)
        return Headline(
            OLD,
            f"No reading from {air.place.label} since {since_then}.{others}",
            f"The air there is not known. {_remedy(air)}",
        )
    minded = [a for a in judged if a.assessment.weight == 1]
    if minded:
        return _worst(max(minded, key=lambda air: air.gravity), now_ms, zone, unit)
    doubted = [air for air in judged if air.in_doubt]
    if doubted:
        return Headline(
            AirState.UNKNOWN, f"The reading from {doubted[0].place.label} is in doubt.", DOUBT
        )
    if not judged:
        return Headline("right", "Only the air outdoors is measured.", "")
    since = max(air.assessment.since_ms for air in judged)
    works = list(dict.fromkeys(_RIGHT_FOR[a.place.kind] for a in judged))
    if len(judged) == 1:
        figures = (
            f"{formats.with_unit('humidity', judged[0].rh_pct, unit)} at {judged[0].place.label}"
        )
    else:
        unheard = any(a.heard_ms is None and a.place.kind != "outdoors" for a in airs)
        figures = f"all places {'that send ' if unheard else ''}within their bands"
    good = f"Good for {' and for '.join(works)}."
    if many:  # it is not known since when all of them are right
        return Headline("right", f"The air is right: {figures}.", good)
    long = any(since <= int(a.trace.at_ms[0]) for a in judged) and now_ms - since > TRACE_MS // 2
    return Headline(
        "right",
        f"The air is right: {figures}.",
        f"{_since(since, now_ms, zone, long).capitalize()}. {good}",
    )


def _worst(air: PlaceAir, now_ms: int, zone: ZoneInfo, unit: Unit) -> Headline:
    found = air.assessment
    until = ""
    if math.isfinite(found.ends_at):
        warmth = found.state in (AirState.COLD, AirState.HOT)
        quantity = "temperature" if warmth else "humidity"
        until = f", until it is back at {formats.with_unit(quantity, found.ends_at, unit)}"
    also = f", and {found.also.state}" if found.also is not None else ""
    return Headline(
        found.state,
        air.state_words(unit),
        f"{found.state.capitalize()} {since(air, now_ms, zone)}{until}{also}. {found.advice}".strip(),
    )


def since(air: PlaceAir, now_ms: int, zone: ZoneInfo) -> str:
    """Since when a place is in its state: "since 13:10"."""
    began = air.assessment.since_ms
    long = len(air.trace.at_ms) > 0 and began <= int(air.trace.at_ms[0])
    return _since(began, now_ms, zone, long and now_ms - began > TRACE_MS // 2)


def _since(ms: int, now_ms: int, zone: ZoneInfo, long: bool) -> str:
    return "for more than a day" if long else f"since {formats.when(ms, now_ms, zone)}"


def meaning(air: PlaceAir, now_ms: int, zone: ZoneInfo) -> str:
    """Meaning of a place's air for the work, in a sentence or two."""
    if air.heard_ms is None:
        return "No reading yet."
    if air.old:
        return f"Last reading: {formats.when(air.heard_ms, now_ms, zone)}. {_remedy(air)}"
    if air.in_doubt and air.assessment.weight == 0:
        return DOUBT
    if air.place.kind == "outdoors":
        return ""  # the figure of that air brought indoors says what it means
    return air.assessment.sentence


def _remedy(air: PlaceAir) -> str:
    """Advice where the last reading of a place is old."""
    if air.by_hand:
        return "Read the hygrometer again."
    return "Check the sensor's power and radio."


def brought_in(air: PlaceAir, unit: Unit) -> str:
    """Caption of the RH that outdoor air would have indoors."""
    return f"If brought in and heated to {formats.whole_temperature(air.heated_to_c, unit)}"
