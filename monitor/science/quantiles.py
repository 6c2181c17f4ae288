"""Quantiles of draws or members, and the range from 10 to 90 %."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.ranges import Floats


class QuantileRange(NamedTuple):
    """10 %, 50 % and 90 % of draws or members."""

    low: float
    median: float
    high: float


def quantile(values: Floats, share: float) -> Floats:
    """Quantile along the last axis, linear between draws; infinite where the upper one is."""
    ordered = np.sort(values, axis=-1)
    place = share * (ordered.shape[-1] - 1)
    low = int(place)
    high = min(low + 1, ordered.shape[-1] - 1)
    below, above = ordered[..., low], ordered[..., high]
    part = place - low
    with np.errstate(invalid="ignore"):
        between = below + (above - below) * part
    return np.where(np.isfinite(above), between, below if part == 0 else above)


def quantile_range(values: Floats) -> QuantileRange:
    """Range over draws or members, the last axis of `values` (M,)."""
    return QuantileRange(*(float(quantile(values, share)) for share in (0.1, 0.5, 0.9)))
