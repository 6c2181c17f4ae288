"""The outlook from the shop's own recent days: the mean daily curve, and how days strayed.

A member takes the path by which a past day strayed from the mean curve, from the same time of day
on and through the days that followed it, and is joined to the present: what the air is off now
fades out. Half of the members stray the other way. Days are UTC days: for a pattern it matters
little that a local habit moves by an hour twice a year.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked
from monitor.science.waits.air_ensemble import AirEnsemble

DAY_S = 86_400
HISTORY_DAYS = 28
"""Days that are looked back on. [-]  Ours."""

FEWEST_DAYS = 3
"""Fewest days of readings for a pattern. [-]  Ours."""
FULL_DAY = 0.25
"""Share of the steps of a day that must have readings for the day to count. [-]  Ours: a reading by
hand now and then shows no daily pattern."""

FADE_S = 72 * 3600.0
"""Time constant by which what the air is off now fades. [s]  Ours: best of those tried on the
demo's year; the walls and the weather take a day or two."""

SMOOTH_S = 5400
"""The mean daily curve is smoothed over this. [s]  Ours."""

STALE_S = 6 * 3600
"""A last reading older than this says nothing of the present. [s]  Ours."""

WIDEN = 1.15
"""Days stray from the mean curve of other days by more than from their own. [-]  Ours: for 80 % of
the demo's year within 10 to 90 %."""


class _Strayed(NamedTuple):
    """Mean curve from the step that begins now, and residuals on it, oldest first, ending now."""

    curve: Floats
    residual: Floats
    age_s: float


