"""A year of a place day by day: how far its worst hour was outside the band."""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dashboard.ui import formats

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.air.place_means import Means

STEPS_PCT = (0.0, 5.0, 10.0)
"""From above these many points outside the band a cell is stronger. Ours. [% RH]"""
PART_H = 12
"""A day with hour means of fewer hours counts as known in part."""


class CalendarDay(NamedTuple):
    """A local day: lowest, mean and highest hour mean of RH [%], hours with one, hours below and
    above the band; without hours all are NaN or 0."""

    day: date
    low: float
    mean: float
    high: float
    hours: int
    dry_h: int
    damp_h: int

    def beyond(self, band_pct: tuple[float, float]) -> float:
        """Points of RH outside the band at its worst hour; below 0 if that was too dry. [%]"""
        if not self.hours:
            return float("nan")
        dry, damp = band_pct[0] - self.low, self.high - band_pct[1]
        if max(dry, damp) <= 0:
            return 0.0
        return -dry if dry >= damp else damp


def level(beyond: float) -> int:
    """Step of a day: 0 in the band, -3 far too dry, 3 far too damp."""
    steps = sum(abs(beyond) > step for step in STEPS_PCT)
    return -steps if beyond < 0 else steps


def days_of(
    air: Means, start_ms: int, end_ms: int, band_pct: tuple[float, float], zone: ZoneInfo
) -> list[CalendarDay]:
    """Every local day that begins within [start, end); days of 23 and 25 hours are whole days."""
    local = formats.local_ms(air.ts_ms, zone) // formats.DAY_MS
    number, first, count = np.unique(local, return_index=True, return_counts=True)
    of = {int(n): slice(int(i), int(i + c)) for n, i, c in zip(number, first, count, strict=True)}
    found = []
    day = formats.local(start_ms, zone).date()
    while formats.midnight(day, zone) < end_ms:
        rh = air.rh_pct[of.get((day - date(1970, 1, 1)).days, slice(0, 0))]
        if len(rh):
            low, high = band_pct
            below, above = int((rh < low).sum()), int((rh > high).sum())
            least, mean, most = float(rh.min()), float(rh.mean()), float(rh.max())
            found.append(CalendarDay(day, least, mean, most, len(rh), below, above))
        else:
            found.append(CalendarDay(day, math.nan, math.nan, math.nan, 0, 0, 0))
        day += timedelta(days=1)
    return found


class CalendarMonth(NamedTuple):
    """Days of a month: in the band, too dry, too damp at some hour, without readings; the worst."""

    first: date
    right: int
    dry: int
    damp: int
    unknown: int
    worst: CalendarDay | None


def months_of(days: list[CalendarDay], band_pct: tuple[float, float]) -> list[CalendarMonth]:
    """The days counted by month. A day that was both too dry and too damp counts in both."""
    found = []
    for first in dict.fromkeys(d.day.replace(day=1) for d in days):
        own = [d for d in days if d.day.replace(day=1) == first]
        known = [d for d in own if d.hours]
        worst = max(known, key=lambda d: abs(d.beyond(band_pct)), default=None)
        found.append(
            CalendarMonth(
                first,
                sum(not (d.dry_h or d.damp_h) for d in known),
                sum(d.dry_h > 0 for d in known),
                sum(d.damp_h > 0 for d in known),
                len(own) - len(known),
                worst if worst is not None and worst.beyond(band_pct) else None,
            )
        )
    return found
