"""Wood that is held: restrained strain, an elastic stress, and the air at which it gives."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.ranges import Floats, checked
from monitor.science.wood import equilibrium_moisture_content, relative_humidity_for_moisture

YIELD_STRAIN = 0.004
FAILURE_STRAIN = 0.009
"""Strain across the grain beyond which wood is set for good, and may crack. [-]  Measured in slow
tension, 35 to 65 % RH, and meant as cautious for sound wood; degraded wood fails earlier, wood
that has been through as much before yields later.
Source: Mecklenburg, Tumosa, Erhardt, in The Structural Conservation of Panel Paintings, 1998."""


def restrained_strain(
    restraint: ArrayLike, coefficient: ArrayLike, moisture_change_pct: ArrayLike
) -> Floats:
    """Strain of held wood whose moisture changes: ε = f C |ΔM|. [-]

    Parameters
    ----------
    restraint : float or array_like
        Degree of restraint f, 0 free to 1 held. [-]
    coefficient : float or array_like, broadcast
        C of Wood Handbook eq. 13-2, 0 or more. [per % MC]
    moisture_change_pct : float or array_like, broadcast
        ΔM. [% MC]

    Raises
    ------
    OutOfRange

    Examples
    --------
    >>> round(float(restrained_strain(1.0, 0.00148, -2.7)), 4)
    0.004
    """
    f = checked("restraint", restraint, "", 0, 1)
    c = checked("coefficient", coefficient, "per %", 0)
    change = checked("moisture_change_pct", moisture_change_pct, "%")
    return np.asarray(f * c * np.abs(change))[()]


def elastic_stress(strain: ArrayLike, modulus_mpa: ArrayLike) -> Floats:
    """σ = E ε, an upper estimate: slow change relaxes much of it. [MPa]"""
    e = checked("modulus_mpa", modulus_mpa, "MPa", 0)
    return np.asarray(e * checked("strain", strain, "", 0))[()]


class RestraintLimits(NamedTuple):
    """RH at which held wood yields and fails. [%]  NaN: not reached between 0 and 100 %."""

    yield_dry: float
    failure_dry: float
    yield_damp: float


def humidity_limits(
    start_rh_pct: float, coefficient: float, restraint: float = 1.0, temp_c: float = 20.0
) -> RestraintLimits:
    """The air in which wood glued in balance with `start_rh_pct` yields and fails, in the long run.

    The start moves the limits by about as much as itself, so they belong to the air the joint was
    glued in. Temperature is constant. [%], [per % MC], [-], [°C]

    Raises
    ------
    OutOfRange
        If RH is not 0 to 100, C or f not above 0, f above 1, or the temperature outside the range
        of `equilibrium_moisture_content`.

    Examples
    --------
    >>> [round(float(rh), 1) for rh in humidity_limits(50, 0.00148)]
    [32.4, 13.2, 64.9]
    """
    c = float(checked("coefficient", coefficient, "per %", 0, low_open=True))
    f = float(checked("restraint", restraint, "", 0, 1, low_open=True))
    start = equilibrium_moisture_content(temp_c, start_rh_pct)
    strains = np.array([-YIELD_STRAIN, -FAILURE_STRAIN, YIELD_STRAIN])
    moisture = start + strains / (f * c)
    reached = (moisture >= 0) & (moisture <= equilibrium_moisture_content(temp_c, 100.0))
    rh = relative_humidity_for_moisture(temp_c, np.where(reached, moisture, np.nan))
    return RestraintLimits(*(float(x) for x in rh))
