"""Walks through a log day by day, and each day forecasts from what was known."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from monitor.science.outlook import snap
from monitor.science.outlook.record import STEPS, Hours, Issues
from monitor.science.outlook.room import known
from monitor.science.outlook.shop import entry, foresee, learn
from monitor.science.outlook.track import Track
from monitor.science.ranges import Floats

HORIZONS_H = np.array([1, 3, 6, 12, 24, 48, 72])
"""Leads that are scored. [h]"""

TRIED_DAYS, TOLD_DAYS = 5, 10
"""The outlook tries itself unheard from the first, and speaks from the second day on. [d]"""

EVERY_H = 3
"""Moments at which it forecasts, apart. [h]"""

MEMBERS = 100
TUNE_DAYS = 7
"""The alert's threshold is tuned anew every so many days. [d]"""

FRESH_H = 6
"""With no reading for so long nothing is forecast. [h]"""


class Walked(NamedTuple):
    """Forecasts at `moments` (n,), hours of the log, and what came, at `HORIZONS_H`.

    Fields of shape (2, horizons, n), temperature [°C] and RH [%]: `told` what came, NaN where
    nothing was read; `given`, the forecast; `low` and `high` of its 80 % range; `crps`; `same`
    "as at this hour". `now` (2, n): "as it is". `chance` (n,) of a snap within 84 h, `bar` (n,)
    the probability at which the alert opens.
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


def walk(hours: Hours, issues: Issues, tick: Callable[[int, int], None] | None = None) -> Walked:
    """Learns each midnight UTC of the log, and forecasts every 3 h, from day 5 on.

    `tick` is told how many days are done, and of how many.
    """
    k = known(hours, issues)
    days = len(hours) // 24
    told_values = (hours.temp_c, hours.rh_pct)
    record, shop = Track(), None
    states = [snap.armings(hours.rh_pct, shift) for shift in snap.SHIFTS_PCT]
    starts = [snap.snaps(hours.rh_pct, shift) for shift in snap.SHIFTS_PCT]
    bar = snap.USUAL_THRESHOLD
    rows: list[tuple[Floats, ...]] = []
    chances: list[list[Floats]] = [[] for _ in snap.SHIFTS_PCT]
    moments: list[np.ndarray] = []
    stale = _stale_h(hours)
    for day in range(TRIED_DAYS, days):
        stop = 24 * day - 1
        shop = learn(k, issues, stop, shop)
        trust = record.judged(told_values, stop)
        if day % TUNE_DAYS == 0 and moments:
            bar = _tuned(moments, chances, starts, stop)
        ends = stop + np.arange(0, 24, EVERY_H)
        ends = ends[(ends < len(hours) - 1) & (stale[ends] < FRESH_H)]
        if tick:
            tick(day - TRIED_DAYS + 1, days - TRIED_DAYS)
        if not len(ends):
            continue
        seen = foresee(shop, k, issues, ends, MEMBERS, day, trust)
        record.add(entry(seen, ends))
        for shift, state, kept in zip(snap.SHIFTS_PCT, states, chances, strict=True):
            kept.append(
                snap.probability(seen.members[1], snap.Arming(*(f[ends] for f in state)), shift)
            )
        moments.append(ends)
        if day >= TOLD_DAYS:
            rows.append(_row(k.temp_c, k.rh_pct, hours, ends, seen.given, seen.plainer,
                             seen.members, chances[0][-1], bar))  # fmt: skip
    return Walked(*(np.concatenate(column, axis=-1) for column in zip(*rows, strict=True)))


def _row(
    temp: Floats, rh: Floats, hours: Hours, ends: np.ndarray, given: Floats, plainer: Floats,
    members: Floats, chance: Floats, bar: float,
) -> tuple[Floats, ...]:  # fmt: skip
    at = ends + HORIZONS_H[:, None]
    inside = at < len(hours)
    told = np.stack([
        np.where(inside, values[np.minimum(at, len(hours) - 1)], np.nan)
        for values in (hours.temp_c, hours.rh_pct)
    ])  # fmt: skip
    cut = members[:, :, HORIZONS_H - 1]
    low, high = np.quantile(cut, [0.1, 0.9], axis=1)
    return (
        ends, told, given[:, HORIZONS_H - 1], low, high, crps(cut, told),
        plainer[:, 1, HORIZONS_H - 1], np.stack([temp[ends], rh[ends]]), chance,
        np.full(len(ends), bar),
    )  # fmt: skip


def crps(members: Floats, told: Floats) -> Floats:
    """Continuous ranked probability score of members (2, members, ...) against `told` (2, ...).

    E|X − y| − E|X − X'|/2 over the members, in their unit; 0 is perfect. Source: Gneiting and
    Raftery, J. Am. Stat. Assoc. 102, 2007, eq. 21. From memory, checked in the tests.
    """
    x = np.sort(members, axis=1)
    m = x.shape[1]
    rank = (2 * np.arange(m) - m + 1).reshape(1, m, *([1] * (x.ndim - 2)))
    apart = (rank * x).sum(axis=1) / m**2
    return np.asarray(np.abs(x - told[:, None]).mean(axis=1) - apart)


def _stale_h(hours: Hours) -> np.ndarray:
    """Hours since both temperature and RH were last read, at each hour."""
    n = np.arange(len(hours))
    good = ~np.isnan(hours.temp_c + hours.rh_pct)
    return np.asarray(n - np.maximum.accumulate(np.where(good, n, -(10**6))))


def _tuned(
    moments: list[np.ndarray], chances: list[list[Floats]], starts: list[np.ndarray], stop: int
) -> float:
    at = np.concatenate(moments)
    tallies = []
    for chance, began in zip(chances, starts, strict=True):
        p = np.concatenate(chance)
        past = began[began + snap.LOW_H - 1 <= stop]
        tallies.append([
            snap.tally(snap.alerts(at, p, past, bar), past, int(at[0]), stop, STEPS)
            for bar in snap.THRESHOLDS.tolist()
        ])  # fmt: skip
    return snap.tuned(tallies)
