"""Time of a first-order relaxation: the formula that glue and drying wood share."""

from __future__ import annotations

import numpy as np

from monitor.science.ranges import Floats

AT_THE_LIMIT = 1e-6
"""A drive this close to the threshold counts as on it. [as the state]  Ours: keeps the logarithm
away from 0."""


def relaxation_rate(start: float, threshold: float, reference: float, drive: Floats) -> Floats:
    """Rate of a constant drive at φ = 1, relative to the reference drive. [-]

    L(reference)/L(drive), L(d) = ln[(start − d)/(threshold − d)]; 0 where the drive is at or
    above the threshold, NaN where it is NaN.

    >>> round(float(relaxation_rate(1.0, 0.8, 0.5, np.array(0.6))), 3)
    0.737
    """
    drive = np.asarray(drive, dtype=np.float64)
    gets_there = drive < threshold - AT_THE_LIMIT
    d = np.where(gets_there, drive, threshold - 1)
    rate = span(start, threshold, reference) / np.log((start - d) / (threshold - d))
    return np.where(np.isnan(drive), np.nan, np.where(gets_there, rate, 0.0))


def span(start: float, threshold: Floats | float, reference: float) -> float | Floats:
    """k times the time from start to threshold in reference air. [-]"""
    result = np.log((start - reference) / (np.asarray(threshold) - reference))
    return float(result) if result.ndim == 0 else result
