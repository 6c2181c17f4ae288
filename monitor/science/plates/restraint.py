"""Strain of held wood, and the strains at which it yields and fails."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.ranges import Floats, checked

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
