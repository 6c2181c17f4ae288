"""Air log of a wait: spans of constant air, marked gaps, and exact integrals.

Each reading is the air until the next one (left-hold). So the integral of any function of the air
is a sum over spans, and it does not matter where the log is cut. Times are UTC milliseconds;
no clock is put forward or back here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats

Times = NDArray[np.int64]

GAP_EXTRA_S = 900.0
"""A gap is longer than two sampling intervals and this. [s]  Ours."""

TEMP_C = (-40.0, 60.0)
RH_MOST_PCT = 105.0
"""A reading outside is no reading; RH from 100 to 105 counts as 100, as sensors near saturation
read. [°C], [%]"""

BEFORE_MS = 400 * 86_400_000
"""How far before its first reading a log reaches, as a gap. A wait older than that is refused.
[ms]  Ours."""


class AirCoverage(IntEnum):
    """Kinds of span: with readings, without, or paused."""

    AIR = 0
    GAP = 1
    """No reading: counts zero at the least, the neighbours' mean at the most."""
    PAUSED = 2
    """Counts nothing, and that is known."""


@dataclass(frozen=True, eq=False)
class AirLog:
    """Spans one after the other: [ms], [ms], [°C], [%], `AirCoverage`. Build it with `air_log`.

    In a gap, the air is the mean of its two neighbours, or the only neighbour; NaN if there is
    none. `first_ms` and `last_ms` are the first and last reading, `unusable` counts readings
    that were none, and readings later than the end (a clock that jumped).
    """

    begin_ms: Times
    end_ms: Times
    temp_c: Floats
    rh_pct: Floats
    known: NDArray[np.int8]
    first_ms: int | None
    last_ms: int | None
    unusable: int = 0

    @property
    def until_ms(self) -> int:
        return int(self.end_ms[-1])

    @cached_property
    def seconds(self) -> Floats:
        return (self.end_ms - self.begin_ms) / 1000

    @cached_property
    def _spans(self) -> dict[AirCoverage, NDArray[np.intp]]:
        return {known: np.flatnonzero(self.known == known) for known in AirCoverage}

    def running(self, value: Floats, known: AirCoverage) -> RunningIntegral:
        """The running integral of a value per span, over the spans so `known`. [value·s]

        NaN counts 0.
        """
        spans = self._spans[known]
        value = value[spans]
        if spans.size and not np.isfinite(value.sum()):
            value = np.nan_to_num(value)
        return RunningIntegral(self.begin_ms[spans], self.seconds[spans], value)

    def unknown_s(self, from_ms: int) -> float:
        """Seconds in gaps from then to the end."""
        gaps = self.running(np.ones(len(self.begin_ms)), AirCoverage.GAP)
        return float(gaps.total - gaps.at(np.array([from_ms]))[0])

    def cut(self, from_ms: int, until_ms: int) -> AirLog:
        """The same air between two moments.

        Raises
        ------
        OutOfRange
            If they are not in order or not inside the log.
        """
        low = int(self.begin_ms[0])
        if not low <= from_ms < until_ms <= self.until_ms:
            raise OutOfRange("from_ms", from_ms, "ms", low, min(until_ms, self.until_ms))
        keep = (self.end_ms > from_ms) & (self.begin_ms < until_ms)
        read = [int(at) for at in self.begin_ms[keep & (self.known == AirCoverage.AIR)]]
        read += [at for at in (self.first_ms, self.last_ms) if at is not None]
        read = [at for at in read if from_ms <= at < until_ms]
        return replace(
            self,
            first_ms=min(read, default=None),
            last_ms=max(read, default=None),
            begin_ms=np.maximum(self.begin_ms[keep], from_ms),
            end_ms=np.minimum(self.end_ms[keep], until_ms),
            temp_c=self.temp_c[keep],
            rh_pct=self.rh_pct[keep],
            known=self.known[keep],
        )


