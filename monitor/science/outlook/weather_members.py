"""Members of an outdoor forecast, and how far their spread can be trusted.

The variance of a forecast's error is taken as a + b s², with s² the variance of its members (a
nonhomogeneous Gaussian regression: Gneiting, Raftery, Westveld and Goldman, Mon. Weather Rev. 133,
2005, eq. 2; from memory). Members that say nothing about the error have b = 0, and a is then the
usual error. A draw takes one whole member, stretched by √b about the members' mean, and noise of
variance a: the form that the members have, such as two groups, stays.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.ranges import Floats

FEWEST = 5
"""With fewer members than this at an hour, their spread there is not used. [-]  Ours."""

FADE_H = 24.0
"""How long a member that ends keeps its distance from the mean. [h]  Ours."""

OWN = np.concatenate([[0.0], np.geomspace(0.05, 6.0, 15)])
REST = np.geomspace(0.02, 4.0, 16)
"""Values of b that are tried [-], and of a, in squares of the usual error [-]."""

PRIOR_OWN, PRIOR_REST, PRIOR_LN_SD = 1.0, 0.25, 0.8
"""b and a without a record, and the standard deviation of ln of each. [-]  Ours."""

ZERO_LN = -4.0
"""b = 0 counts as ln b so far below the prior. [-]"""


class MemberMoments(NamedTuple):
    """Mean and variance of the members of temperature and dew point: each (2, ...), NaN where fewer
    than `FEWEST` members have a value. [°C], [K²]"""

    mean: Floats
    variance: Floats


class MemberSpread(NamedTuple):
    """Correction of the members' spread of temperature (0) and dew point (1).

    `stretch` (2, steps): members' distances from their mean are multiplied by it [-]; `rest` (2,
    steps): standard deviation of the error that they do not explain [K]; `days`: days of members
    that it was learned from [d].
    """

    stretch: Floats
    rest: Floats
    days: float


class Distances(NamedTuple):
    """Distances of members from their mean: `off` (3, members, steps, moments) of temperature, dew
    point [K] and wind [m/s], NaN where a member has no value; `variance` (2, steps, moments)."""

    off: Floats
    variance: Floats


def known_mean(values: Floats) -> Floats:
    """Mean of values (members, ...) over the members that have one; NaN where none has."""
    known = ~np.isnan(values)
    count = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def member_moments(temp_c: Floats, dew_c: Floats) -> MemberMoments:
    """Mean and variance over the axis before the last of values (..., members, leads)."""
    means, variances = [], []
    for values in (temp_c, dew_c):
        known = ~np.isnan(values)
        count = known.sum(axis=-2)
        mean = np.where(known, values, 0.0).sum(axis=-2) / np.maximum(count, 1)
        off = np.where(known, values - mean[..., None, :], 0.0)
        variance = (off**2).sum(axis=-2) / np.maximum(count, 1)
        means.append(np.where(count >= FEWEST, mean, np.nan))
        variances.append(np.where(count >= FEWEST, variance, np.nan))
    return MemberMoments(np.stack(means), np.stack(variances))


def untried(usual_sd: Floats) -> MemberSpread:
    """Correction before any record, by the usual error at each step (steps,) [K]."""
    both = np.stack([usual_sd, usual_sd])
    return MemberSpread(np.full(both.shape, PRIOR_OWN**0.5), PRIOR_REST**0.5 * both, 0.0)


def learn_spread(
    error: Floats,
    variance: Floats,
    usual: Floats,
    information: float,
    leads: np.ndarray,
    steps_usual: Floats,
    spacing_h: float,
) -> MemberSpread:
    """The correction most probable after a record.

    Parameters
    ----------
    error, variance : ndarray (2, leads, moments)
        Errors of the corrected forecast [K], and the members' variance [K²]; NaN where not known.
    usual, steps_usual : ndarray (leads,), (steps,)
        Usual error at `leads` and at each step. [K]
    information : float
        How many independent errors each stands for. [-]
    spacing_h : float
        Time between the moments. [h]
    """
    known = ~np.isnan(error + variance)
    stretch, rest = [], []
    at = np.arange(1, len(steps_usual) + 1)
    for e, v, good in zip(error, variance, known, strict=True):
        r = np.where(good, np.clip(e / usual[:, None], -4, 4) ** 2, 0.0)
        w = np.where(good, v / usual[:, None] ** 2, 1.0)
        own, rest_ = _most_probable(r[good], w[good], information)
        expected = np.maximum(own * w + rest_, 1e-6)
        count = good.sum(1) * information * len(leads) / 4
        mean = np.where(good, r / expected, 0.0).sum(1) / np.maximum(good.sum(1), 1)
        ratio = (count * mean + 5) / (count + 5)
        smooth = np.convolve(np.pad(ratio, 2, mode="edge"), np.ones(5) / 5, mode="valid")
        by_lead = np.sqrt(np.interp(at, leads, smooth))
        stretch.append(by_lead * own**0.5)
        rest.append(by_lead * rest_**0.5 * steps_usual)
    days = float(known.any(axis=(0, 1)).sum()) * spacing_h / 24
    return MemberSpread(np.stack(stretch), np.stack(rest), days)


def _most_probable(square: Floats, spread: Floats, information: float) -> tuple[float, float]:
    """b and a of errors² (n,) with members' variances (n,), in squares of the usual error."""
    own, rest = OWN[:, None], REST[None, :]
    ln_own = np.where(own > 0, np.log(np.maximum(own, 1e-9) / PRIOR_OWN), ZERO_LN)
    prior = -((ln_own**2 + np.log(rest / PRIOR_REST) ** 2) / (2 * PRIOR_LN_SD**2))
    expected = own[..., None] * spread + rest[..., None]
    fit = -0.5 * information * (np.log(expected) + square / expected).sum(-1)
    i, j = np.unravel_index(int(np.argmax(fit + prior)), prior.shape)
    return float(OWN[i]), float(REST[j])


