"""Faults of a sensor, found from its 10-minute rollups and those of its neighbours.

Rows are structured arrays with `ts_ms` (start), `n`, `low`, `mean`, `high`, rising in time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

PERIOD_S = 600
SATURATED_PCT = 99.0
STUCK_S, SATURATED_S = 6 * 3_600, 3 * 3_600
"""So long without the least step, or at `SATURATED_PCT` and more indoors, is a fault. [s]  Ours."""
APART_S = 2 * 3_600
"""A longer gap ends a standstill. [s]"""
NOISE_RH_PCT, NOISE_TEMP_K = 1.0, 0.3
"""Most that single readings may scatter, as a standard deviation. [%], [K]  Ours: three to five
times that of ordinary sensors."""
JUMP_RH_PCT, JUMP_TEMP_K, JUMPS = 10.0, 3.0, 3
"""A value so far beyond those of 10 minutes before and after is a jump; so many in a day are a
fault, fewer somebody's breath. [%], [K], [-]  Ours."""
COMMON = 72
"""Two sensors are compared over at least so many common rollups: half a day."""
LOW_BATTERY_PCT = 15.0
DAY_ROWS = 144
_RANGE_OF = (
    (2, 3, 5, 10, 20, 50, 100, 1000),
    (0.954, 1.588, 2.257, 3.024, 3.69, 4.45, 4.97, 6.43),
)
"""Median range of n values from one normal distribution, over its standard deviation. To 10: a
known factor of control charts, from memory; beyond: drawn, as the test draws it anew."""

Rows = NDArray[np.void]


class SensorFault(StrEnum):
    """Kinds of sensor fault, gravest first."""

    SILENT = "silent"
    STUCK = "stuck"
    SATURATED = "saturated"
    CLOCK = "clock"
    DISAGREES = "disagrees"
    NOISY = "noisy"
    JUMPS = "jumps"
    REFUSED = "refused"
    BATTERY = "battery"


COSTS: dict[SensorFault, int] = {
    SensorFault.SILENT: 100,
    SensorFault.STUCK: 100,
    SensorFault.SATURATED: 60,
    SensorFault.CLOCK: 60,
    SensorFault.DISAGREES: 40,
    SensorFault.NOISY: 30,
    SensorFault.JUMPS: 30,
    SensorFault.REFUSED: 20,
    SensorFault.BATTERY: 20,
}
"""What each fault takes off a score of 100. Ours."""


class FaultFound(NamedTuple):
    """A fault and how large it is: SILENT, STUCK, SATURATED [s]; CLOCK, by how
    much it is slow, below 0 fast [s]; DISAGREES, NOISY [% RH, or K of
    temperature]; JUMPS, REFUSED how many a day; BATTERY [%]. `warm`: it is the temperature's."""

    fault: SensorFault
    amount: float
    warm: bool = False


class Pair(NamedTuple):
    """A sensor's humidity and temperature, and the expanded uncertainty (k = 2) of both. [%], [K]"""

    rh: Rows
    temp: Rows
    u_rh_pct: float
    u_temp_k: float


def standstill_s(rows: Rows) -> float:
    """Time up to the last of these rollups for which the value has not moved at all. [s]

    NaN without any. A rollup of one reading says nothing of the next, so a reading each ten
    minutes counts as well as one each second.
    """
    if not len(rows):
        return math.nan
    moved = (rows["low"] != rows["low"][-1]) | (rows["high"] != rows["low"][-1])
    return lasting_s(rows, ~moved)


def saturated_s(rows: Rows) -> float:
    """Time up to the last of these rollups for which the value never fell below saturation. [s]"""
    return lasting_s(rows, rows["low"] >= SATURATED_PCT) if len(rows) else math.nan


def lasting_s(rows: Rows, so: NDArray[np.bool_]) -> float:
    """Time for which a condition has lasted, to the end of the last rollup. [s]"""
    other = np.flatnonzero(~so)
    if len(other) and other[-1] == len(rows) - 1:
        return 0.0
    first = rows["ts_ms"][other[-1] + 1 if len(other) else 0]
    return float(rows["ts_ms"][-1] - first) / 1000 + PERIOD_S


def unreliable(rh: Rows, period_s: int = PERIOD_S) -> NDArray[np.bool_]:
    """Rollups of a humidity from a sensor that was stuck or saturated. Shape (n,).

    Where another sensor stands at the same place, that one is to be asked. Shape (n,).
    """
    near = np.diff(rh["ts_ms"]) <= 1000 * max(APART_S, period_s)
    wet = rh["low"] >= SATURATED_PCT
    still = (rh["low"] == rh["high"]) & ~wet
    if not (still | wet).any():
        return np.zeros(len(rh), np.bool_)
    same = near & still[1:] & still[:-1] & (rh["low"][1:] == rh["low"][:-1])
    found: NDArray[np.bool_] = still & (_run_s(rh, same, period_s) >= STUCK_S)
    return found | (wet & (_run_s(rh, near & wet[1:] & wet[:-1], period_s) >= SATURATED_S))