class RunningIntegral:
    """∫ value dt along spans, at any moment."""

    def __init__(self, begin_ms: Times, seconds: Floats, value: Floats) -> None:
        self._begin, self._seconds, self._value = begin_ms, seconds, value
        self._before = np.zeros(len(value) + 1)
        np.cumsum(value * seconds, out=self._before[1:])
        self.total = float(self._before[-1])

    def at(self, ts_ms: Times) -> Floats:
        """Integral between the first span's begin and each moment. [value·s]"""
        if not len(self._begin):
            return np.zeros(np.shape(ts_ms))
        i = np.maximum(np.searchsorted(self._begin, ts_ms, side="right") - 1, 0)
        inside = np.clip((ts_ms - self._begin[i]) / 1000, 0.0, self._seconds[i])
        result: Floats = self._before[i] + self._value[i] * inside
        return result


def air_log(
    ts_ms: ArrayLike,
    temp_c: ArrayLike,
    rh_pct: ArrayLike,
    until_ms: int,
    interval_s: float | None = None,
) -> AirLog:
    """The air of one place from its readings, up to a moment.

    Parameters
    ----------
    ts_ms : array_like of int, shape (n,), rising
        When each was measured. [ms since 1970-01-01 UTC]  May be empty.
    temp_c, rh_pct : array_like of shape (n,)
        Air temperature [°C] and relative humidity [%]. NaN, a temperature outside −40 to 60 and
        an RH outside 0 to 105 are no reading; RH above 100 counts as 100.
    until_ms : int
        End of the log, usually now. Readings from then on are left out. [ms]
    interval_s : float, optional
        Sampling interval, above 0; by default the median of the log. [s]

    Returns
    -------
    AirLog
        From `BEFORE_MS` before its first reading: all of that is a gap. So is every stretch
        between readings longer than 2 `interval_s` + 15 min.

    Raises
    ------
    OutOfRange
        If times do not rise or the interval is not above 0.
    """
    ts = np.asarray(ts_ms, dtype=np.int64)
    t, rh = np.asarray(temp_c, dtype=np.float64), np.asarray(rh_pct, dtype=np.float64)
    steps = np.diff(ts)
    if (steps <= 0).any():
        raise OutOfRange("ts_ms step", float(steps.min()), "ms", 0, None, low_open=True)
    good = (t >= TEMP_C[0]) & (t <= TEMP_C[1]) & (rh >= 0) & (rh <= RH_MOST_PCT) & (ts < until_ms)
    unusable = int(len(ts) - good.sum())
    if unusable:
        ts, t, rh = ts[good], t[good], rh[good]
    rh = np.minimum(rh, 100.0)
    if not len(ts):
        begin = np.array([until_ms - BEFORE_MS], dtype=np.int64)
        nothing = np.array([np.nan])
        gap = np.array([AirCoverage.GAP], dtype=np.int8)
        return AirLog(begin, np.array([until_ms]), nothing, nothing, gap, None, None, unusable)
    if interval_s is None:
        interval_s = float(np.median(np.diff(ts))) / 1000 if len(ts) > 1 else 0.001
    if not interval_s > 0:
        raise OutOfRange("interval_s", interval_s, "s", 0, None, low_open=True)
    begin = np.concatenate([[ts[0] - BEFORE_MS], ts])
    end = np.concatenate([ts, [until_ms]])
    silent = (end - begin) > 1000 * (2 * interval_s + GAP_EXTRA_S)
    silent[0] = True
    after_t, after_rh = np.append(t[1:], t[-1]), np.append(rh[1:], rh[-1])
    t = np.where(silent[1:], (t + after_t) / 2, t)
    rh = np.where(silent[1:], (rh + after_rh) / 2, rh)
    # The gap before the first reading has one neighbour: that reading, kept from above.
    first_t, first_rh = float(np.asarray(temp_c)[good][0]), float(np.asarray(rh_pct)[good][0])
    return AirLog(
        begin_ms=begin,
        end_ms=end,
        temp_c=np.concatenate([[first_t], t]),
        rh_pct=np.concatenate([[min(first_rh, 100.0)], rh]),
        known=np.where(silent, AirCoverage.GAP, AirCoverage.AIR).astype(np.int8),
        first_ms=int(ts[0]),
        last_ms=int(ts[-1]),
        unusable=unusable,
    )


