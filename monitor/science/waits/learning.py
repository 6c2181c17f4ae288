"""Bayesian estimate of a wait type's usual time from releases, shown in full.

At release the repairer says how the joint was. The clock says how much time in reference air it
had had. "Still soft": the true basis is longer; "ready long before": shorter than a part of it;
"just right": between the two; "hard by then": not longer. Judgement is fuzzy, so the borders are.
Nothing is carried over: the estimate is made from prior and evidence each time, so undo is leaving
an item out.

The estimate is shown; what the next wait uses is `used_s`. It may rise by itself and never falls by
itself: a joint that was "just right" when released at the foretold time could teach an ever shorter
time, down to the safe minimum. Only a person shortens a usual time, by setting it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked

LONG_BEFORE = 0.7
"""Ready long before: the true basis was below this part of the time given. [-]  Ours."""

JUDGEMENT_SD = 0.15
"""Standard deviation of the borders, in ln(time). [-]  Ours: how finely a hand tells soft."""

POINTS = 801
"""Of the grid. [-]"""

WIDE_SD = 5.0
"""The grid reaches this many prior standard deviations either side. [-]"""


class JointAtRelease(StrEnum):
    """States of the joint at release."""

    SOFT = "still soft"
    RIGHT = "just right"
    LONG_BEFORE = "was ready long before"
    HARD_BY_THEN = "was hard by then"
    """Right or long before: it was left longer than anybody looked."""


class Evidence(NamedTuple):
    """Evidence of a release: the joint's state, and its time in reference air. [s]"""

    verdict: JointAtRelease
    equivalent_s: float


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
        In any order: the result is the same to the last digit. Each time above 0.

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
    c = `LONG_BEFORE`, σ = `JUDGEMENT_SD`. `used_s` is the median with the soft ones alone, and never
    below the prior's basis.

    Examples
    --------
    >>> prior = UsualTimePrior(basis_s=4 * 3600, spread=0.3, minimum_s=2 * 3600)
    >>> round(learn(prior, []).basis_s / 3600, 2)
    4.02
    >>> round(learn(prior, [Evidence(JointAtRelease.SOFT, 4.5 * 3600)]).basis_s / 3600, 2)
    5.18
    >>> right = learn(prior, [Evidence(JointAtRelease.RIGHT, 4 * 3600)] * 5)
    >>> round(right.basis_s / 3600, 1), right.used_s / 3600
    (3.4, 4.0)
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
    ln_b = np.linspace(low, middle + wide, POINTS)
    before = -(((ln_b - middle) / prior.spread) ** 2) / 2
    after, soft_only = before.copy(), before.copy()
    for item in sorted(evidence):  # the same order always, so the same rounding
        weight = _log_likelihood(item, ln_b)
        after += weight
        if item.verdict is JointAtRelease.SOFT:
            soft_only += weight
    prior_density, density = _normal(before), _normal(after)
    ten, half, ninety = np.exp(np.interp([0.1, 0.5, 0.9], _cumulative(density), ln_b)).tolist()
    raised = prior.basis_s
    if any(item.verdict is JointAtRelease.SOFT for item in evidence):
        raised = math.exp(float(np.interp(0.5, _cumulative(_normal(soft_only)), ln_b)))
    mean = float((density * ln_b).sum())
    spread = math.sqrt(float((density * (ln_b - mean) ** 2).sum()))
    return LearnedUsualTime(
        prior,
        tuple(evidence),
        max(half, prior.minimum_s),
        max(ten, prior.minimum_s),
        ninety,
        spread,
        max(raised, prior.basis_s),
        np.exp(ln_b),
        prior_density,
        density,
    )


def _log_likelihood(item: Evidence, ln_b: Floats) -> Floats:
    """ln P(verdict | basis), with a floor so that one slip of the finger rules nothing out."""
    cdf = NormalDist().cdf
    given = math.log(item.equivalent_s)
    soft = np.array([cdf(z) for z in ((ln_b - given) / JUDGEMENT_SD).tolist()])
    edge = (given + math.log(LONG_BEFORE) - ln_b) / JUDGEMENT_SD
    long_before = np.array([cdf(z) for z in edge.tolist()])
    chance = {
        JointAtRelease.SOFT: soft,
        JointAtRelease.LONG_BEFORE: long_before,
        JointAtRelease.RIGHT: 1 - soft - long_before,
        JointAtRelease.HARD_BY_THEN: 1 - soft,
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
