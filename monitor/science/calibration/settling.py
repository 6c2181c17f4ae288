"""Steadiness of a sensor in a sealed box, by the slope and the spread of its readings."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.science.ranges import Floats

WINDOW_S = 1_800.0
"""How long the reading must have been at rest. [s]"""
LEAST_S = 3_600.0
"""How long it must have been sealed at the least. [s]"""
LEAST_READINGS = 6
MOVES_RH_PCT, MOVES_TEMP_K = 0.2, 0.2
"""Most that RH, and temperature, may drift over the window. [%], [K]"""
SPREAD_RH_PCT, SPREAD_TEMP_K = 0.3, 0.2
"""Most that single readings may scatter about the drift, as a standard deviation. [%], [K]

Window, time and drift: common practice, no source (small electronic sensors; a bulky one takes
overnight). Spread: ours, somewhat above the noise of an ordinary sensor."""

REMAINS_RH_PCT = 0.15
"""Most that a slow reading may still have before it. [%]  Ours: a fraction of a good salt's
uncertainty."""
POINT_S = 600.0
"""Readings so near a moment are averaged for it. [s]"""


class SettlingStage(StrEnum):
    """Stages of a sensor's settling."""

    WAITING = "waiting"
    """Not sealed long enough, or too few readings."""
    MOVING = "moving"
    SCATTERING = "restless"
    """It does not drift but scatters: a draught, a leaking box, a bad sensor."""
    STEADY = "rested"


@dataclass(frozen=True)
class Settling:
    """State of a sensor in its box. NaN where nothing is known yet.

    Drift over the window [%], [K]; scatter about it [%], [K]; means of the window [%], [°C];
    `rh_remains_pct`: how far the reading still has to go, by its whole course in the box [%].
    """

    rest: SettlingStage
    sealed_s: float
    readings: int
    rh_pct: float
    temp_c: float
    rh_drift_pct: float
    temp_drift_k: float
    rh_sd_pct: float
    temp_sd_k: float
    rh_remains_pct: float = np.nan


def settling(
    ts_ms: ArrayLike, temp_c: ArrayLike, rh_pct: ArrayLike, sealed_ms: int, now_ms: int
) -> Settling:
    """Present state of a sensor sealed over a salt.

    Parameters
    ----------
    ts_ms : array_like of int, shape (n,), rising
        [ms since 1970-01-01 UTC]  Only those since it was sealed, up to now, count.
    temp_c, rh_pct : array_like of shape (n,)
        [°C], [%]; NaN is no reading.
    sealed_ms, now_ms : int
        [ms since 1970-01-01 UTC]

    Notes
    -----
    A straight line by least squares through the last `WINDOW_S` of readings: its rise over the
    window is the drift, the scatter about it the spread. A sensor of time constant τ that drifts by
    d in the window has d τ / `WINDOW_S` still before it, so drift alone says nothing of a slow one: what
    remains is taken from its course since it was sealed (`_remains`).
    """
    ts = np.asarray(ts_ms, dtype=np.int64)
    t, rh = np.asarray(temp_c, dtype=np.float64), np.asarray(rh_pct, dtype=np.float64)
    begin = max(sealed_ms, now_ms - round(1000 * WINDOW_S))
    used = (ts >= begin) & (ts <= now_ms) & np.isfinite(t) & np.isfinite(rh)
    sealed = (ts >= sealed_ms) & (ts <= now_ms) & np.isfinite(rh)
    remains = _remains(ts[sealed], rh[sealed])
    ts, t, rh = ts[used], t[used], rh[used]
    sealed_s, count = (now_ms - sealed_ms) / 1000, len(ts)
    if count < LEAST_READINGS or (ts[-1] - ts[0]) < 500 * WINDOW_S:
        means = (float(rh.mean()), float(t.mean())) if count else (np.nan, np.nan)
        return Settling(SettlingStage.WAITING, sealed_s, count, *means, *[np.nan] * 4)
    rh_drift, rh_sd = _line(ts, rh)
    t_drift, t_sd = _line(ts, t)
    if sealed_s < LEAST_S:
        rest = SettlingStage.WAITING
    elif (
        abs(rh_drift) > MOVES_RH_PCT
        or abs(t_drift) > MOVES_TEMP_K
        or abs(remains) > REMAINS_RH_PCT
    ):
        rest = SettlingStage.MOVING
    elif rh_sd > SPREAD_RH_PCT or t_sd > SPREAD_TEMP_K:
        rest = SettlingStage.SCATTERING
    else:
        rest = SettlingStage.STEADY
    means = (float(rh.mean()), float(t.mean()))
    return Settling(rest, sealed_s, count, *means, rh_drift, t_drift, rh_sd, t_sd, remains)


def _remains(ts_ms: NDArray[np.int64], rh: Floats) -> float:
    """Remaining way of an exponential through the first, the middle and the last readings. [%]

    For x(t) = x∞ − A exp(−t/τ) at three moments equally apart, with steps d1 and d2 between them,
    d2 / d1 = y and what remains is d2 y / (1 − y), whatever τ is (Aitken's formula). Where the second
    step is within `MOVES_RH_PCT` / 2, no more than that step; where it is not the smaller one, inf. A
    slow sensor that starts within about 1.5 % of its end cannot be told from a steady one so.
    """
    if len(ts_ms) < LEAST_READINGS:
        return np.nan
    half = 500 * POINT_S
    first, last = ts_ms[0] + half, ts_ms[-1] - half
    moments = np.array([first, (first + last) / 2, last])
    near = [np.abs(ts_ms - at) <= half for at in moments]
    near = [
        here if here.any() else np.abs(ts_ms - at) == np.abs(ts_ms - at).min()
        for here, at in zip(near, moments, strict=True)
    ]
    start, middle, end = (float(rh[here].mean()) for here in near)
    one, two = middle - start, end - middle
    if abs(two) <= MOVES_RH_PCT / 2:
        return two
    y = two / one if one else np.inf
    if abs(y) >= 1:
        return np.inf
    return two * y / (1 - y)


def _line(ts_ms: NDArray[np.int64], values: Floats) -> tuple[float, float]:
    """Rise of the least-squares line over the window, and standard deviation about it."""
    x = (ts_ms - ts_ms.mean()) / (1000 * WINDOW_S)
    slope = float((x * values).sum() / (x * x).sum())
    rest = values - values.mean() - slope * x
    return slope, float(np.sqrt((rest * rest).sum() / (len(values) - 2)))
