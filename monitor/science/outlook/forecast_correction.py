"""The outdoor forecast put right by what the outdoor sensor and earlier forecasts showed."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.outlook.calendar import calendar
from monitor.science.outlook.hourly_log import LEADS_H, Issues, OutdoorHours, ShopHours
from monitor.science.outlook.ridge import Ridge, ridge, unseen
from monitor.science.outlook.weather_members import (
    MemberMoments,
    MemberSpread,
    learn_spread,
    untried,
)
from monitor.science.ranges import Floats

USUAL_SD_K = (1.0, 1.2)
"""Error of an ordinary forecast: at once, and what a lead of two days adds in square. [K]"""

ALONG_H = 24.0
"""How long along its lead a forecast's error lasts, until the record tells. [h]  Ours."""

CLIMATE_H = 240.0
"""The usual air of now: its mean over about so long. [h]  Ours."""


def usual_sd(lead_h: ArrayLike) -> Floats:
    """Standard deviation of an ordinary forecast of temperature or dew point. [K]"""
    first, more = USUAL_SD_K
    return np.asarray(np.sqrt(first**2 + more**2 * np.asarray(lead_h) / 24))


class Corrector(NamedTuple):
    """Correction of a forecast of temperature and of dew point.

    `sd` (2, steps): standard deviation left of their errors [K]; `along_h`: time along the lead
    for which an error lasts [h]; `cross`: correlation of both, −1 to 1; `members`: correction of
    the spread of its members.
    """

    weights: tuple[Ridge, Ridge]
    sd: Floats
    along_h: float
    cross: float
    offset_h: int
    members: MemberSpread


def _features(
    forecast: Floats,
    before: Floats,
    usual: Floats,
    now: Floats,
    mean: Floats,
    lead: Floats,
    hour: Floats,
) -> Floats:
    """Predictors of one quantity, (features, steps, moments); see `PRIOR_SD`."""
    fade = [np.exp(-lead / h) * now for h in (4.0, 20.0, 80.0)]
    late = np.minimum(lead / 72, 1.5)
    older = np.nan_to_num(before - forecast)
    away = np.nan_to_num(usual - forecast)
    members = np.nan_to_num(mean - forecast)
    turn = 2 * np.pi * hour / 24
    one = np.ones_like(forecast)
    return np.stack(
        [
            *fade,
            older,
            older * late,
            away * late,
            away * late**2,
            members,
            one,
            np.cos(turn),
            np.sin(turn),
        ]
    )


PRIOR_MEAN = np.array([0.3, 0.3, 0.1, 0.1, 0.1, 0.08, 0.02, 0.6, 0.0, 0.0, 0.0])
PRIOR_SD = np.array([0.4, 0.4, 0.3, 0.2, 0.2, 0.15, 0.1, 0.4, 0.8, 0.4, 0.4])
"""Coefficients until the record tells: of the present error, fading fast, slowly, hardly; of the
older issue; of the usual air; of the members' mean; a bias, and its daily wave. [-], the last three
[K]  Ours."""


class ForecastHours(NamedTuple):
    """Raw forecasts for the hours after some moments: the newest, the one before, the usual air,
    each (2, steps, moments), temperature and dew point; wind (steps, moments); the newest's
    present error (2, moments); mean and variance of the newest's members."""

    newest: Floats
    before: Floats
    usual: Floats
    wind: Floats
    now: Floats
    members: MemberMoments


