"""Walks through a log day by day, and each day forecasts from what was known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.science.outlook import dry_snap
from monitor.science.outlook.forecaster import (
    TRIED_DAYS,
    Forecaster,
    ForecasterState,
    LearnedForecaster,
)
from monitor.science.outlook.hourly_log import Issues, ShopHours
from monitor.science.outlook.room_model import prepared_log
from monitor.science.outlook.shop_model import HoursAhead
from monitor.science.ranges import Floats

HORIZONS_H = np.array([1, 3, 6, 12, 24, 48, 72])
"""Leads that are scored. [h]"""

TOLD_DAYS = 10
"""Days of log from which the outlook is shown. [d]"""

EVERY_H = dry_snap.LOOKS_APART_H
"""Moments at which it forecasts, apart. [h]"""

LEAST_STEP_H = 12
"""A shorter piece of the log is left for the next night. [h]"""

WALKED_DAYS = 60
"""Days of forecasts that a walk keeps from night to night. [d]  Ours: as `ForecastRecord` does."""

MEMBERS = 100
FRESH_H = 6
"""Time without a reading after which nothing is forecast. [h]"""


class Walked(NamedTuple):
    """Forecasts at `moments` (n,), hours of the log, and what came, at `HORIZONS_H`.

    Fields of shape (2, horizons, n), temperature [°C] and RH [%]: `outcome` what came, NaN where
    nothing was read; `given`, the forecast; `low` and `high` of its 80 % range; `crps`, NaN where
    what came was not known when it forecast; `same` "as at this hour". `now` (2, n): "as it is".
    Lasting `chance` (n,) of a snap within 84 h, `bar` (n,) the probability at which the alert opens.
    """

    moments: np.ndarray
    outcome: Floats
    given: Floats
    low: Floats
    high: Floats
    crps: Floats
    same: Floats
    now: Floats
    chance: Floats
    bar: Floats


def walk(
    hours: ShopHours, issues: Issues, tick: Callable[[int, int], None] | None = None
) -> Walked:
    """Learns each midnight UTC of the log, and forecasts every 3 h, from day `TOLD_DAYS` on.

    `tick` is told how many days are done, and of how many.
    """
    return Walk(hours, issues).through(tick)


@dataclass(frozen=True, eq=False)
class WalkState:
    """State of a place's walk from one night to the next.

    `walked`: its forecasts of the last `WALKED_DAYS`, their moments in hours since 1970-01-01 UTC.
    """

    place: str
    forecaster: ForecasterState
    walked: Walked


class Walk:
    """A walk through a log. `learned` is what is known at its end, once it is `through`.

    Parameters
    ----------
    before : WalkState, optional
        Where it stopped when the log was shorter: only the days since are walked through.
    days : int, optional
        So many days are walked through where nothing was before; without it, the whole log. [d]
    """

    def __init__(
        self,
        hours: ShopHours,
        issues: Issues,
        before: WalkState | None = None,
        days: int | None = None,
    ) -> None:
        self._hours = hours
        self.known = prepared_log(hours, issues)
        last = len(hours) - 1
        if before is not None and not 0 <= before.forecaster.stop_h - hours.first_h <= last:
            before = None  # of another log
        self._forecaster = Forecaster(
            self.known, issues, None if before is None else before.forecaster
        )
        self.learned: LearnedForecaster | None = None
        self._stop = 24 * TRIED_DAYS - 1
        self._rows: list[Walked] = []
        if before is not None:
            self._stop = before.forecaster.stop_h - hours.first_h
            self.learned = before.forecaster.learned
            self._rows = [since(shifted(before.walked, -hours.first_h), 0)]
        elif days is not None:
            self._stop = max(self._stop, last - 24 * days)

    def through(self, tick: Callable[[int, int], None] | None = None) -> Walked:
        """Day by day to the end of the log."""
        last, begun = len(self._hours) - 1, self._stop
        if self.learned is None:
            self.learned = self._forecaster.learn(min(self._stop, last))
        stale = _stale_h(self._hours)
        while (step := min(24, last - self._stop)) >= LEAST_STEP_H:
            if tick:
                tick((self._stop - begun) // 24 + 1, -(-(last - begun) // 24))
            ends = self._stop + np.arange(0, step, EVERY_H)
            self._try_out(self.learned, ends[stale[ends] < FRESH_H])
            self._stop += step
            self.learned = self._forecaster.learn(self._stop, self.learned.shop)
        walked = joined(self._rows)
        return walked._replace(outcome=outcomes(self._hours, walked.moments))

    def state(self, place: str) -> WalkState:
        """State to go on from, once it is `through`."""
        if self.learned is None:
            raise RuntimeError("the walk has not been gone through")
        walked = since(joined(self._rows), self._stop - 24 * WALKED_DAYS)
        first = self._hours.first_h
        return WalkState(
            place, self._forecaster.state(self.learned, self._stop), shifted(walked, first)
        )

    def _try_out(self, learned: LearnedForecaster, ends: np.ndarray) -> None:
        if not len(ends):
            return
        seed = (self._hours.first_h + self._stop) // 24
        seen, chance = self._forecaster.try_out(learned, ends, MEMBERS, seed)
        if self._stop >= 24 * TOLD_DAYS - 1:
            now = np.stack([self.known.temp_c[ends], self.known.rh_pct[ends]])
            one = row(ends, seen, now, chance, learned.bar)
            outcome = outcomes(self._hours, ends)
            cut = seen.members[:, :, HORIZONS_H - 1]
            self._rows.append(one._replace(outcome=outcome, crps=crps(cut, outcome)))


def outcomes(hours: ShopHours, moments: np.ndarray) -> Floats:
    """Temperature [°C] and RH [%] that came, (2, horizons, n); NaN where nothing was read."""
    at = moments + HORIZONS_H[:, None]
    inside = at < len(hours)
    both = (hours.temp_c, hours.rh_pct)
    return np.stack([np.where(inside, v[np.minimum(at, len(hours) - 1)], np.nan) for v in both])


def joined(rows: list[Walked]) -> Walked:
    """Rows one after the other."""
    if not rows:
        return nothing()
    return Walked(*(np.concatenate(column, axis=-1) for column in zip(*rows, strict=True)))


def since(walked: Walked, moment: int) -> Walked:
    """Forecasts made at or after a moment."""
    late = walked.moments >= moment
    return Walked(*(field[..., late] for field in walked))


def shifted(walked: Walked, by: int) -> Walked:
    """The same, their moments counted otherwise."""
    return walked._replace(moments=walked.moments + by)


def nothing() -> Walked:
    """No forecasts."""
    wide = np.empty((2, len(HORIZONS_H), 0))
    none = np.empty(0)
    return Walked(np.empty(0, np.int64), *(wide,) * 6, np.empty((2, 0)), none, none)


def row(ends: np.ndarray, seen: HoursAhead, now: Floats, chance: Floats, bar: float) -> Walked:
    """Forecasts after the hours `ends`, before what came is known."""
    cut = seen.members[:, :, HORIZONS_H - 1]
    low, high = np.quantile(cut, [0.1, 0.9], axis=1)
    none = np.full(low.shape, np.nan)
    return Walked(
        ends,
        none,
        seen.given[:, HORIZONS_H - 1],
        low,
        high,
        none,
        seen.plainer[:, 1, HORIZONS_H - 1],
        now,
        chance,
        np.full(len(ends), bar),
    )


def crps(members: Floats, outcome: Floats) -> Floats:
    """Continuous ranked probability score of members (2, members, ...) against outcomes (2, ...).

    E|X − y| − E|X − X'|/2 over the members, in their unit; 0 is perfect. Source: Gneiting and
    Raftery, J. Am. Stat. Assoc. 102, 2007, eq. 21. From memory, checked in the tests.
    """
    x = np.sort(members, axis=1)
    m = x.shape[1]
    rank = (2 * np.arange(m) - m + 1).reshape(1, m, *([1] * (x.ndim - 2)))
    apart = (rank * x).sum(axis=1) / m**2
    return np.asarray(np.abs(x - outcome[:, None]).mean(axis=1) - apart)


def _stale_h(hours: ShopHours) -> np.ndarray:
    """Hours since both temperature and RH were last read, at each hour."""
    n = np.arange(len(hours))
    good = ~np.isnan(hours.temp_c + hours.rh_pct)
    return np.asarray(n - np.maximum.accumulate(np.where(good, n, -(10**6))))
