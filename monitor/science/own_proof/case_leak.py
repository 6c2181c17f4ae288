"""A weighed case humidifier beside a sensor in the case: the leak of the shut case.

Between two weighings the humidifier gave off w = K x + C c: K the leak, x how far the case's RH lay
above the room's, C the water that lining and contents take up for each % RH, c how fast the RH rose.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.case.water_balance import grams_per_pct
from monitor.science.own_proof.lacks import Lack, Lacks, range_of
from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import Floats, checked

LEAST = 5
"""Fewest weighings. [-]  Ours."""
LEAST_D = 3.0
"""Shortest time from the first weighing to the last. [d]  Ours."""
DRAWS = 2000
SEED = 20_261_129


class CaseWeighings(NamedTuple):
    """Weighings of the humidifier, and between them the air.

    Shape (n,): time [d], mass [g], and mass once it was refilled [g] of each. Shape (n − 1,):
    `above_pct`, mean RH of the case less the room's, the room's vapour at the case's temperature
    [%]; `rise_pct`, how far the case's RH rose from the one weighing to the next [%].
    """

    at_d: Floats
    mass_g: Floats
    after_g: Floats
    above_pct: Floats
    rise_pct: Floats
    temp_c: float
    balance_g: float
    """Two weighings of one thing lie so far apart at most (k = 2). [g]"""
    u_rh_pct: float
    """Expanded uncertainty (k = 2) of each of the two sensors. [%]"""


class CaseLeak(NamedTuple):
    """Leak of a shut case [g/(day %)] and as air changes [1/d]; None where not known."""

    leak_g_day_pct: QuantileRange | None
    changes_day: QuantileRange | None
    lacks: Lacks


def case_leak(
    weighed: CaseWeighings, air_l: float, capacity_g_pct: float, capacity_times: float
) -> CaseLeak:
    """Leak of a case.

    Parameters
    ----------
    weighed : CaseWeighings
    air_l : float
        Air in the case. Above 0. [L]
    capacity_g_pct, capacity_times : float
        C and how far it may lie off, times or divided by. [g/%], [-]

    Notes
    -----
    K by least squares in each of `DRAWS` draws of C, of the sensors' difference and of the scatter.
    The scatter is the balance's, or the fit's where that is larger.
    """
    checked("mass_g", weighed.mass_g, "g", 0)
    air = float(checked("air_l", air_l, "L", 0, low_open=True))
    n = len(weighed.mass_g)
    if n < LEAST:
        return CaseLeak(None, None, Lacks(LEAST - n, (Lack.MEASUREMENTS,)))
    if weighed.at_d[-1] - weighed.at_d[0] < LEAST_D:
        return CaseLeak(None, None, Lacks(1, (Lack.TIME,)))
    if np.isnan(weighed.above_pct).any() or np.isnan(weighed.rise_pct).any():
        return CaseLeak(None, None, Lacks(0, (Lack.AIR,)))
    days = np.diff(weighed.at_d)
    gave = weighed.after_g[:-1] - weighed.mass_g[1:]
    x, c = weighed.above_pct * days, weighed.rise_pct
    u_difference = np.sqrt(2) * weighed.u_rh_pct
    if x.sum() / days.sum() < 2 * u_difference:
        return CaseLeak(None, None, Lacks(0, (Lack.DIFFERENCE,)))
    random = np.random.default_rng(SEED)
    off, one, two = random.standard_normal((3, DRAWS, 1))
    capacity = capacity_g_pct * capacity_times ** np.clip(one, -1.5, 1.5)
    apart = x + u_difference / 2 * off * days
    water = gave - capacity * c
    leak = (apart * water).sum(axis=1) / (apart**2).sum(axis=1)
    middle = float(np.median(leak))
    rest = gave - capacity_g_pct * c - middle * x
    free = n - 2
    own = 2 * (weighed.balance_g / 2) ** 2
    sigma = np.sqrt(max(own, float((rest**2).sum()) / free) / (x**2).sum())
    leak = leak + sigma * two[:, 0] * (1 + 2.64 / (4 * free))
    found = range_of(leak, np.ones(DRAWS))
    if found.low <= 0:
        return CaseLeak(None, None, Lacks(0, (Lack.DIFFERENCE,)))
    per_change = air / 1000 * float(grams_per_pct(np.array(weighed.temp_c)))
    changes = QuantileRange(*(one / per_change for one in found))
    return CaseLeak(found, changes, Lacks())
