"""Residual correction of the fitted room, learned from hindcasts of its own past."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.outlook.hourly_log import LEADS_H
from monitor.science.outlook.ridge import Ridge, ridge, unseen
from monitor.science.outlook.room_model import PreparedLog, RoomModel, at, run
from monitor.science.ranges import Floats

RECENT_DAYS = 25.0
"""Older days count less by this e-fold. [d]  Ours."""

MEMORY_H = (48.0, 192.0)
"""What is off is averaged over so long, besides the last hours. [h]  Ours."""

USUAL_OFF = ((0.2, 0.9), (0.5, 3.0))
"""Usual errors at once and far ahead, until the log tells: temperature [K], RH [%].  Ours."""

SCALE = (0.3, 0.9)
"""A step of a plain bias. [K], [%]"""

PRIOR_MEAN = np.array(
    [0.6, 0.3, 0.1, 0.2, 0.1, 0.1, 0.4, 0.2, 0.1, 0.1, -0.1, 0.0, 0.0, 0.0, 0.0, 0.05]
)
PRIOR_SD = np.array(
    [0.6, 0.4, 0.4, 0.4, 0.4, 0.4, 0.3, 0.3, 0.2, 0.2, 0.5, 0.4, 0.2, 1.0, 1.0, 0.15]
)
"""Coefficients of `features` until the log tells. [-]  Ours, from rooms other than those that the
outlook is reported on."""


def usual_error(which: int, lead_h: Floats | np.ndarray) -> Floats:
    """Usual error of temperature (0) [K] or RH (1) [%] at a lead."""
    near, far = USUAL_OFF[which]
    return np.asarray(near + (far - near) * (1 - np.exp(-np.asarray(lead_h) / 18)))


class HindcastErrors(NamedTuple):
    """Errors of runs under the observed outdoor air, by the hour they ended at.

    `short` of runs of 6 h, `day` of runs of 24 h, `spell` and `slow` the means of `day` over
    about 2 and 8 days; each (2, n) of temperature and RH; 0 where not known.
    """

    short: Floats
    day: Floats
    spell: Floats
    slow: Floats


def hindcast_errors(room: RoomModel, k: PreparedLog, start: int, stop: int) -> HindcastErrors:
    """Hindcast errors for the hours number `start` to `stop`; each uses no later hours."""
    n = len(k.temp_c)
    first = max(start, 24)
    stop = min(stop, n - 1)
    starts = np.arange(first, stop)
    short, day = np.zeros((2, n)), np.zeros((2, n))
    means = np.zeros((2, 2, n))
    if not len(starts):
        return HindcastErrors(short, day, means[0], means[1])
    index = np.minimum(starts + 1 + np.arange(24)[:, None], n - 1)
    observed = (k.hours.temp_c, k.hours.rh_pct)
    for j, simulated in enumerate(run(room, k, starts, at(k.past, index))):
        for ahead, out in ((6, short), (24, day)):
            end = starts + ahead
            good = end <= stop
            out[j, end[good]] = np.nan_to_num(observed[j][end[good]] - simulated[ahead - 1][good])
    level = np.zeros((2, 2))
    share = 1 / np.array(MEMORY_H)[:, None]
    for i in range(first, stop + 1):
        level = level + (day[:, i] - level) * share
        means[..., i] = level
    return HindcastErrors(short, day, means[0], means[1])


def features(
    k: PreparedLog,
    d: HindcastErrors,
    which: int,
    simulated: Floats,
    ends: np.ndarray,
    leads: np.ndarray,
) -> Floats:
    """Predictors of a correction, (features, leads, moments).

    `simulated` (leads, moments) is the room's run at `leads` after the hours number `ends`. Of
    temperature (`which` 0) or RH (1): what is off now, fading fast or slowly; off over two and
    eight days; off at this hour of yesterday and of last week; the change expected, to be taken
    in part; a bias; what is usual.
    """
    lead = leads[:, None].astype(float)
    now = (k.temp_c, k.rh_pct)[which][ends]
    short = d.short[which][ends - np.arange(3)[:, None]].mean(0)
    day = d.day[which][ends - np.arange(6)[:, None]].mean(0)
    spell, slow = d.spell[which][ends], d.slow[which][ends]
    end = ends + leads[:, None]
    yesterday = _same_clock(k, end, 24 * -(-leads[:, None] // 24), ends)
    week = _same_clock(k, end, np.full(lead.shape, 168, np.int64), ends)
    same_day = d.day[which][np.maximum(yesterday, 0)] - spell
    same_week = np.where(week > 0, d.day[which][np.maximum(week, 0)], 0.0)
    mean = (k.heat[2], k.water[3])[which][ends]
    change = simulated - now
    grown = 1 - np.exp(-lead / 3)
    one = np.ones(simulated.shape)
    newest = k.since_mean[which][ends]
    return np.stack(
        [
            newest * np.exp(-lead / 2),
            newest * np.exp(-lead / 12),
            short * np.exp(-lead / 3),
            short * grown * np.exp(-lead / 12),
            day * grown * np.exp(-lead / 12),
            day * grown * np.exp(-lead / 60),
            spell * grown,
            slow * grown,
            same_day * grown,
            same_week * grown,
            change * np.exp(-lead / 3),
            change * np.exp(-lead / 12),
            change * one,
            SCALE[which] * grown * one,
            SCALE[which] * np.minimum(lead / 48, 1) * one,
            (mean - simulated) * np.minimum(lead / 72, 1),
        ]
    )


def _same_clock(
    k: PreparedLog, end: np.ndarray, back_h: np.ndarray, now: np.ndarray
) -> np.ndarray:
    """Numbers of the hours `back_h` before hours number `end` by the shop's clock, not after `now`.

    People keep to the clock: where it changed between, it is an hour less or more.
    """
    if not len(k.hours.summer.changes_h):
        return end - back_h
    ahead = k.hours.summer.ahead
    moved = ahead(k.hours.first_h + end) - ahead(k.hours.first_h + end - back_h)
    return np.minimum(end - back_h + moved, now)


class ResidualCorrection(NamedTuple):
    """Corrections of temperature and RH, and the standard deviation that is left at each of
    `LEADS_H`, shape (2, leads). [K], [%]"""

    weights: tuple[Ridge, Ridge]
    sd: Floats


def learn(
    k: PreparedLog,
    d: HindcastErrors,
    simulated: tuple[Floats, Floats],
    ends: np.ndarray,
    stop: int,
) -> ResidualCorrection:
    """Correction learned from runs (steps, moments) under the forecasts of their time.

    Hours up to number `stop` count.
    """
    end = ends + LEADS_H[:, None]
    observed_at = np.minimum(end, stop)
    spacing_d = float(np.median(np.diff(ends))) / 24 if len(ends) > 1 else 1.0
    age_d = (stop - ends) / 24
    count = 4 * spacing_d / len(LEADS_H)
    own = np.clip(12 / LEADS_H, 1, 4)[:, None]  # near ahead, errors are more on their own
    information = count * np.exp(-age_d / RECENT_DAYS) * own
    weights, sds = [], []
    for j, observed in enumerate((k.hours.temp_c, k.hours.rh_pct)):
        cut = simulated[j][LEADS_H - 1]
        truth = np.where(end <= stop, observed[observed_at], np.nan)
        x = features(k, d, j, cut, ends, LEADS_H)
        usual = usual_error(j, LEADS_H)
        sd = usual
        for _ in range(2):
            w = ridge(
                x.reshape(len(PRIOR_SD), -1),
                (truth - cut).ravel(),
                np.repeat(sd, len(ends)),
                PRIOR_MEAN,
                PRIOR_SD,
                information.ravel(),
            )
            error = truth - cut - w.apply(x)
            factor = unseen(w, float(information[np.isfinite(error)].sum()))
            sd = spread(error * factor, usual, spacing_d)
        weights.append(w)
        sds.append(sd)
    return ResidualCorrection((weights[0], weights[1]), np.stack(sds))


def spread(error: Floats, usual: Floats, spacing_d: float) -> Floats:
    """Root mean square of errors (leads, moments), joined to the usual as if of four days."""
    good = ~np.isnan(error)
    days = good.sum(1) * spacing_d
    mean = np.where(good, error, 0.0) ** 2
    square = mean.sum(1) / np.maximum(good.sum(1), 1)
    return usual * np.sqrt((days * square / usual**2 + 4) / (days + 4))
