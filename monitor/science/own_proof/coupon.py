"""A weighed wood coupon beside the log of its place: offset of the EMC and time constant.

The coupon follows dm/dt = (EMC + o − m)/τ, m its moisture, o the offset, τ the time constant. The
offset holds for this wood at this sensor: errors of both are in it. One relaxation stands for
diffusion; where it fits badly the scatter, and so the range, grows.
"""

from __future__ import annotations

from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.own_proof.lacks import Lack, Lacks, range_of
from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import Floats, checked
from monitor.science.wood import equilibrium_moisture_content

LEAST = 6
"""Fewest weighings. [-]  Ours: three figures are fitted."""
LEAST_S = 24 * 3600.0
"""Shortest time from the first weighing to the last. [s]  Ours."""
AIR_LEAST = 0.8
"""Least share of that time for which the air was logged. [-]  Ours."""
TAU_H = (0.5, 3000.0)
"""Range of the time constant. [h]  Ours: a shaving to a thick block."""
TAUS = 161
"""Steps of the time constant. [-]"""
WIDEST_PCT = 2.0
"""Widest range of an offset that is of use. [% MC]  Ours: real wood lies within about ±1 %."""
WIDEST_TIMES = 5.0
"""Most that the two ends of the time constant may lie apart. [-]  Ours."""
SCORES = np.array([NormalDist().inv_cdf((i + 0.5) / 20) for i in range(20)])
"""Normal scores of 20 even shares. [-]"""


class LoggedAir(NamedTuple):
    """Air of a place: start of each mean [s], temperature [°C], RH [%]; sorted, shapes (n,)."""

    at_s: Floats
    temp_c: Floats
    rh_pct: Floats
    step_s: float = 600.0


class Weighings(NamedTuple):
    """Weighings of a coupon.

    `at_s`, `mass_g`: shape (n,), sorted. `dry_g`: oven-dry mass, `dry_u_g` its expanded uncertainty
    (k = 2). `balance_g`: two weighings of one piece lie so far apart at most (k = 2).
    """

    at_s: Floats
    mass_g: Floats
    dry_g: float
    dry_u_g: float
    balance_g: float


class CouponResult(NamedTuple):
    """Offset of the EMC [% MC] and time constant [h]; None where not known; `lacks` has the reason.

    `fitted_pct`: moisture of the fit at each of `fitted_s`, for a plot; empty without a fit.
    """

    offset_pct: QuantileRange | None
    tau_h: QuantileRange | None
    lacks: Lacks
    moisture_pct: Floats
    fitted_s: Floats
    fitted_pct: Floats


def dry_mass(first_g: float, moisture_pct: float, u_pct: float) -> tuple[float, float]:
    """Oven-dry mass and its uncertainty, from a first weighing at a known moisture. [g], [g]

    >>> dry, u = dry_mass(10.8, 8.0, 0.5)
    >>> round(dry, 3), round(u, 3)
    (10.0, 0.046)
    """
    dry = first_g / (1 + moisture_pct / 100)
    return dry, dry * u_pct / (100 + moisture_pct)