def _run_s(rows: Rows, joined: NDArray[np.bool_], period_s: int) -> NDArray[np.float64]:
    """Length of the run that each row belongs to; `joined`: which rows follow on. [s]"""
    if not len(rows):
        return np.empty(0)
    first = np.flatnonzero(np.r_[True, ~joined])
    last = np.r_[first[1:] - 1, len(rows) - 1]
    lasts = (rows["ts_ms"][last] - rows["ts_ms"][first]) / 1000 + period_s
    return np.asarray(np.repeat(lasts, last - first + 1))


def noise(rows: Rows) -> float:
    """Standard deviation of single readings about the air, from their range within 10 minutes.

    NaN where rollups of less than two readings are all there are. The median over the rows keeps
    doors and people out; air that truly changes within 10 minutes makes it too large.
    """
    several = rows[rows["n"] >= 2]
    if not len(several):
        return math.nan
    factor = np.interp(np.log(several["n"]), np.log(_RANGE_OF[0]), _RANGE_OF[1])
    return float(np.median((several["high"] - several["low"]) / factor))


def jumps(rows: Rows, least: float) -> int:
    """Number of rollups with a value at least `least` beyond all of those before and after."""
    if len(rows) < 3:
        return 0
    before, here, after = rows[:-2], rows[1:-1], rows[2:]
    near = (after["ts_ms"] - before["ts_ms"]) <= 1000 * APART_S
    up = here["high"] - np.maximum(before["high"], after["high"])
    down = np.minimum(before["low"], after["low"]) - here["low"]
    return int((near & (np.maximum(up, down) > least)).sum())


def median_difference(one: Rows, other: Rows) -> float:
    """Median difference of two sensors over their common rollups; NaN if they have fewer than
    `COMMON`."""
    _, i, j = np.intersect1d(one["ts_ms"], other["ts_ms"], True, True)
    if len(i) < COMMON:
        return math.nan
    return float(np.median(one["mean"][i] - other["mean"][j]))


def disagreement(one: Pair, others: Sequence[Pair], *, warm: bool) -> float:
    """Difference of a sensor from those beside it, where it is more than both uncertainties.

    0 while it agrees with half of them or more: of three, the odd one is found; of two that
    disagree, neither is known to be right. In % RH, or K if `warm`.
    """
    off = []
    compared = 0
    for other in others:
        by = (
            median_difference(one.temp, other.temp)
            if warm
            else median_difference(one.rh, other.rh)
        )
        if math.isnan(by):
            continue
        compared += 1
        u = (
            math.hypot(one.u_temp_k, other.u_temp_k)
            if warm
            else math.hypot(one.u_rh_pct, other.u_rh_pct)
        )
        if abs(by) > u:
            off.append(by)
    return float(np.median(off)) if 2 * len(off) > compared else 0.0


def findings(
    one: Pair,
    others: Sequence[Pair] = (),
    *,
    silent_s: float = 0.0,
    stale_s: float = math.inf,
    slow_s: float = 0.0,
    battery_pct: float = math.nan,
    refused: int = 0,
    outdoors: bool = False,
) -> list[FaultFound]:
    """Faults of a sensor, gravest first.

    Parameters
    ----------
    one : Pair
        Its last days, at least one; disagreement needs half a day in common.
    others : sequence of Pair
        Those at the same place that are neither stuck nor saturated.
    silent_s, stale_s : float
        For how long it has been silent, and from when on that is a fault. [s]
    slow_s : float
        By how much its clock is slow, below 0 fast; 0 if it is right. [s]
    battery_pct : float
        [%]  NaN: not known.
    refused : int
        Of its messages, in the last day.
    outdoors : bool
        Where saturated air is no fault.
    """
    found = []
    if silent_s > stale_s:
        found.append(FaultFound(SensorFault.SILENT, silent_s))
    still, wet = standstill_s(one.rh), saturated_s(one.rh)
    if still >= STUCK_S and not wet > 0:
        found.append(FaultFound(SensorFault.STUCK, still))
    if wet >= SATURATED_S and not outdoors:
        found.append(FaultFound(SensorFault.SATURATED, wet))
    if slow_s:
        found.append(FaultFound(SensorFault.CLOCK, slow_s))
    for warm, rows, loud, jump in (
        (False, one.rh, NOISE_RH_PCT, JUMP_RH_PCT),
        (True, one.temp, NOISE_TEMP_K, JUMP_TEMP_K),
    ):
        if by := disagreement(one, others, warm=warm):
            found.append(FaultFound(SensorFault.DISAGREES, by, warm))
        day = rows[-DAY_ROWS:]
        if (sd := noise(day)) > loud:
            found.append(FaultFound(SensorFault.NOISY, sd, warm))
        if (many := jumps(day, jump)) >= JUMPS:
            found.append(FaultFound(SensorFault.JUMPS, many, warm))
    if refused:
        found.append(FaultFound(SensorFault.REFUSED, refused))
    if battery_pct <= LOW_BATTERY_PCT:
        found.append(FaultFound(SensorFault.BATTERY, battery_pct))
    return sorted(found, key=lambda finding: list(SensorFault).index(finding.fault))


def score(found: Sequence[FaultFound]) -> int:
    """100 for a sensor without fault, down to 0. [-]"""
    return max(0, 100 - sum(COSTS[fault] for fault in {finding.fault for finding in found}))
