"""Bayesian estimate of a wait type's usual time from releases, shown in full.

At release the repairer says how the joint was. The clock says how much time in reference air it
had had. "Still soft": the true basis is longer; "ready long before": shorter than a part of it;
"just right": between the two; "hard by then": not longer. Judgement is fuzzy, so the borders are.
Nothing is carried over: the estimate is made from prior and evidence each time, so undo is leaving
an item out.

The estimate is shown; what the next wait uses is `used_s`. Only "still soft" moves it, upwards. Each
such answer is a censored observation: the joint was still soft at that time, so the true basis is
longer. A habit can be far off, so the prior for it has a wide part (`WRONG_SHARE`, `WRONG_SD`), and
what is used is not longer than the basis in few of the draws (`USED_QUANTILE`).

A shorter time is only ever proposed (`shorter_s`), from several answers "ready long before" in a row.
Only a person takes it, by setting the usual time. "Just right" never shortens anything: at the
advised time it would teach an ever shorter time, down to the safe minimum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from functools import cache
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked

LONG_BEFORE = 0.7
"""Ready long before: the true basis was below this part of the time given. [-]  Ours."""

JUDGEMENT_SD = 0.15
"""Standard deviation of the borders, in ln(time). [-]  Ours: how finely a hand tells soft."""

WRONG_SHARE = 0.35
"""Prior chance that the usual time that was set is far off. [-]  Ours."""

WRONG_SD = 0.7
"""Standard deviation of ln(basis) if it is: a factor 2 either way. [-]  Ours."""

USED_QUANTILE = 0.75
"""Share of draws in which the basis is not longer than what is used after "still soft". [-]  Ours: in
simulated years the share of soft joints is below 10 % after 12 joints, for truths up to twice the
usual time and for one who releases at 0.8 of it."""

SOFT_MOST = 2.0
"""One answer "still soft" counts as given at no more than this many usual times. [-]  Ours: later, a
wrong tap or spoilt glue is as likely as a slow joint."""

SOFT_STEP = 0.2
"""After n answers "still soft", what is used is above the longest time that was still soft by at most
n times this share of it. [-]  Ours: one answer moves it a little, several in a row far."""

SHORTER_FROM = 5
"""Fewest answers "ready long before" in a row for a proposal, and as many more for each "just right"
under the usual time in use: some joints need it. [-]  Ours."""

SHORTER_QUANTILE = 0.95
"""Share of draws in which the basis is not longer than what is proposed. [-]  Ours."""

SHORTER_LEAST = 0.8
"""A proposal is not below this part of the time in use. [-]  Ours: slowly."""

SHORTER_WORTH = 0.95
"""A proposal above this part of the time in use is not made. [-]  Ours."""

POINTS = 1201
"""Of the grid. [-]"""

WIDE_SD = 5.0
"""The grid reaches this many prior standard deviations either side. [-]"""

GRID_UP = 2.1
"""The grid reaches at least so far above the prior's basis. [ln]"""


class JointAtRelease(StrEnum):
    """States of the joint at release."""

    SOFT = "still soft"
    RIGHT = "just right"
    LONG_BEFORE = "was ready long before"
    HARD_BY_THEN = "was hard by then"
    """Right or long before: it was left longer than anybody looked."""


class Evidence(NamedTuple):
    """Evidence of a release: the joint's state, and its time in reference air. [s]

    `usual_s` is the usual time under which it was advised; 0 if not known. [s]  `before_set`: a person
    has set the usual time since.
    """

    verdict: JointAtRelease
    equivalent_s: float
    usual_s: float = 0.0
    before_set: bool = False


class UsualTimePrior(NamedTuple):
    """Log-normal belief before any evidence: median [s], sd of ln [-], safe minimum [s]."""

    basis_s: float
    spread: float
    minimum_s: float


class LearnedUsualTime(NamedTuple):
    """The basis after the evidence, with all it rests on."""

    prior: UsualTimePrior
    evidence: tuple[Evidence, ...]
    basis_s: float
    """Median; never below the safe minimum."""
    low_s: float
    high_s: float
    """10 % and 90 %."""
    spread: float
    """Standard deviation of ln(basis), for the next wait. [-]"""
    used_s: float
    """Usual time for the next wait: the prior's, or longer where joints were still soft. No other
    answer changes it."""
    shorter_s: float | None
    """Shorter usual time that is proposed: never used before a person has set it. None: none."""
    shorter_from: int
    """Number of answers "ready long before" in a row, at the usual time in use."""
    grid_s: Floats
    prior_density: Floats
    density: Floats
    """Probability of each point of the grid, before and after, for a drawing."""


