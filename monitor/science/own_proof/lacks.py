"""Reasons why an experiment concludes nothing yet."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

import numpy as np

from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import Floats

LOW, HIGH = 0.1, 0.9
"""Quantiles of every range. [-]"""


class Lack(StrEnum):
    """Reason why nothing is concluded."""

    MEASUREMENTS = "measurements"
    AIR = "air"
    """The log of the place has gaps."""
    TIME = "time"
    """They lie too close together."""
    CHANGE = "change"
    """Too little changed while it was measured: the range is too wide to be of use."""
    SOFT = "soft"
    """No joint was soft: the limit has no end on this side."""
    HELD = "held"
    """No joint held: the limit has no end on this side."""
    DIFFERENCE = "difference"
    """Case and room are too alike for their sensors."""


class Lacks(NamedTuple):
    """Reasons why nothing is concluded, with the number of measurements still needed."""

    measurements: int = 0
    reasons: tuple[Lack, ...] = ()


def range_of(values: Floats, weights: Floats) -> QuantileRange:
    """10 %, median and 90 % of weighted values."""
    order = np.argsort(values, axis=None)
    v, w = values.ravel()[order], weights.ravel()[order]
    cumulative = (np.cumsum(w) - w / 2) / w.sum()
    return QuantileRange(*np.interp((LOW, 0.5, HIGH), cumulative, v).tolist())
