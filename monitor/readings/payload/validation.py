"""Checks of any message: believable values, times and units."""

from __future__ import annotations

from typing import NamedTuple

from monitor.core.clock import AHEAD_MAX_MS, from_ms
from monitor.core.errors import BadPayload
from monitor.core.measurements import MEASURES, Quantity, Reading, Series
from monitor.core.units import UNITS, Conversion, allowed

EARLIEST_MS = 1_577_836_800_000
"""2020-01-01 UTC: earlier times come from a clock that was never set. [ms]"""

FAULTS_TOLD = 3
"""Most faults of one message that are named; the rest are counted."""


class Decoded(NamedTuple):
    """Content of one message.

    `timed`: True if every reading has a time of its own, so that a repeat of the message is the
    same readings and not new ones.
    """

    readings: list[Reading]
    faults: list[str]
    timed: bool


def conversion_of(quantity: Quantity, unit: str) -> Conversion:
    try:
        return UNITS[quantity][unit]
    except KeyError:
        raise BadPayload(
            f"unit {unit!r} does not fit {quantity}: must be one of {allowed(quantity)}"
        ) from None


def judged(
    series: Series, conversion: Conversion, value: float, ts_ms: int, received_ms: int
) -> Reading:
    kept = value * conversion.factor + conversion.offset
    measure = MEASURES[series.quantity]
    in_time = EARLIEST_MS <= ts_ms <= received_ms + AHEAD_MAX_MS
    if not (measure.low <= kept <= measure.high and in_time):
        raise BadPayload(unbelievable(series.quantity, kept, ts_ms, received_ms))
    return Reading(series, ts_ms, kept)


def unbelievable(quantity: Quantity, value: float, ts_ms: int, received_ms: int) -> str:
    measure = MEASURES[quantity]
    if not measure.low <= value <= measure.high:  # also where it is not a number
        return (
            f"{quantity} = {value:g} {measure.unit}: "
            f"must be {measure.low:g} to {measure.high:g} {measure.unit}"
        )
    if ts_ms < EARLIEST_MS:
        return f"measured at {stamp(ts_ms)}: must not be before 2020; is the sensor's clock set?"
    ahead_s = (ts_ms - received_ms) / 1000
    return (
        f"measured at {stamp(ts_ms)}, {ahead_s:.4g} s after it arrived: "
        f"must be at most {AHEAD_MAX_MS // 1000} s ahead"
    )


def stamp(ts_ms: int) -> str:
    try:
        return from_ms(ts_ms).isoformat(timespec="seconds")
    except OverflowError:
        return f"{ts_ms / 1000:.3g} s after 1970"


def reason_of(faults: list[str]) -> str:
    """The faults of a message as one reason."""
    text = "; ".join(faults[:FAULTS_TOLD])
    more = len(faults) - FAULTS_TOLD
    return f"{text}; and {more} more" if more > 0 else text
