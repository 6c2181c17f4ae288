"""Sentences on what the outlook does to an instrument: its moisture, width, when to close it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from dashboard.ui import formats

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.domain.instrument import Instrument
    from monitor.outlook.summary import PlaceOutlook
    from monitor.science.plates.projection import PlatesProjection


def plate_words(
    instrument: Instrument, found: PlatesProjection, one: PlaceOutlook, now_ms: int, zone: ZoneInfo
) -> str:
    """Effect of a place's outlook on the most strained part of an instrument, in words."""
    first = found.parts[0]
    at_ms = step_ms(one, found, first.step)
    off, moved = first.from_home_pct, first.change_mm
    side, width = ("below", "narrower") if off.median < 0 else ("above", "wider")
    low, high = sorted((abs(off.low), abs(off.high)))
    if off.low < 0 < off.high:
        low = 0.0
    when = (
        f"its home moisture by {formats.ahead(at_ms, now_ms, zone)} ({formats.figure(low, 1)} to "
        f"{formats.figure(high, 1)})"
        if first.step
        else "its home moisture now; no further in the next five days"
    )
    return (
        f"{instrument.reference}, {first.part.name}: {formats.figure(abs(off.median), 1)} points {side} "
        f"{when}; {formats.figure(abs(moved.median), 1)} mm {width}."
    )


def plate_and_closing_words(
    instrument: Instrument, found: PlatesProjection, one: PlaceOutlook, now_ms: int, zone: ZoneInfo
) -> str:
    """The same and, of an open instrument, how near it is to what it must be to be closed."""
    words = plate_words(instrument, found, one, now_ms, zone)
    ahead = closing_ahead(instrument, found, one, now_ms, zone)
    if ahead is None:
        return words
    return f"{words} {ahead.words} Wood shows whether it is safe to close."


def step_ms(one: PlaceOutlook, found: PlatesProjection, step: int) -> int:
    """End of a step of `found`, whose last is the outlook's last. [ms]"""
    steps = one.fan.rh_pct.shape[1]
    return one.at_ms(steps - len(found.closable) + step + 1)


class ClosingAhead(NamedTuple):
    """Time from which an open instrument is near enough to its home moisture to be closed, by the
    outlook of its place [ms], inf where it is not in the five days; and the same as a sentence."""

    from_ms: float
    words: str


def closing_ahead(
    instrument: Instrument, found: PlatesProjection, one: PlaceOutlook, now_ms: int, zone: ZoneInfo
) -> ClosingAhead | None:
    """Effect of the outlook on closing an open instrument; None where its home is not known."""
    if not instrument.open_now or instrument.home is None or instrument.home.rh_pct is None:
        return None
    good, near = found.closable, "near enough to its home moisture to be closed"
    if good.all():
        return ClosingAhead(now_ms, f"By the outlook it stays {near} for the next five days.")
    if not good.any():
        return ClosingAhead(math.inf, f"By the outlook it is not {near} in the next five days.")
    if good[0]:
        until = step_ms(one, found, int((~good).argmax()) - 1)  # when it still was good
        at = formats.ahead(until, now_ms, zone)
        return ClosingAhead(now_ms, f"By the outlook it is {near} until {at}.")
    since = step_ms(one, found, int(good.argmax()))
    at = formats.ahead(since, now_ms, zone)
    return ClosingAhead(since, f"By the outlook it is not {near} before {at}.")
