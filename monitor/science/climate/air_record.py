"""Record of air over months: the time that each reading represents, and means over time.

A reading stands for the time half way to its neighbours, but never for more than half an hour to
either side: an hour is the coarsest step that the methods here ask for. What no reading stands for
is a gap. With evenly spaced readings every weight is the same and the means are plain ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked

LONGEST_MS = 3_600_000
"""A reading stands for at most this. [ms]  EN 15757:2010 asks for a reading each hour at least.
Second-hand: public papers that apply it."""

RH_MAX_PCT = 105.0
"""Highest RH of a record: sensors near saturation read above 100. [%]  Ours."""

DAY_MS = 86_400_000


class UnbrokenRun(NamedTuple):
    """An unbroken run of readings: the first, one past the last, and from when to when. [ms]"""

    first: int
    stop: int
    from_ms: int
    to_ms: int


@dataclass(frozen=True, eq=False)
class AirRecord:
    """Times [ms since 1970-01-01 UTC], RH [%], temperature [°C], and from when to when each
    reading stands [ms]; arrays of shape (n,). RH is known everywhere, temperature may be NaN."""

    ts_ms: NDArray[np.int64]
    rh_pct: Floats
    temp_c: Floats
    from_ms: NDArray[np.int64]
    to_ms: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.ts_ms)

    @cached_property
    def held_ms(self) -> Floats:
        """Time that each reading represents. [ms]"""
        return (self.to_ms - self.from_ms).astype(np.float64)

    @property
    def days(self) -> float:
        """Days between the beginning of the first reading and the end of the last. [d]"""
        return float(self.to_ms[-1] - self.from_ms[0]) / DAY_MS if len(self) else 0.0

    @property
    def coverage(self) -> float:
        """Share of those days that readings represent, 0 to 1. [-]"""
        return float(self.held_ms.sum()) / DAY_MS / self.days if len(self) else 0.0

    def mean(self, values: Floats) -> float:
        """Mean over time of values that go with the readings; NaN where they are NaN everywhere."""
        known = ~np.isnan(values)
        return (
            float(np.average(values[known], weights=self.held_ms[known]))
            if known.any()
            else np.nan
        )

    def share(self, mask: NDArray[np.bool_]) -> float:
        """Share of the recorded time at which `mask` holds, 0 to 1; NaN of an empty record. [-]"""
        return float(self.held_ms[mask].sum() / self.held_ms.sum()) if len(self) else np.nan

    def spells(self, mask: NDArray[np.bool_]) -> list[UnbrokenRun]:
        """The runs of readings at which `mask` holds, by time.

        Readings more than two hours apart do not belong to one run.
        """
        if not mask.any():
            return []
        apart = np.diff(self.ts_ms) > 2 * LONGEST_MS
        begins = mask & np.concatenate([[True], ~mask[:-1] | apart])
        ends = mask & np.concatenate([~mask[1:] | apart, [True]])
        return [
            UnbrokenRun(i, j + 1, int(self.from_ms[i]), int(self.to_ms[j]))
            for i, j in zip(
                np.flatnonzero(begins).tolist(), np.flatnonzero(ends).tolist(), strict=True
            )
        ]

    def centred_mean(
        self, values: Floats, window_ms: int
    ) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Mean over a window of time centred on each reading.

        Parameters
        ----------
        values : ndarray of shape (n,)
            Go with the readings; NaN counts as none.
        window_ms : int
            Both ends belong to it. [ms]

        Returns
        -------
        mean : ndarray of shape (n,)
            NaN where the window holds no value.
        coverage : ndarray of shape (n,)
            Share of the window that values stand for; where it reaches past an end of the record,
            of the part within. 0 to 1. [-]
        whole : ndarray of bool, shape (n,)
            Whether the window lies within the record.
        """
        ts, half = self.ts_ms, window_ms // 2
        known = ~np.isnan(values)
        weight = np.where(known, self.held_ms, 0.0)
        middle = self.mean(values) if known.any() else 0.0  # keeps the running sums small
        first = np.searchsorted(ts, ts - half, "left")
        stop = np.searchsorted(ts, ts + half, "right")

        def within(parts: Floats) -> Floats:
            running = np.concatenate([[0.0], np.cumsum(parts)])
            return running[stop] - running[first]

        held = within(weight)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = middle + within(np.where(known, values - middle, 0.0) * weight) / held
        begin, end = (int(self.from_ms[0]), int(self.to_ms[-1])) if len(self) else (0, 0)
        inside = np.minimum(ts + half, end) - np.maximum(ts - half, begin)
        whole = (ts - half >= ts[:1]) & (ts + half <= ts[-1:])
        return mean, np.minimum(held / np.maximum(inside, 1), 1.0), whole


def air_record(ts_ms: ArrayLike, rh_pct: ArrayLike, temp_c: ArrayLike | None = None) -> AirRecord:
    """A record of readings at any times.

    Parameters
    ----------
    ts_ms : array_like of int, shape (n,), rising
        [ms since 1970-01-01 UTC]
    rh_pct : array_like of shape (n,)
        Relative humidity, 0 to 105; where it is NaN there is no reading. [%]
    temp_c : array_like of shape (n,), optional
        Air temperature, −60 to 85. [°C]

    Raises
    ------
    OutOfRange
        If a value lies outside its range, or a time is not after the one before it.

    Examples
    --------
    >>> record = air_record([0, 3_600_000, 36_000_000], [40.0, 50.0, 60.0])
    >>> (record.held_ms / 3_600_000).tolist(), round(record.coverage, 3)
    ([1.0, 1.0, 1.0], 0.273)
    """
    ts = np.asarray(ts_ms, dtype=np.int64)
    rh = checked("rh_pct", rh_pct, "%", 0, RH_MAX_PCT)
    t = np.full(ts.shape, np.nan) if temp_c is None else checked("temp_c", temp_c, "°C", -60, 85)
    if not ts.shape == rh.shape == t.shape or ts.ndim != 1:
        raise ValueError(f"shapes must be one (n,): {ts.shape}, {rh.shape}, {t.shape}")
    known = ~np.isnan(rh)
    ts, rh, t = ts[known], rh[known], t[known]
    step = np.diff(ts)
    if (wrong := np.flatnonzero(step <= 0)).size:
        i = int(wrong[0])
        raise OutOfRange("ts_ms", ts[i + 1], "ms", ts[i] + 1, None, where=f"[{i + 1}]")
    step = np.minimum(step, LONGEST_MS) if len(step) else np.array([LONGEST_MS])
    half = step // 2
    before = np.concatenate([half[:1], half])[: len(ts)]
    after = np.concatenate([step - half, (step - half)[-1:]])[-len(ts) :] if len(ts) else ts
    return AirRecord(ts, rh, t, ts - before, ts + after)
