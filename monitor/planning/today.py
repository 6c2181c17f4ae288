"""The plan of today: what to start now, what next, and what before leaving."""

from __future__ import annotations

from typing import NamedTuple

from monitor.planning.problem import Plan, PlannedStep

SOON_MS = 900_000
"""Work that is planned within so long counts as now. [ms]"""


class Today(NamedTuple):
    """Steps of today. `off`: their clamps may come off now. A step is in one list only."""

    off: tuple[PlannedStep, ...]
    now: tuple[PlannedStep, ...]
    next: tuple[PlannedStep, ...]
    before_leaving: tuple[PlannedStep, ...]
    """Work that is planned for today and that waits over the night."""


def today(plan: Plan, now_ms: int, closes_ms: int | None) -> Today:
    """The plan of today, up to closing [ms since 1970-01-01 UTC]; without it, what runs is all."""
    off = tuple(
        one for one in plan.steps if one.running and one.known and one.off.usual_ms <= now_ms
    )
    if closes_ms is None:
        return Today(off, (), (), ())
    ahead = [one for one in plan.steps if not one.running and one.from_ms < closes_ms]
    now = tuple(one for one in ahead if one.from_ms <= now_ms + SOON_MS)
    rest = [one for one in ahead if one not in now]
    last = tuple(one for one in rest if one.off.usual_ms > max(closes_ms, one.to_ms))
    return Today(off, now, tuple(one for one in rest if one not in last), last)
