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

    Drift over the window [%], [K]; scatter about it [%], [K]; means of the window [%], [°C].
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
    window is the drift, the scatter about it the spread.
    """
    ts = np.asarray(ts_ms, dtype=np.int64)
    t, rh = np.asarray(temp_c, dtype=np.float64), np.asarray(rh_pct, dtype=np.float64)
    begin = max(sealed_ms, now_ms - round(1000 * WINDOW_S))
    used = (ts >= begin) & (ts <= now_ms) & np.isfinite(t) & np.isfinite(rh)
    ts, t, rh = ts[used], t[used], rh[used]
    sealed_s, count = (now_ms - sealed_ms) / 1000, len(ts)
    if count < LEAST_READINGS or (ts[-1] - ts[0]) < 500 * WINDOW_S:
        means = (float(rh.mean()), float(t.mean())) if count else (np.nan, np.nan)
        return Settling(SettlingStage.WAITING, sealed_s, count, *means, *[np.nan] * 4)
    rh_drift, rh_sd = _line(ts, rh)
    t_drift, t_sd = _line(ts, t)
    if sealed_s < LEAST_S:
        rest = SettlingStage.WAITING
    elif abs(rh_drift) > MOVES_RH_PCT or abs(t_drift) > MOVES_TEMP_K:
        rest = SettlingStage.MOVING
    elif rh_sd > SPREAD_RH_PCT or t_sd > SPREAD_TEMP_K:
        rest = SettlingStage.SCATTERING
    else:
        rest = SettlingStage.STEADY
    return Settling(
        rest, sealed_s, count, float(rh.mean()), float(t.mean()), rh_drift, t_drift, rh_sd, t_sd
    )


def _line(ts_ms: NDArray[np.int64], values: Floats) -> tuple[float, float]:
    """Rise of the least-squares line over the window, and standard deviation about it."""
    x = (ts_ms - ts_ms.mean()) / (1000 * WINDOW_S)
    slope = float((x * values).sum() / (x * x).sum())
    rest = values - values.mean() - slope * x
    return slope, float(np.sqrt((rest * rest).sum() / (len(values) - 2)))