class Stay(NamedTuple):
    """Stay of a wait between two moments: a place's air, or None while paused."""

    air: AirLog | None
    from_ms: int
    until_ms: int


def stitched(stays: Sequence[Stay]) -> AirLog:
    """The air of a wait that was moved or paused, as one log.

    Parameters
    ----------
    stays : sequence of Stay
        One after the other, without a hole. A first stay may begin before its log.

    Raises
    ------
    OutOfRange
        If a stay does not begin where the one before ended, or lies outside its log.
    """
    parts = []
    for i, stay in enumerate(stays):
        if i and stay.from_ms != stays[i - 1].until_ms:
            end = stays[i - 1].until_ms
            raise OutOfRange("from_ms", stay.from_ms, "ms", end, end)
        if stay.air is not None:
            parts.append(stay.air.cut(stay.from_ms, stay.until_ms))
            continue
        if stay.until_ms <= stay.from_ms:
            raise OutOfRange("until_ms", stay.until_ms, "ms", stay.from_ms, None, low_open=True)
        nothing = np.array([np.nan])
        parts.append(
            AirLog(
                np.array([stay.from_ms]),
                np.array([stay.until_ms]),
                nothing,
                nothing,
                np.array([AirCoverage.PAUSED], dtype=np.int8),
                None,
                None,
            )
        )
    firsts = [p.first_ms for p in parts if p.first_ms is not None]
    lasts = [p.last_ms for p in parts if p.last_ms is not None]
    return AirLog(
        begin_ms=np.concatenate([p.begin_ms for p in parts]),
        end_ms=np.concatenate([p.end_ms for p in parts]),
        temp_c=np.concatenate([p.temp_c for p in parts]),
        rh_pct=np.concatenate([p.rh_pct for p in parts]),
        known=np.concatenate([p.known for p in parts]),
        first_ms=min(firsts, default=None),
        last_ms=max(lasts, default=None),
        unusable=sum(p.unusable for p in parts),
    )


def exponential_mean(log: AirLog, value: Floats, time_s: float) -> Floats:
    """Mean over each span of the value's exponential mean, in balance at the log's begin.

    Parameters
    ----------
    log : AirLog
    value : ndarray of shape (n,)
        One per span. NaN (no air known) leaves the mean where it is.
    time_s : float
        Time constant, above 0. [s]

    Returns
    -------
    ndarray of shape (n,)
        Exact for spans of constant air. NaN until a first value is known.
    """
    known = ~np.isnan(value)
    x = np.where(known, log.seconds / time_s, 0.0)
    if not known.any():
        return np.full(len(value), np.nan)
    first = float(value[known][0])
    filled = np.where(known, value, first)
    after = relaxation_steps(x, filled, first)
    before = np.concatenate([[first], after[:-1]])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(x > 0, -np.expm1(-x) / x, 1.0)
    return np.where(known, filled + (before - filled) * share, before)


BLOCK_X = 500.0
"""Largest exponent in one block of `relaxation_steps`: e^500 is far below the largest float. [-]"""


def relaxation_steps(x: Floats, drive: Floats, start: float) -> Floats:
    """y after each step of y ← d + (y − d) e^(−x), in closed form. Shape (n,), x ≥ 0.

    y_i = e^(−X_i) [y_0 + Σ d_m (e^X_m − e^X_{m−1})], X the running sum of x, block by block so
    that no exponential overflows.
    """
    total = np.cumsum(x)
    result = np.empty(len(x))
    low, y, base = 0, start, 0.0
    while low < len(x):
        high = max(int(np.searchsorted(total, base + BLOCK_X, side="right")), low + 1)
        part = total[low:high] - base
        if high == low + 1 and part[0] > BLOCK_X:  # one long step: only its drive is left
            result[low] = drive[low] + (y - drive[low]) * np.exp(-part[0])
        else:
            edges = np.exp(np.concatenate([[0.0], part]))
            result[low:high] = (y + np.cumsum(drive[low:high] * np.diff(edges))) / edges[1:]
        low, y, base = high, float(result[high - 1]), float(total[high - 1])
    return result
