"""Solar hours of the day and days of the week, for logs without a time zone.

A shop's log carries UTC only. The warmest hour outdoors, about 15:00 by the sun, tells where its
day begins well enough to part working days from others.
"""

from __future__ import annotations

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


class Calendar(NamedTuple):
    """Hour of the day (0 to 24) and day of the week (Monday 0), by the sun; `CLOSED` on days that
    the shop says it is closed besides."""

    hour: Floats
    weekday: np.ndarray


def calendar(hours: np.ndarray, offset_h: int, closed: Days = NO_DAYS) -> Calendar:
    """Calendar of the hours that end at `hours` [h since 1970-01-01 UTC].

    `closed` are days since 1970-01-01.
    """
    local = np.asarray(hours) - 0.5 + offset_h
    day = np.floor(local / 24).astype(np.int64)
    return Calendar(local % 24, np.where(np.isin(day, closed), CLOSED, (day + 3) % 7))


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
