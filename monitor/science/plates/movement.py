"""Free movement across the grain: how far a width shrinks or swells with its moisture."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.plates.species import SHRINKS_FROM_PCT, Grain
from monitor.science.ranges import Floats, checked

LINEAR_PCT = (6.0, 14.0)
"""Range of eq. 13-2. [% MC]  Source: Wood Handbook, FPL-GTR-190, 2010, ch. 13."""


def dimensional_change(
    dimension: ArrayLike,
    initial_pct: ArrayLike,
    final_pct: ArrayLike,
    grain: Grain,
    shrinks_from_pct: float = SHRINKS_FROM_PCT,
) -> Floats:
    """Change of a free dimension across the grain when its moisture changes.

    Parameters
    ----------
    dimension : float or array_like
        Width at the initial moisture, 0 or more. [any length]
    initial_pct, final_pct : float or array_like, broadcast
        Moisture content before and after, 0 or more. [%]  Above `shrinks_from_pct` wood does not
        move: more counts as that.
    grain : Grain
        The direction of the dimension.
    shrinks_from_pct : float
        Moisture content at which shrinkage starts, F. [%]

    Returns
    -------
    float or ndarray of the broadcast shape
        Change, negative for shrinking. [as `dimension`]  One board may differ by ±30 %
        (`MOVEMENT_SPREAD`). NaN where an input is NaN.

    Raises
    ------
    OutOfRange
        If a value lies outside the ranges above.

    Notes
    -----
    Within 6 to 14 % MC eq. 13-2 of the Wood Handbook [1]_, ΔD = D_I C (M_F − M_I); otherwise
    eq. 13-3, ΔD = D_I (M_F − M_I) / (100 F / S − F + M_I), printed there for F = 30 %. The two
    differ by up to about 1 % of the change where they meet. Mean moisture of the part; a plate
    with unequal faces also cups, which is not in here.

    References
    ----------
    .. [1] Wood Handbook, USDA Forest Products Laboratory, FPL-GTR-190, 2010, ch. 13.
       Eq. 13-2 read; 13-3 from memory, unchecked.

    Examples
    --------
    >>> from monitor.science.plates.species import SPECIES
    >>> round(float(dimensional_change(100, 12, 8, SPECIES["sitka_spruce"].tangential)), 4)
    -1.052
    """
    d_i = checked("dimension", dimension, "mm", 0)
    f, s, c = shrinks_from_pct, grain.shrinkage_pct, grain.coefficient
    m_i = np.minimum(checked("initial_pct", initial_pct, "%", 0), f)
    m_f = np.minimum(checked("final_pct", final_pct, "%", 0), f)
    low, high = LINEAR_PCT
    linear = (np.minimum(m_i, m_f) >= low) & (np.maximum(m_i, m_f) <= high)
    change = d_i * (m_f - m_i) * np.where(linear, c, 1 / (100 * f / s - f + m_i))
    return np.asarray(change)[()]