def coupon(weighed: Weighings, air: LoggedAir) -> CouponResult:
    """Offset and time constant of a coupon.

    Parameters
    ----------
    weighed : Weighings
        Masses and uncertainties above 0.
    air : LoggedAir

    Returns
    -------
    CouponResult

    Raises
    ------
    OutOfRange
        If a mass is not above 0, or the dry mass is above the lightest weighing by more than the
        uncertainties allow.

    Notes
    -----
    For a given τ the moisture is linear in its start and in the offset, so these two are fitted by
    least squares; the posterior of ln τ, flat before, is taken on a grid. The scatter is the
    balance's, or the fit's where that is larger, with Student's factor for few weighings.
    """
    mass = checked("mass_g", weighed.mass_g, "g", 0, low_open=True)
    dry = float(checked("dry_g", weighed.dry_g, "g", 0, low_open=True))
    balance = float(checked("balance_g", weighed.balance_g, "g", 0, low_open=True))
    if len(mass) and dry > (most := float(mass.min()) + weighed.dry_u_g + balance):
        raise OutOfRange("dry_g", dry, "g", 0, most)
    moisture = np.asarray(100 * (mass / dry - 1))
    none = np.zeros(0)
    lacks = _lacks(weighed.at_s, air)
    if lacks.reasons:
        return CouponResult(None, None, lacks, moisture, none, none)
    first_s = float(weighed.at_s[0])
    t_h = (weighed.at_s - first_s) / 3600
    tau = np.geomspace(*TAU_H, TAUS)
    steps_h, forced = _forced(tau, air, first_s, float(weighed.at_s[-1]))
    at_weighing = np.array([np.interp(t_h, steps_h, one) for one in forced.T])
    decay = np.exp(-t_h / tau[:, None])
    x = np.stack([decay, 1 - decay], axis=2)  # (tau, n, 2): start, offset
    y = moisture - at_weighing
    # Far from the weighings' times the two columns are alike; a tiny ridge keeps them apart.
    xtx = np.einsum("tni,tnj->tij", x, x) + 1e-9 * np.eye(2)
    inverse = np.linalg.inv(xtx)
    found = np.einsum("tij,tnj,tn->ti", inverse, x, y)
    rss = ((y - np.einsum("tnj,tj->tn", x, found)) ** 2).sum(axis=1)
    free = len(mass) - 3
    own = (100 * balance / 2 / dry) ** 2
    z = 1.2816
    sigma2 = max(own, rss.min() / free * (1 + (z * z + 1) / (4 * free)) ** 2)
    log_p = -rss / (2 * sigma2) - np.linalg.slogdet(xtx)[1] / 2
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    spread = np.sqrt(
        sigma2 * inverse[:, 1, 1] + ((100 + moisture.mean()) * weighed.dry_u_g / 2 / dry) ** 2
    )
    offset = range_of(
        found[:, 1, None] + spread[:, None] * SCORES, np.repeat(p[:, None], len(SCORES), axis=1)
    )
    tau_h = range_of(tau, p)
    at_ends = p[:3].sum() > 0.05 or p[-3:].sum() > 0.05
    known = offset.high - offset.low <= WIDEST_PCT
    timed = not at_ends and tau_h.high <= WIDEST_TIMES * tau_h.low
    best = int(p.argmax())
    e = np.exp(-steps_h / tau[best])
    fitted = found[best, 0] * e + found[best, 1] * (1 - e) + forced[:, best]
    return CouponResult(
        offset if known else None,
        tau_h if timed else None,
        Lacks(0, () if known and timed else (Lack.CHANGE,)),
        moisture,
        first_s + 3600 * steps_h,
        fitted,
    )


def _lacks(at_s: Floats, air: LoggedAir) -> Lacks:
    if len(at_s) < LEAST:
        return Lacks(LEAST - len(at_s), (Lack.MEASUREMENTS,))
    span = float(at_s[-1] - at_s[0])
    if span < LEAST_S:
        return Lacks(1, (Lack.TIME,))
    inside = (air.at_s >= at_s[0] - air.step_s) & (air.at_s < at_s[-1])
    if inside.sum() * air.step_s < AIR_LEAST * span:
        return Lacks(0, (Lack.AIR,))
    return Lacks()


def _forced(tau_h: Floats, air: LoggedAir, first_s: float, last_s: float) -> tuple[Floats, Floats]:
    """Moisture that the air alone brings a coupon of no start moisture to.

    Hours since the first weighing, shape (k,), and the moisture (k, tau). [h], [%]  Exact for air
    that is constant from one mean to the next.
    """
    inside = (air.at_s > first_s - air.step_s) & (air.at_s < last_s)
    at_s = np.concatenate([[first_s], np.maximum(air.at_s[inside], first_s), [last_s]])
    emc = equilibrium_moisture_content(air.temp_c[inside], air.rh_pct[inside])
    emc = np.concatenate([emc[:1], emc])  # air before the first mean is taken as that mean
    hours = (at_s - first_s) / 3600
    kept = np.exp(-np.diff(hours)[:, None] / tau_h)
    state = np.zeros((len(hours), len(tau_h)))
    for i, share in enumerate(kept):
        state[i + 1] = emc[i] + (state[i] - emc[i]) * share
    return hours, state
