"""Lap joints that are judged at release, and joints over salt boxes.

Both look for a limit: the time at which a joint is hard, relative to the usual time, and the RH at
which it gives way. The judgement of a lap is that of `waits.learning`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from monitor.science.own_proof.lacks import Lack, Lacks, range_of
from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import checked
from monitor.science.waits.learning import (
    SLIP,
    WRONG_SD,
    Evidence,
    JointAtRelease,
    UsualTimePrior,
    learn,
    normal_cdf,
)

LEAST = 6
"""Fewest joints. [-]  Ours: two at each of three times, or in each of three boxes."""
SHARES = (0.5, 1.0, 1.5)
"""Times of release that are advised, relative to the expected. [-]"""


class JointsResult(NamedTuple):
    """Interval of a limit; None where not known; `lacks` has the reason."""

    limit: QuantileRange | None
    lacks: Lacks


def lap_evidence(share: float, usual_s: float, *, soft: bool) -> Evidence:
    """Evidence of a lap released at a share of its usual time."""
    verdict = JointAtRelease.SOFT if soft else JointAtRelease.HARD_BY_THEN
    return Evidence(verdict, share * usual_s, usual_s)


def laps(shares: Sequence[float], soft: Sequence[bool]) -> JointsResult:
    """True time of a joint relative to the usual time, from these laps alone. [-]

    Parameters
    ----------
    shares : sequence of float
        Time in reference air that each had, over its usual time. Above 0.
    soft : sequence of bool
        Whether it was still soft.

    Notes
    -----
    The prior is the wide one of `waits.learning`: a factor 2 either way.

    Examples
    --------
    >>> found = laps([0.5, 0.5, 1, 1, 1.5, 1.5], [True, True, False, False, False, False])
    >>> [round(one, 2) for one in found.limit]
    [0.56, 0.73, 0.93]
    """
    lacks = _lacks(soft)
    if lacks.reasons:
        return JointsResult(None, lacks)
    evidence = [lap_evidence(s, 1.0, soft=one) for s, one in zip(shares, soft, strict=True)]
    found = learn(UsualTimePrior(1.0, WRONG_SD, 0.0), evidence)
    return JointsResult(QuantileRange(found.low_s, found.basis_s, found.high_s), lacks)


JOINT_SD_PCT = 2.0
"""Standard deviation between joints of the RH at which they give way. [%]  Ours."""
RH_PCT = (30.0, 100.0)
"""Range of the limit. [%]"""


def softening(
    rh_pct: Sequence[float], u_pct: Sequence[float], gave: Sequence[bool]
) -> JointsResult:
    """RH at which joints gave way, from joints kept over salts. [%]

    Parameters
    ----------
    rh_pct, u_pct : sequence of float
        RH of each box, 0 to 100, and its expanded uncertainty (k = 2), 0 or more.
    gave : sequence of bool
        Whether the joint gave way under its load.

    Notes
    -----
    Flat before over `RH_PCT`; P(gave way) = Φ((h − H)/σ), with σ of the box and of the joints.

    Examples
    --------
    >>> found = softening([75, 75, 85, 85, 93, 93], [1] * 6, [False, False] + [True] * 4)
    >>> [round(one) for one in found.limit]
    [76, 80, 84]
    """
    rh, u = checked("rh_pct", rh_pct, "%", 0, 100), checked("u_pct", u_pct, "%", 0)
    lacks = _lacks(gave)
    if lacks.reasons:
        return JointsResult(None, lacks)
    limit = np.linspace(*RH_PCT, 701)
    chance = normal_cdf((rh[:, None] - limit) / np.hypot(u / 2, JOINT_SD_PCT)[:, None])
    chance = np.where(np.asarray(gave)[:, None], chance, 1 - chance)
    density = np.exp(np.log(SLIP / 2 + (1 - SLIP) * chance).sum(axis=0))
    return JointsResult(range_of(limit, density), lacks)


ACTIVITY = (0.55, 0.95)
"""Range in which a measured limit may be used. [-]  That of `GlueLaw.hard_activity`."""
FAR = 2.0
"""A limit that is further from the one in use, in standard deviations, is not used. [-]  Ours."""


def narrowed(activity: float, sd: float, limit_pct: QuantileRange) -> tuple[float, float] | None:
    """Limit in use and its standard deviation, narrowed by a measured one; None: too far off.

    The mean of the two, weighted by their variances. It is never wider than before.

    >>> [round(one, 3) for one in narrowed(0.80, 0.025, QuantileRange(76, 78, 80))]
    [0.786, 0.013]
    """
    own = max((limit_pct.high - limit_pct.low) / 100 / (2 * 1.2816), 0.005)
    measured = limit_pct.median / 100
    if abs(measured - activity) > FAR * float(np.hypot(own, sd)):
        return None
    if not sd:
        return activity, sd
    weight = sd**2 / (sd**2 + own**2)
    return round(activity + weight * (measured - activity), 4), round(own * weight**0.5, 4)


def _lacks(gave: Sequence[bool]) -> Lacks:
    """Lacks of joints that gave way or were soft, and those that held."""
    count = sum(gave)
    if len(gave) < LEAST:
        return Lacks(LEAST - len(gave), (Lack.MEASUREMENTS,))
    ends = ((count, Lack.SOFT), (len(gave) - count, Lack.HELD))
    reasons = tuple(why for some, why in ends if not some)
    return Lacks(1 if reasons else 0, reasons)
