"""Open time of hot hide glue: how long a thin film stays open on wood before it gels.

What is physics: the film gels once it has cooled from the pot to the gel's region. What is
simplification: one first-order cooling towards the wood, scaled to the range of practice tables at
20 °C. Gram strength, ratio, film thickness and species are not in it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from monitor.science.ranges import checked

POT_TEMP_C = 60.0
"""Temperature of the glue as it is spread. [°C]  Published consensus: never boiled."""
GEL_TEMP_C = (30.0, 35.0)
"""Region in which the gel of mammalian glue sets and melts. [°C]  Weak source, and from memory."""
CHILLED_TEMP_C = 15.0
"""Parts colder than this are likely to chill hot glue before the joint is closed. [°C]  Common
practice, no source."""
AT_REFERENCE_S = (20.0, 120.0)
"""Open time of a thin film on unwarmed wood at 20 °C. [s]  Practice tables: tens of seconds to about
two minutes."""
REFERENCE_TEMP_C = 20.0
STATUS = "practice tables at 20 °C, scaled by cooling (ours)"
"""Status of the range."""


class OpenTime(NamedTuple):
    """Range of an open time; infinite where the glue may not gel. [s]"""

    low_s: float
    high_s: float


def open_time(parts_temp_c: float) -> OpenTime:
    """Range of the open time of hot hide glue on parts of a temperature.

    Parameters
    ----------
    parts_temp_c : float
        Temperature of the wood, −30 to 60. [°C]

    Returns
    -------
    OpenTime
        t(T)/t(20) = L(T)/L(20) with L(T) = ln[(60 − T)/(T_gel − T)], the low end with a gel at
        35 °C, the high end with one at 30 °C.

    Raises
    ------
    OutOfRange
        If the temperature is outside the range above.

    Examples
    --------
    >>> [round(s) for s in open_time(20.0)], [round(s) for s in open_time(12.0)]
    ([20, 120], [15, 85])
    >>> open_time(32.0).high_s
    inf
    """
    t = float(checked("parts_temp_c", parts_temp_c, "°C", -30, 60))
    low, high = (
        s * _cooling(t, gel) / _cooling(REFERENCE_TEMP_C, gel)
        for s, gel in zip(AT_REFERENCE_S, reversed(GEL_TEMP_C), strict=True)
    )
    return OpenTime(low, high)


def _cooling(temp_c: float, gel_temp_c: float) -> float:
    """Time to cool from the pot to the gel, in time constants; infinite where it never does. [-]"""
    if temp_c >= gel_temp_c:
        return math.inf
    return math.log((POT_TEMP_C - temp_c) / (gel_temp_c - temp_c))
