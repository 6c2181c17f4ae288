"""Strain of held wood, and the strain at which it yields."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.ranges import Floats, checked

YIELD_STRAIN = 0.004
"""Strain across the grain beyond which wood is set; from 0.009 it may crack. [-]  Measured in slow
tension, 35 to 65 % RH, and meant as cautious for sound wood; degraded wood fails earlier, wood
that has been through as much before yields later.
Source: Mecklenburg, Tumosa, Erhardt, in The Structural Conservation of Panel Paintings, 1998."""

COMPRESSION_YIELD = (0.005, 0.010)
"""Elastic limit of wood pressed across the grain; beyond it the wood stays shortened, and shrinkage
cracks show it later. [-]  Source: Hoadley, in the same book, 0.5 to 1 %."""

COMPRESSION_YIELD_MIDDLE = (COMPRESSION_YIELD[0] * COMPRESSION_YIELD[1]) ** 0.5
"""Its middle, in the logarithm. [-]"""

HELD_SHARE = (0.6, 1.0)
"""Share of the movement that joints take away from a part that counts as held, `Part.restraint` 1:
ribs and glue give way a little. [-]  Ours: no measurement is published for a violin's plates."""

HELD_SHARE_MIDDLE = sum(HELD_SHARE) / 2


def share_of_yield(
    stretch: ArrayLike, compression_yield: ArrayLike = COMPRESSION_YIELD_MIDDLE
) -> Floats:
    """Strain of held wood as a share of the strain at which it yields: 1 at the limit. [-]

    Parameters
    ----------
    stretch : float or array_like
        Above 0 where the wood is stretched, held while it dries; below 0 where it is pressed, held
        while it swells. [-]
    compression_yield : float or array_like, broadcast
        Within `COMPRESSION_YIELD`. [-]

    Raises
    ------
    OutOfRange

    Notes
    -----
    Stretched wood yields at `YIELD_STRAIN`; pressed wood bears more, `compression_yield`.

    Examples
    --------
    >>> share_of_yield([0.004, -0.004], 0.008).tolist()
    [1.0, 0.5]
    """
    strain = checked("stretch", stretch, "")
    limit = checked("compression_yield", compression_yield, "", *COMPRESSION_YIELD)
    return np.asarray(np.where(strain >= 0, strain / YIELD_STRAIN, -strain / limit))[()]
