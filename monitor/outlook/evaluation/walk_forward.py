"""Walks through a log day by day, and each day forecasts from what was known."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from monitor.science.outlook import dry_snap
from monitor.science.outlook.forecaster import TRIED_DAYS, Forecaster, LearnedForecaster
from monitor.science.outlook.hourly_log import Issues, ShopHours
from monitor.science.outlook.room_model import prepared_log
from monitor.science.ranges import Floats

HORIZONS_H = np.array([1, 3, 6, 12, 24, 48, 72])
"""Leads that are scored. [h]"""

TOLD_DAYS = 10
"""Days of log from which the outlook is shown. [d]"""

EVERY_H = dry_snap.LOOKS_APART_H
"""Moments at which it forecasts, apart. [h]"""

MEMBERS = 100
FRESH_H = 6
"""Time without a reading after which nothing is forecast. [h]"""


class Walked(NamedTuple):
    """Forecasts at `moments` (n,), hours of the log, and what came, at `HORIZONS_H`.

    Fields of shape (2, horizons, n), temperature [°C] and RH [%]: `told` what came, NaN where
    nothing was read; `given`, the forecast; `low` and `high` of its 80 % range; `crps`; `same`
    "as at this hour". `now` (2, n): "as it is". lasting `chance` (n,) of a snap within 84 h, `bar`
    (n,) the probability at which the alert opens.
    """

    moments: np.ndarray
    told: Floats
    given: Floats
    low: Floats
    high: Floats
    crps: Floats
    same: Floats
    now: Floats
    chance: Floats
    bar: Floats


def walk(
    hours: ShopHours,
    issues: Issues,
    tick: Callable[[int, int], None] | None = None,
    told_days: int = TOLD_DAYS,
) -> Walked:
    """Learns each midnight UTC of the log, and forecasts every 3 h, from day `told_days` on.

    `tick` is told how many days are done, and of how many.
    """
    return Walk(hours, issues, told_days).through(tick)


class Walk:
    """A walk through a log. `learned` is what is known at its end, once it is `through`."""

    def __init__(self, hours: ShopHours, issues: Issues, told_days: int = TOLD_DAYS) -> None:
        self._hours, self._told_days = hours, told_days
        self.known = prepared_log(hours, issues)
        self._forecaster = Forecaster(self.known, issues)
        self.learned: LearnedForecaster | None = None

    def through(self, tick: Callable[[int, int], None] | None = None) -> Walked:
        """Day by day to the end of the log."""
        hours, k = self._hours, self.known
        days = len(hours) // 24
        rows: list[tuple[Floats, ...]] = []
        stale = _stale_h(hours)
        for day in range(TRIED_DAYS, days):
            stop = 24 * day - 1
            self.learned = self._learn(stop)
            ends = stop + np.arange(0, 24, EVERY_H)
            ends = ends[(ends < len(hours) - 1) & (stale[ends] < FRESH_H)]
            if tick:
                tick(day - TRIED_DAYS + 1, days - TRIED_DAYS)
            if not len(ends):
                continue
            seen, chance = self._forecaster.try_out(self.learned, ends, MEMBERS, day)
            if day >= self._told_days:
                rows.append(
                    _row(
                        k.temp_c,
                        k.rh_pct,
                        hours,
                        ends,
                        seen.given,
                        seen.plainer,
                        seen.members,
                        chance,
                        self.learned.bar,
                    )
                )
        self.learned = self._learn(len(hours) - 1)
        if not rows:
            return _nothing()
        return Walked(*(np.concatenate(column, axis=-1) for column in zip(*rows, strict=True)))

    def _learn(self, stop: int) -> LearnedForecaster:
        before = self.learned.shop if self.learned else None
        return self._forecaster.learn(stop, before)


def _nothing() -> Walked:
    wide = np.empty((2, len(HORIZONS_H), 0))
    none = np.empty(0)
    return Walked(np.empty(0, np.int64), *(wide,) * 6, np.empty((2, 0)), none, none)


def _row(
    temp: Floats,
    rh: Floats,
    hours: ShopHours,
    ends: np.ndarray,
    given: Floats,
    plainer: Floats,
    members: Floats,
    chance: Floats,
    bar: float,
) -> tuple[Floats, ...]:
    at = ends + HORIZONS_H[:, None]
    inside = at < len(hours)
    told = np.stack(
        [
            np.where(inside, values[np.minimum(at, len(hours) - 1)], np.nan)
            for values in (hours.temp_c, hours.rh_pct)
        ]
    )
    cut = members[:, :, HORIZONS_H - 1]
    low, high = np.quantile(cut, [0.1, 0.9], axis=1)
    return (
        ends,
        told,
        given[:, HORIZONS_H - 1],
        low,
        high,
        crps(cut, told),
        plainer[:, 1, HORIZONS_H - 1],
        np.stack([temp[ends], rh[ends]]),
        chance,
        np.full(len(ends), bar),
    )


def crps(members: Floats, told: Floats) -> Floats:
    """Continuous ranked probability score of members (2, members, ...) against outcomes (2, ...).

    E|X − y| − E|X − X'|/2 over the members, in their unit; 0 is perfect. Source: Gneiting and
    Raftery, J. Am. Stat. Assoc. 102, 2007, eq. 21. From memory, checked in the tests.
    """
    x = np.sort(members, axis=1)
    m = x.shape[1]
    rank = (2 * np.arange(m) - m + 1).reshape(1, m, *([1] * (x.ndim - 2)))
    apart = (rank * x).sum(axis=1) / m**2
    return np.asarray(np.abs(x - told[:, None]).mean(axis=1) - apart)


def _stale_h(hours: ShopHours) -> np.ndarray:
    """Hours since both temperature and RH were last read, at each hour."""
    n = np.arange(len(hours))
    good = ~np.isnan(hours.temp_c + hours.rh_pct)
    return np.asarray(n - np.maximum.accumulate(np.where(good, n, -(10**6))))