def bridged(off: Floats) -> Floats:
    """Fill the gaps of distances (members, steps, moments): a member without a value for some hours
    keeps the last one, fading; 0 before its first."""
    missing = np.isnan(off)
    if not missing.any():
        return off
    steps = np.arange(off.shape[1])[None, :, None]
    last = np.maximum.accumulate(np.where(missing, -1, steps), axis=1)
    held = np.take_along_axis(off, np.maximum(last, 0), axis=1)
    return np.where(last < 0, 0.0, np.where(missing, held * np.exp(-(steps - last) / FADE_H), off))


def dealt(known: np.ndarray, count: int, random: np.random.Generator) -> np.ndarray:
    """Deal members to draws, evenly among those with values, by a mask (members, moments).

    Returns the number of each draw's member, (count, moments); −1 where none has a value.
    """
    out = np.full((count, known.shape[1]), -1)
    for moment in range(known.shape[1]):
        some = np.flatnonzero(known[:, moment])
        if len(some):
            out[:, moment] = random.permutation(np.resize(random.permutation(some), count))
    return out


def drawn(
    distances: Distances,
    spread: MemberSpread,
    plain_sd: Floats,
    count: int,
    random: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Weather of `count` draws: distances (3, count, steps, moments) from the corrected forecast,
    and the standard deviation (2, steps, moments) of the noise that is still to be added. [K]

    `plain_sd` (2, steps): error of the forecast where no member has a value. [K]
    """
    pick = dealt(~np.isnan(distances.off[0]).all(axis=1), count, random)
    some = np.maximum(pick, 0)[:, None, :]
    off = np.stack([np.take_along_axis(bridged(field), some, axis=0) for field in distances.off])
    off = np.where((pick < 0)[None, :, None, :], 0.0, off)
    off[:2] *= spread.stretch[:, None, :, None]
    square = plain_sd[:, :, None] ** 2
    whole = spread.stretch[..., None] ** 2 * distances.variance + spread.rest[..., None] ** 2
    whole = np.where(np.isnan(distances.variance), square, whole)
    return off, np.sqrt(np.maximum(whole - (off[:2] ** 2).mean(axis=1), 0.0))
