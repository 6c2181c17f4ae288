"""Hours of the day and days of the week, for logs that need no time zone.

A shop's log carries UTC only. The warmest hour outdoors, about 15:00 by the sun, tells where its
day begins well enough to part working days from others. Where the zone is known, people move with
its summer time; the sun does not.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.science.ranges import Floats

WARMEST_H = 15.0
"""Hour by the sun at which outdoor air is warmest. [h]  Common practice, no source."""

Days = NDArray[np.int64]
NO_DAYS: Days = np.empty(0, np.int64)
CLOSED = 7
"""In the place of the day of the week."""

HARMONICS = 4
"""Waves of the day in a profile: 24, 12, 8 and 6 h. [-]  Ours."""


def sun_offset_h(hours: np.ndarray, out_temp_c: Floats) -> int:
    """Lead of the sun's clock over UTC, −11 to 12, from the mean daily wave outdoors. [h]

    `hours` count from 1970-01-01 UTC, shape (n,); NaN temperatures do not count. 0 if the day has
    no wave.
    """
    known = ~np.isnan(out_temp_c)
    if known.sum() < 48:
        return 0
    turn = 2 * np.pi * hours[known] / 24
    anomaly = out_temp_c[known] - out_temp_c[known].mean()
    wave = complex((anomaly * np.cos(turn)).mean(), (anomaly * np.sin(turn)).mean())
    if abs(wave) < 0.15:
        return 0
    warmest_utc = np.angle(wave) * 24 / (2 * np.pi)
    return round(float((WARMEST_H - warmest_utc + 11.5) % 24 - 11.5))


class SummerTime(NamedTuple):
    """Summer time of a zone: from each moment `changes_h` (n,) on, its clock is ahead of its winter
    time by the next of `ahead_h` (n + 1,). [h since 1970-01-01 UTC], [h]"""

    changes_h: np.ndarray
    ahead_h: np.ndarray

    def ahead(self, hours: np.ndarray) -> np.ndarray:
        """Lead over winter time in the hours that end at `hours`. [h]"""
        return self.ahead_h[np.searchsorted(self.changes_h, np.asarray(hours) - 1, side="right")]


NO_SUMMER_TIME = SummerTime(np.empty(0, np.int64), np.zeros(1, np.int64))
"""Also of a shop whose zone is not known."""


def summer_time(zone: tzinfo, first_h: int, last_h: int) -> SummerTime:
    """Summer time of a zone between two hours, to whole hours. [h since 1970-01-01 UTC]

    Winter time is the lesser offset of 1 January and 1 July of each year, so a month in which
    the clock goes back further counts as behind.
    """

    def ahead(hour: int) -> int:
        at = datetime.fromtimestamp(hour * 3600, UTC).astimezone(zone)
        winter = min(
            datetime(at.year, month, 1, tzinfo=UTC).astimezone(zone).utcoffset() or timedelta()
            for month in (1, 7)
        )
        return round(((at.utcoffset() or timedelta()) - winter) / timedelta(hours=1))

    changes, leads = [], [ahead(first_h)]
    for start in range(first_h, last_h, 24):
        end = min(start + 24, last_h)
        if ahead(end) != leads[-1]:
            changes.append(next(h for h in range(start + 1, end + 1) if ahead(h) != leads[-1]))
            leads.append(ahead(changes[-1]))
    return SummerTime(np.array(changes, np.int64), np.array(leads, np.int64))


class Calendar(NamedTuple):
    """Hour of the day (0 to 24) and day of the week (Monday 0), by the shop's clock, and the hour by
    the sun; `CLOSED` on days that the shop says it is closed besides."""

    hour: Floats
    weekday: np.ndarray
    sun: Floats


def calendar(
    hours: np.ndarray, offset_h: int, closed: Days = NO_DAYS, summer: SummerTime = NO_SUMMER_TIME
) -> Calendar:
    """Calendar of the hours that end at `hours` [h since 1970-01-01 UTC].

    `closed` are days since 1970-01-01.
    """
    sun = np.asarray(hours) - 0.5 + offset_h
    local = sun + summer.ahead(hours)
    day = np.floor(local / 24).astype(np.int64)
    weekday = np.where(np.isin(day, closed), CLOSED, (day + 3) % 7)
    return Calendar(local % 24, weekday, sun % 24)


def of_day(week: Floats, when: Calendar) -> Floats:
    """Values of `week` (b, 7) at each hour, 0 on a closed day; shape (steps, b, ...)."""
    days = np.concatenate([week, np.zeros((len(week), 1))], axis=1)
    return np.moveaxis(days[:, when.weekday], 0, 1)


def waves(hour: Floats) -> Floats:
    """1, cos, sin, ... in the middle of the hour of the day; shape (..., 1 + 2 `HARMONICS`)."""
    return _WAVES[np.asarray(hour).astype(np.int64)]


def _waves() -> Floats:
    turn = 2 * np.pi * (np.arange(24)[:, None] + 0.5) / 24 * np.arange(1, HARMONICS + 1)
    return np.concatenate([np.ones((24, 1)), np.cos(turn), np.sin(turn)], axis=1)


_WAVES = _waves()


def working(hour: Floats) -> Floats:
    """Part of an hour that lies in a usual working day, 9 to 18. [-]  Common practice."""
    return np.clip(hour - 8.5, 0, 1) * np.clip(18.5 - hour, 0, 1)


USUAL_WEEK = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 0.5, 0.0])
"""How much of a working day each day of the week is, until the log tells. [-]  Ours."""