def learn(prior: UsualTimePrior, evidence: Sequence[Evidence]) -> LearnedUsualTime:
    """The basis of a kind from its prior and every release that counts.

    Parameters
    ----------
    prior : Prior
        Basis above 0 and not below the minimum; spread above 0, up to 1.
    evidence : sequence of Evidence
        Oldest first for the proposal; all else is the same to the last digit in any order. Each
        time above 0.

    Returns
    -------
    Learned

    Raises
    ------
    OutOfRange
        If a number lies outside the ranges above.

    Notes
    -----
    ln B ~ N(ln basis, spread²), cut off below the safe minimum. For a time E given,
    P(soft) = Φ((ln B − ln E)/σ), P(long before) = Φ((ln cE − ln B)/σ), P(right) is the rest:
    the three share one probability; hard by then is both that are not soft.
    c = `LONG_BEFORE`, σ = `JUDGEMENT_SD`.

    `used_s` is the `USED_QUANTILE` with the soft ones alone, under a prior with a wide part: at most
    `SOFT_STEP` an answer above what was seen soft, never below it or the prior's basis. Answers from
    before a person set the usual time are a bound only.

    `shorter_s` is the `SHORTER_QUANTILE` with all answers under that prior, where "just right" counts
    as not long before only; never below the safe minimum, what was ever seen soft, or
    `SHORTER_LEAST` of what is in use.

    Examples
    --------
    >>> prior = UsualTimePrior(basis_s=4 * 3600, spread=0.3, minimum_s=2 * 3600)
    >>> round(learn(prior, []).basis_s / 3600, 2)
    4.02
    >>> round(learn(prior, [Evidence(JointAtRelease.SOFT, 4.5 * 3600)]).basis_s / 3600, 2)
    5.18
    >>> right = learn(prior, [Evidence(JointAtRelease.RIGHT, 4 * 3600)] * 5)
    >>> round(right.basis_s / 3600, 1), right.used_s / 3600, right.shorter_s
    (3.4, 4.0, None)
    """
    checked("prior spread", prior.spread, "", 0, 1, low_open=True)
    checked("minimum_s", prior.minimum_s, "s", 0)
    if not (prior.basis_s > 0 and prior.basis_s >= prior.minimum_s):
        raise OutOfRange("prior basis_s", prior.basis_s, "s", prior.minimum_s, None)
    for item in evidence:
        if not (item.equivalent_s > 0 and math.isfinite(item.equivalent_s)):
            raise OutOfRange("equivalent_s", item.equivalent_s, "s", 0, None, low_open=True)
    middle, wide = math.log(prior.basis_s), WIDE_SD * prior.spread
    low = max(middle - wide, math.log(prior.minimum_s)) if prior.minimum_s else middle - wide
    ln_b = np.linspace(low, middle + max(wide, GRID_UP), POINTS)
    before = -(((ln_b - middle) / prior.spread) ** 2) / 2
    after = before + _log_likelihoods(evidence, ln_b)
    prior_density, density = _normal(before), _normal(after)
    ten, half, ninety = (_quantile(q, density, ln_b) for q in (0.1, 0.5, 0.9))
    mean = float((density * ln_b).sum())
    spread = math.sqrt(float((density * (ln_b - mean) ** 2).sum()))
    used = _used_s(prior, evidence)
    run = _long_before_in_a_row(evidence, used)
    return LearnedUsualTime(
        prior,
        tuple(evidence),
        max(half, prior.minimum_s),
        max(ten, prior.minimum_s),
        ninety,
        spread,
        used,
        _shorter_s(prior, evidence, used) if run >= _least_run(evidence, used) else None,
        run,
        np.exp(ln_b),
        prior_density,
        density,
    )


def _wide_prior(prior: UsualTimePrior) -> tuple[Floats, Floats]:
    """A grid of ln(basis), and ln of the prior density on it with its wide part."""
    middle = math.log(prior.basis_s)
    ln_b = np.linspace(middle - GRID_UP, middle + GRID_UP, POINTS)
    narrow, wide = (
        np.exp(-(((ln_b - middle) / sd) ** 2) / 2) / sd for sd in (prior.spread, WRONG_SD)
    )
    return ln_b, np.log((1 - WRONG_SHARE) * narrow + WRONG_SHARE * wide)


