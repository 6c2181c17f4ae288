"""Reduce many points to as many as a screen can show, gaps kept: plain array work."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

COLUMNS = ("low", "mean", "high")
POINT = np.dtype([("at_ms", "i8"), ("n", "i8"), ("low", "f8"), ("mean", "f8"), ("high", "f8")])
"""Point of a trace: time [ms], number of readings, their least, mean and greatest."""
Points: TypeAlias = "NDArray[Any]"
"""A structured array of `POINT`, by time. A row of NaN is a gap."""

USUAL_QUANTILE = 0.9
GAP_FACTOR = 3.0
"""A gap is a step longer than so many usual steps, the usual being the 90th percentile."""
SHORTEST_GAP_MS = 60_000

_STEPS_MS = [s * 1000 for s in (1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 300, 600, 900, 1200, 1800)]
_STEPS_MS += [h * 3_600_000 for h in (1, 2, 3, 4, 6, 8, 12, 24, 36, 48, 72, 120, 168, 336, 720)]


def points(at_ms: Any, values: Any) -> Points:
    """Make a point of each reading."""
    table = np.empty(len(at_ms), POINT)
    table["at_ms"], table["n"] = at_ms, 1
    for name in COLUMNS:
        table[name] = values
    return table


def gap_ms(at_ms: NDArray[np.int64], width_ms: int = 0) -> float:
    """A step longer than this is a gap. [ms]"""
    steps = np.diff(at_ms)
    usual = float(np.quantile(steps, USUAL_QUANTILE, method="lower")) if len(steps) else 0.0
    return max(GAP_FACTOR * max(usual, width_ms), SHORTEST_GAP_MS)


def bucket_ms(span_ms: int, most: int) -> int:
    """The least round width of which at most `most` make up the span. [ms]"""
    needed = span_ms / most
    return next((step for step in _STEPS_MS if step >= needed), int(needed) + 1)


def thinned(table: Points, span_ms: int, most: int) -> tuple[Points, int]:
    """Reduce to about `most` points over the span; return also their width, 0 if none were joined.

    Means are weighted by the readings behind them; low and high are the extremes.
    """
    table = table[~np.isnan(table["mean"])]
    if len(table) <= most:
        return table, 0
    width = bucket_ms(span_ms, most)
    index = table["at_ms"] // width
    first = np.flatnonzero(np.diff(index, prepend=index[0] - 1))
    last = np.append(first[1:], len(table)) - 1
    out = np.empty(len(first), POINT)
    weight = table["n"].astype(np.float64)
    out["n"] = np.add.reduceat(table["n"], first)
    out["mean"] = np.add.reduceat(table["mean"] * weight, first) / out["n"]
    out["low"] = np.minimum.reduceat(table["low"], first)
    out["high"] = np.maximum.reduceat(table["high"], first)
    out["at_ms"] = (table["at_ms"][first] + table["at_ms"][last]) // 2
    return out, width


def with_breaks(table: Points, longest_ms: float) -> Points:
    """`table` with a row of NaN in each step longer than `longest_ms`."""
    after = np.flatnonzero(np.diff(table["at_ms"]) > longest_ms)
    if not len(after):
        return table
    rows = np.empty(len(after), POINT)
    rows["at_ms"] = table["at_ms"][after] + 1
    rows["n"] = 0
    for name in COLUMNS:
        rows[name] = np.nan
    return np.insert(table, after + 1, rows)


def filled_in(first: Points, other: Points, longest_ms: float) -> Points:
    """`first`, and of `other` what lies where `first` has a gap or nothing."""
    if not len(first) or not len(other):
        return other if len(other) else first
    place = np.searchsorted(first["at_ms"], other["at_ms"])
    before = first["at_ms"][np.maximum(place - 1, 0)]
    after = first["at_ms"][np.minimum(place, len(first) - 1)]
    far = (place == 0) | (place == len(first)) | (after - before > longest_ms)
    near = np.minimum(np.abs(other["at_ms"] - before), np.abs(after - other["at_ms"]))
    kept = other[far & (near > longest_ms / 2)]
    both = np.concatenate([first, kept])
    return both[np.argsort(both["at_ms"], kind="stable")]


def aligned(
    at_ms: NDArray[np.int64],
    other_ms: NDArray[np.int64],
    values: NDArray[np.float64],
    within_ms: float,
) -> NDArray[np.float64]:
    """`values` of `other_ms` at the nearest of `at_ms`; NaN where none is within `within_ms`."""
    if np.array_equal(at_ms, other_ms):
        return values
    if not len(other_ms):
        return np.full(len(at_ms), np.nan)
    right = np.searchsorted(other_ms, at_ms).clip(1, max(len(other_ms) - 1, 1))
    right = np.minimum(right, len(other_ms) - 1)
    left = np.maximum(right - 1, 0)
    nearer = np.where(at_ms - other_ms[left] <= other_ms[right] - at_ms, left, right)
    close = np.abs(other_ms[nearer] - at_ms) <= within_ms
    return np.where(close, values[nearer], np.nan)
