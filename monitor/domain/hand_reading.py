"""A reading by hand: a person reads a hygrometer and types its temperature and humidity."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Annotated, ClassVar, NamedTuple

from msgspec import UNSET, Meta, UnsetType

from monitor.core.formats import counted, duration, figure
from monitor.core.measurements import BY_HAND, MEASURES, Measure, Quantity
from monitor.core.validation import PlaceId, Request
from monitor.domain.events import About

HOUR_MS = 3_600_000
HELD_MS = 4 * HOUR_MS
"""Time for which a reading by hand is the air of its place, unless it is read again. Later the air
is not known. [ms]  Ours: within it the RH of a shop strays by about 2 points (`STRAY_RH_PCT`)."""
STRAY_TEMP_K, STRAY_RH_PCT = 1.0, 5.0
"""Expanded uncertainty (k = 2) of the air while a reading by hand is held: by how much a shop strays
from it within `HELD_MS`. [K], [% RH]  Ours: the walk of `daily_pattern.persistent_ensemble`."""
BACK_MAX_MS, AHEAD_MAX_MS = 48 * HOUR_MS, 60_000
"""Longest time ago, and ahead of the clock, at which it may have been read. [ms]"""


ROOM_TEMP_C, ROOM_RH_PCT = (5.0, 38.0), (10.0, 90.0)
"""Air that a shop's rooms usually have; a reading outside is asked about.  Ours."""
APART_TEMP_K, APART_RH_PCT = 4.0, 8.0
"""Least difference from the last reading at which a reading is asked about: two ordinary hygrometers
differ by less. [K], [% RH]  Ours."""
APART_SIGMAS = 3.0
"""The same in standard deviations of the place's last week."""
COMPARED_MS = 24 * HOUR_MS
"""Age up to which the last reading is compared with. [ms]"""


class HandReadingAction(StrEnum):
    """An action on readings by hand, as events and messages have it."""

    READ = "read"
    WITHDRAW = "withdraw"


class HandReadingRequest(Request, frozen=True, kw_only=True):
    """A request on the readings by hand of a place."""

    about: ClassVar[str] = About.READING
    key: ClassVar[str] = "place"
    place: PlaceId


def _between(measure: Measure) -> Meta:
    return Meta(ge=measure.low, le=measure.high, extra={"unit": measure.unit})


class ReadByHand(HandReadingRequest, frozen=True, kw_only=True, tag="read"):
    """Record what a hygrometer at a place shows; without `at_ms`, now."""

    temp_c: Annotated[float, _between(MEASURES[Quantity.TEMPERATURE])]
    rh_pct: Annotated[float, Meta(ge=0, le=100, extra={"unit": "%"})]
    at_ms: (
        Annotated[
            int, Meta(extra={"unit": "ms", "past_ms": BACK_MAX_MS, "ahead_ms": AHEAD_MAX_MS})
        ]
        | UnsetType
    ) = UNSET

    sure: bool | UnsetType = UNSET
    """True: the person was asked and keeps it."""


class LastReading(NamedTuple):
    """The last reading of a place before another, and the standard deviations of its last week (0:
    not known). [ms], [°C], [%], [K], [%]"""

    at_ms: int
    temp_c: float
    rh_pct: float
    temp_sd_k: float = 0.0
    rh_sd_pct: float = 0.0


def doubts(
    temp_c: float, rh_pct: float, at_ms: int, last: LastReading | None, *, indoors: bool
) -> list[str]:
    """Doubts about a reading that may be mistyped, each a sentence; empty if there are none."""
    found = []
    if indoors and not ROOM_TEMP_C[0] <= temp_c <= ROOM_TEMP_C[1]:
        side = "cold" if temp_c < ROOM_TEMP_C[0] else "warm"
        found.append(f"{figure(temp_c, 1)} °C is very {side} for a room.")
    if indoors and not ROOM_RH_PCT[0] <= rh_pct <= ROOM_RH_PCT[1]:
        side = "dry" if rh_pct < ROOM_RH_PCT[0] else "damp"
        found.append(f"{figure(rh_pct, 0)} % is very {side} for a room.")
    gap_ms = COMPARED_MS if last is None else at_ms - last.at_ms
    if last is None or not 0 <= gap_ms < COMPARED_MS:
        return found
    strayed = math.sqrt(gap_ms / HELD_MS)
    earlier = f"{duration(gap_ms)} earlier"
    off_k, off_pct = temp_c - last.temp_c, round(rh_pct) - round(last.rh_pct)
    if abs(off_k) > max(
        math.hypot(APART_TEMP_K, STRAY_TEMP_K * strayed), APART_SIGMAS * last.temp_sd_k
    ):
        found.append(
            f"{figure(temp_c, 1)} °C is far from the last reading, {figure(last.temp_c, 1)} °C, "
            f"{earlier}."
        )
    if abs(off_pct) > max(
        math.hypot(APART_RH_PCT, STRAY_RH_PCT * strayed), APART_SIGMAS * last.rh_sd_pct
    ):
        found.append(
            f"{figure(rh_pct, 0)} % is {counted(abs(off_pct), 'point')} "
            f"{'below' if off_pct < 0 else 'above'} the last reading, {figure(last.rh_pct, 0)} %, "
            f"{earlier}."
        )
    return found


class WithdrawReading(HandReadingRequest, frozen=True, kw_only=True, tag="withdraw"):
    """Withdraw the last reading by hand of a place, because it was mistyped."""


REQUESTS = (ReadByHand, WithdrawReading)


def widened(u_temp_k: float, u_rh_pct: float, age_ms: float) -> tuple[float, float]:
    """Expanded uncertainty (k = 2) of the present air by a reading by hand of some age. [K], [%]

    Like that of a walk, what the air has strayed grows with the root of the age.
    """
    strayed = math.sqrt(min(max(age_ms, 0) / HELD_MS, 1))
    return math.hypot(u_temp_k, STRAY_TEMP_K * strayed), math.hypot(
        u_rh_pct, STRAY_RH_PCT * strayed
    )


def fresh_ms(sensor: str, stale_after_s: float) -> int:
    """Age up to which a sensor's last reading is the present air. [ms]"""
    stale_ms = round(1000 * stale_after_s)
    return max(HELD_MS, stale_ms) if sensor == BY_HAND else stale_ms