def _used_s(prior: UsualTimePrior, evidence: Sequence[Evidence]) -> float:
    """Usual time for the next wait, from the answers "still soft" alone. [s]"""
    most_s = SOFT_MOST * prior.basis_s
    soft, least_s = [], prior.basis_s
    for item in evidence:
        if item.verdict is JointAtRelease.SOFT:
            given_s = min(item.equivalent_s, most_s)
            least_s = max(least_s, given_s)
            if not item.before_set:
                soft.append(item._replace(equivalent_s=given_s))
    if not soft:
        return least_s
    ln_b, before = _wide_prior(prior)
    density = _normal(before + _log_likelihoods(soft, ln_b))
    most_s = max(item.equivalent_s for item in soft) * (1 + SOFT_STEP * len(soft))
    return max(min(_quantile(USED_QUANTILE, density, ln_b), most_s), least_s)


def _long_before_in_a_row(evidence: Sequence[Evidence], used_s: float) -> int:
    """Number of the last answers that are "ready long before", at the usual time in use."""
    count = 0
    for item in reversed(evidence):
        if item.verdict is not JointAtRelease.LONG_BEFORE or not _under(item, used_s):
            break
        count += 1
    return count


def _least_run(evidence: Sequence[Evidence], used_s: float) -> int:
    """Number of answers "ready long before" in a row from which a shorter time is proposed."""
    rights = [e for e in evidence if e.verdict is JointAtRelease.RIGHT and _under(e, used_s)]
    return SHORTER_FROM * (1 + len(rights))


def _under(item: Evidence, used_s: float) -> bool:
    return math.isclose(item.usual_s, used_s, rel_tol=0.01)


def _shorter_s(prior: UsualTimePrior, evidence: Sequence[Evidence], used_s: float) -> float | None:
    """Shorter usual time to propose; None where it is not worth it. [s]"""
    ln_b, before = _wide_prior(prior)
    density = _normal(before + _log_likelihoods(evidence, ln_b, right_is_bound=True))
    seen_soft = [e.equivalent_s for e in evidence if e.verdict is JointAtRelease.SOFT]
    least = max(prior.minimum_s, SHORTER_LEAST * used_s, *seen_soft)
    step = 900.0 if used_s > 7200 else 60.0
    found = step * math.ceil(max(_quantile(SHORTER_QUANTILE, density, ln_b), least) / step - 1e-9)
    return found if found <= SHORTER_WORTH * used_s else None


def _quantile(q: float, density: Floats, ln_b: Floats) -> float:
    return math.exp(float(np.interp(q, _cumulative(density), ln_b)))


def _log_likelihoods(
    evidence: Sequence[Evidence], ln_b: Floats, *, right_is_bound: bool = False
) -> Floats:
    """Sum of ln P(verdict | basis), in the same order always, so with the same rounding."""
    total = np.zeros(len(ln_b))
    for item in sorted(evidence):
        total += _log_likelihood(item, ln_b, right_is_bound=right_is_bound)
    return total


@cache
def _normal_table() -> tuple[Floats, Floats]:
    """Φ at steps of 0.001 within ±8: read off within 1e-7."""
    z = np.linspace(-8.0, 8.0, 16001)
    return z, np.array([NormalDist().cdf(one) for one in z.tolist()])


def normal_cdf(z: Floats) -> Floats:
    """Φ of each value, from a table within 1e-7."""
    return np.asarray(np.interp(z, *_normal_table()))


def _log_likelihood(item: Evidence, ln_b: Floats, *, right_is_bound: bool) -> Floats:
    """ln P(verdict | basis), with a floor so that one slip of the finger rules nothing out.

    `right_is_bound`: "just right" says only that it was not long before.
    """
    given = math.log(item.equivalent_s)
    soft = normal_cdf((ln_b - given) / JUDGEMENT_SD)
    long_before = normal_cdf((given + math.log(LONG_BEFORE) - ln_b) / JUDGEMENT_SD)
    chance = {
        JointAtRelease.SOFT: soft,
        JointAtRelease.LONG_BEFORE: long_before,
        JointAtRelease.RIGHT: 1 - long_before - (0.0 if right_is_bound else soft),
        JointAtRelease.HARD_BY_THEN: np.ones_like(soft) if right_is_bound else 1 - soft,
    }[item.verdict]
    return np.log(SLIP / 3 + (1 - SLIP) * np.maximum(chance, 0.0))


SLIP = 0.02
"""Share of verdicts that are slips: a wrong tap. [-]  Ours."""


def _normal(log_density: Floats) -> Floats:
    density = np.exp(log_density - log_density.max())
    return np.asarray(density / density.sum())


def _cumulative(density: Floats) -> Floats:
    """Probability up to the middle of each point."""
    return np.asarray(np.cumsum(density) - density / 2)
