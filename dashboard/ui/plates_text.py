"""Sentences on what the outlook does to an instrument: its moisture, width, when to close it."""

from __future__ import annotations

from typing import TYPE_CHECKING

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
    text = (
        f"{instrument.reference}, {first.part.name}: {formats.figure(abs(off.median), 1)} points {side} "
        f"{when}; {formats.figure(abs(moved.median), 1)} mm {width}."
    )
    return f"{text} {_closing(instrument, found, one, now_ms, zone)}".strip()


def step_ms(one: PlaceOutlook, found: PlatesProjection, step: int) -> int:
    """End of a step of `found`, whose last is the outlook's last. [ms]"""
    steps = one.fan.rh_pct.shape[1]
    return one.at_ms(steps - len(found.closable) + step + 1)


def _closing(
    instrument: Instrument, found: PlatesProjection, one: PlaceOutlook, now_ms: int, zone: ZoneInfo
) -> str:
    """Advice on closing an open instrument in the next days; empty where its home is not known."""
    if not instrument.open_now or instrument.home is None or instrument.home.rh_pct is None:
        return ""
    good = found.closable
    if good.all():
        return "It may be closed at any time in the next five days."
    if not good.any():
        return "Do not close it in the next five days."
    if good[0]:
        until = step_ms(one, found, int((~good).argmax()) - 1)  # when it still was good
        return f"Close it before {formats.ahead(until, now_ms, zone)}, or wait."
    since = step_ms(one, found, int(good.argmax()))
    return f"Do not close it before {formats.ahead(since, now_ms, zone)}."