def daily_pattern_ensemble(
    ts_ms: ArrayLike,
    temp_c: ArrayLike,
    rh_pct: ArrayLike,
    now_ms: int,
    horizon_s: float,
    members: int,
    seed: int,
    *,
    step_s: int = 1800,
) -> AirEnsemble:
    """An outlook from the recent daily pattern of one place.

    Parameters
    ----------
    ts_ms : array_like of int, shape (n,), rising
        Times of readings; those of the last 28 days before now count. [ms since 1970-01-01 UTC]
    temp_c, rh_pct : array_like of shape (n,)
        Air temperature [°C] and relative humidity [%]; NaN counts as none.
    now_ms : int
    horizon_s : float
        How far to look, above 0; rounded up to whole steps. [s]
    members : int
        At least 1.
    seed : int
    step_s : int
        Must divide a day. [s]

    Returns
    -------
    AirEnsemble
        Beginning now. RH within 1 to 100, temperature within −40 to 60.

    Raises
    ------
    OutOfRange
        If there are readings of fewer than 3 of the days, no reading within 6 h, or an argument
        cannot be. Use `persistent_ensemble` then.
    """
    checked("horizon_s", horizon_s, "s", 0, low_open=True)
    checked("members", members, "", 1)
    if step_s <= 0 or DAY_S % step_s:
        raise OutOfRange("step_s", step_s, "s", 1, DAY_S)
    ts = np.asarray(ts_ms, dtype=np.int64)
    t, rh = np.asarray(temp_c, dtype=np.float64), np.asarray(rh_pct, dtype=np.float64)
    ago_s = (now_ms - ts) / 1000
    keep = (ago_s > 0) & (ago_s <= HISTORY_DAYS * DAY_S) & ~np.isnan(t) & ~np.isnan(rh)
    ago_s, t, rh = ago_s[keep], t[keep], rh[keep]
    if not len(ts) or not keep.any() or ago_s[-1] > STALE_S:
        age = float(ago_s[-1]) if keep.any() else np.inf
        raise OutOfRange("age of the last reading", age, "s", 0, STALE_S)
    per_day = DAY_S // step_s
    bin_back = np.ceil(ago_s / step_s).astype(np.intp) - 1  # 0: the step that ends now
    seen = np.bincount(np.unique(bin_back) // per_day)
    days = int((seen >= FULL_DAY * per_day).sum())
    if days < FEWEST_DAYS:
        raise OutOfRange("days with readings", days, "", FEWEST_DAYS, None)
    random = np.random.default_rng(seed)
    steps = int(np.ceil(horizon_s / step_s))
    whole_days = int(bin_back[0]) // per_day
    starts = random.integers(1, max(whole_days, 1) + 1, size=(members, steps // per_day + 2))
    sign = np.where(np.arange(members) % 2, -1.0, 1.0)
    columns = []
    for value in (t, rh):
        strayed = _strayed(value, bin_back, ago_s, per_day, step_s)
        columns.append(_members(strayed, starts, sign, steps, per_day, step_s))
    return AirEnsemble(
        now_ms, float(step_s), np.clip(columns[0], -40.0, 60.0), np.clip(columns[1], 1.0, 100.0)
    )


def _strayed(
    value: Floats, bin_back: np.ndarray, ago_s: Floats, per_day: int, step_s: int
) -> _Strayed:
    count = int(bin_back.max()) + 1
    number = np.bincount(bin_back, minlength=count)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(bin_back, weights=value, minlength=count) / number
    series = mean[::-1]  # oldest first
    position = np.arange(count)
    known = ~np.isnan(series)
    phase = (position - count) % per_day  # 0: the step that begins now, a day or more ago
    sums = np.bincount(phase[known], weights=series[known], minlength=per_day)
    counts = np.bincount(phase[known], minlength=per_day)
    seen = counts > 0
    at = np.arange(per_day)
    curve = np.interp(at, at[seen], (sums[seen] / counts[seen]), period=per_day)
    half = SMOOTH_S // step_s // 2
    curve = np.mean([np.roll(curve, k) for k in range(-half, half + 1)], axis=0)
    residual = np.interp(position, position[known], (series - curve[phase])[known])
    residual[-1] = value[-1] - curve[-1]  # the present is the last reading
    return _Strayed(curve, residual, float(ago_s[-1]))


def _members(
    s: _Strayed, starts: np.ndarray, sign: Floats, steps: int, per_day: int, step_s: int
) -> Floats:
    """Members × steps. Each block of residuals runs until it meets the present, then another."""
    n = len(s.residual)
    result = np.empty((len(starts), steps))
    curve = np.resize(s.curve, steps)
    for m, row in enumerate(starts):
        off, done = float(s.residual[-1]), 0
        for back in row.tolist():
            first = max(n - back * per_day, 1)
            path = WIDEN * sign[m] * s.residual[first - 1 : n]
            take = min(len(path) - 1, steps - done)
            after = step_s * np.arange(1, take + 1)
            fade = np.exp(-(after + (s.age_s if done == 0 else 0.0)) / FADE_S)
            part = path[1 : take + 1] + (off - path[0]) * fade
            result[m, done : done + take] = curve[done : done + take] + part
            done += take
            if done >= steps:
                break
            off = float(part[-1])
    return result


PERSISTENT_TEMP_SD_K, PERSISTENT_RH_SD_PCT = 1.5, 7.0
"""How far the air of a shop strays from what it is, within days. [K], [%]  Ours."""


def persistent_ensemble(
    temp_c: float,
    rh_pct: float,
    now_ms: int,
    horizon_s: float,
    members: int,
    seed: int,
    *,
    step_s: int = 1800,
) -> AirEnsemble:
    """Coming air where no pattern is known yet: as it is, straying ever further.

    An autoregressive walk of the standard deviations above and the time constant `FADE_S`, from
    the present on. Parameters and errors as in `daily_pattern_ensemble`.
    """
    checked("horizon_s", horizon_s, "s", 0, low_open=True)
    checked("members", members, "", 1)
    random = np.random.default_rng(seed)
    steps = int(np.ceil(horizon_s / step_s))
    keep = np.exp(-step_s / FADE_S)
    kicks = random.standard_normal((2, members, steps)) * np.sqrt(1 - keep**2)
    off = np.zeros((2, members))
    walk = np.empty_like(kicks)
    for i in range(steps):
        off = keep * off + kicks[:, :, i]
        walk[:, :, i] = off
    t = np.clip(temp_c + PERSISTENT_TEMP_SD_K * walk[0], -40.0, 60.0)
    rh = np.clip(rh_pct + PERSISTENT_RH_SD_PCT * walk[1], 1.0, 100.0)
    return AirEnsemble(now_ms, float(step_s), t, rh)