def forecast_hours(
    hours: ShopHours, past: OutdoorHours, issues: Issues, ends: np.ndarray, steps: int
) -> ForecastHours:
    """Outdoor data known at the ends of the log's hours number `ends`.

    Where the forecasts tell nothing, the air goes from what it is to what is usual.
    """
    now_h = hours.first_h + ends
    fresh, older = issues.after(now_h, steps), issues.after(now_h, steps, back=1)
    seen = np.stack([past.temp_c, past.dew_c])
    usual = usual_air(seen, hours.first_h, ends, steps)
    back = ends[None, :] - np.arange(3)[:, None]
    issued = issues.take(issues.newest(now_h), hours.first_h + back)
    issued_near = issues.nearest(hours.first_h + np.arange(len(hours)))
    present, newest = [], []
    for k, (said, near) in enumerate(
        ((issued.temp_c, issued_near.temp_c), (issued.dew_c, issued_near.dew_c))
    ):
        said = np.where(np.isnan(said), near[np.maximum(back, 0)], said)
        off = seen[k][np.maximum(back, 0)] - said
        known = ~np.isnan(off)
        present.append(
            np.where(
                known.any(0),
                np.nansum(np.where(known, off, 0), 0) / np.maximum(known.sum(0), 1),
                0.0,
            )
        )
        newest.append(_bridged((fresh.temp_c, fresh.dew_c)[k], usual[k], seen[k][ends]))
    wind = fresh.wind_m_s
    wind = np.where(np.isnan(wind), past.wind_m_s[ends], wind)
    return ForecastHours(
        np.stack(newest),
        np.stack([older.temp_c, older.dew_c]),
        usual,
        wind,
        np.stack(present),
        issues.moments_after(now_h, steps),
    )


def usual_air(seen: Floats, first_h: int, ends: np.ndarray, steps: int) -> Floats:
    """The usual air for the hours after `ends`: the recent mean of each hour of the UTC day.

    `seen` (2, n) is the log outdoors; whole days before each of `ends` count.
    """
    n, skipped = seen.shape[1], first_h % 24
    out = np.empty((2, steps, len(ends)))
    days = -(-(skipped + n) // 24)
    padded = np.full((2, days * 24), np.nan)
    padded[:, skipped : skipped + n] = seen
    share = 24 / CLIMATE_H
    level = np.full((2, 24), np.nan)
    levels = np.empty((days, 2, 24))
    for d in range(days):
        block = padded[:, 24 * d : 24 * d + 24]
        fresh = np.where(np.isnan(level), block, level + share * (block - level))
        level = np.where(np.isnan(fresh), level, fresh)
        levels[d] = level
    done = (skipped + ends + 1) // 24 - 1  # whole days before
    known = np.where(np.isnan(levels), np.nanmean(levels, axis=2, keepdims=True), levels)
    column = (skipped + ends[None, :] + 1 + np.arange(steps)[:, None]) % 24
    for k in range(2):
        out[k] = known[np.maximum(done, 0)[None, :], k, column]
    return out


def _bridged(issued: Floats, usual: Floats, now: Floats) -> Floats:
    """Gaps of a forecast (steps, moments): from the last known towards the usual air."""
    missing = np.isnan(issued)
    if not missing.any():
        return issued
    steps = np.arange(1, len(issued) + 1)[:, None]
    last = np.where(missing, 0, steps)
    last = np.maximum.accumulate(last, axis=0)
    base = np.where(
        last > 0,
        np.take_along_axis(issued - usual, np.maximum(last - 1, 0), axis=0),
        now - usual[0],
    )
    return np.where(missing, usual + base * np.exp(-(steps - last) / 24), issued)


def corrected(corrector: Corrector, raw: ForecastHours, hours_h: np.ndarray) -> OutdoorHours:
    """Forecasts put right; `hours_h` (steps, moments) are the ends of their hours."""
    hour = calendar(hours_h, corrector.offset_h).hour
    lead = np.arange(1, len(hours_h) + 1)[:, None] * np.ones_like(hour)
    t, dew = (
        raw.newest[k]
        + corrector.weights[k].apply(
            _features(
                raw.newest[k],
                raw.before[k],
                raw.usual[k],
                raw.now[k],
                raw.members.mean[k],
                lead,
                hour,
            )
        )
        for k in range(2)
    )
    return OutdoorHours(t, np.minimum(dew, t), raw.wind)


def learn(
    hours: ShopHours,
    past: OutdoorHours,
    raw: ForecastHours,
    ends: np.ndarray,
    stop: int,
    offset_h: int,
) -> Corrector:
    """The corrector most probable after forecasts at the hours number `ends`, judged up to
    `stop`."""
    steps = raw.newest.shape[1]
    leads = LEADS_H[: int((steps >= LEADS_H).sum())]
    target_at = ends[None, :] + leads[:, None]
    inside = target_at <= stop
    hour = calendar(hours.first_h + target_at, offset_h).hour
    lead = leads[:, None] * np.ones_like(hour)
    sd0 = usual_sd(lead)
    weights, left = [], []
    spacing = float(np.median(np.diff(ends))) if len(ends) > 1 else 24.0
    information = min(spacing / 24, 1.0) * 4 / len(leads)
    for k, seen in enumerate((past.temp_c, past.dew_c)):
        truth = np.where(inside, seen[np.minimum(target_at, stop)], np.nan)
        cut = (raw.newest[k], raw.before[k], raw.usual[k], raw.members.mean[k])
        forecast, before, usual, mean = (c[leads - 1] for c in cut)
        features = _features(forecast, before, usual, raw.now[k], mean, lead, hour)
        weight = ridge(
            features.reshape(len(PRIOR_SD), -1),
            (truth - forecast).ravel(),
            sd0.ravel(),
            PRIOR_MEAN,
            PRIOR_SD,
            np.full(truth.size, information),
            robust=3.0,
        )
        weights.append(weight)
        left.append(truth - forecast - weight.apply(features))
    own = np.isnan(hours.out_temp_c + hours.out_dew_c)[np.minimum(target_at, stop)]
    error = np.stack(left)
    # Without a sensor's reading the truth is a newer forecast, which is off itself.
    error = np.where(own, np.sign(error) * np.hypot(error, usual_sd(0)), error)
    sd = np.stack([_spread(one, leads, steps, information) for one in error])
    cross = _correlation(left[0].ravel(), left[1].ravel())
    along = _along(left[1], leads)
    usual_steps = usual_sd(np.arange(1, steps + 1))
    members = untried(usual_steps)
    variance = raw.members.variance[:, leads - 1]
    if not np.isnan(variance).all():
        factors = [
            unseen(weight, information * int(np.isfinite(one).sum()))
            for weight, one in zip(weights, error, strict=True)
        ]
        members = learn_spread(
            error * np.array(factors)[:, None, None],
            variance,
            usual_sd(leads),
            information,
            leads,
            usual_steps,
            spacing,
        )
    return Corrector((weights[0], weights[1]), sd, along, cross, offset_h, members)


def _spread(error: Floats, leads: np.ndarray, steps: int, information: float) -> Floats:
    """Standard deviation at each lead from 1 on: the record's, joined to the usual. [K]"""
    usual = usual_sd(leads)
    known = ~np.isnan(error)
    count = known.sum(1) * information * len(leads) / 4
    mean = np.nansum(np.where(known, error, 0) ** 2, 1) / np.maximum(known.sum(1), 1)
    ratio = (count * mean / usual**2 + 5) / (count + 5)
    smooth = np.convolve(np.pad(ratio, 2, mode="edge"), np.ones(5) / 5, mode="valid")
    at = np.arange(1, steps + 1)
    return np.interp(at, leads, np.sqrt(smooth)) * usual_sd(at)


def _correlation(a: Floats, b: Floats) -> float:
    good = ~np.isnan(a) & ~np.isnan(b)
    if good.sum() < 50:
        return 0.3
    return float(np.clip(np.corrcoef(a[good], b[good])[0, 1], -0.9, 0.9))


def _along(error: Floats, leads: np.ndarray) -> float:
    """Time for which an error lasts along the lead, from its correlation between leads. [h]"""
    found = []
    for a, b in ((24, 36), (36, 48), (48, 60), (12, 24)):
        i, j = np.searchsorted(leads, a), np.searchsorted(leads, b)
        if j >= len(leads):
            continue
        r = _correlation(error[i], error[j]) if np.isfinite(error[j]).sum() >= 50 else np.nan
        found.append(12 / -np.log(np.clip(r, 0.2, 0.9)) if np.isfinite(r) else np.nan)
    return float(np.nanmean([*found, ALONG_H, ALONG_H]))
