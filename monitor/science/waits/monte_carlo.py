"""Monte Carlo draws of the unknowns of a wait: the usual time, the threshold, the sensor."""

from __future__ import annotations

from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.science.ranges import Floats, checked


class SensorUncertainty(NamedTuple):
    """Expanded uncertainty of a place's sensor, coverage factor 2. [K], [% RH]

    Common practice, no source (the sheets of ordinary shop sensors).
    """

    u_temp_k: float = 0.3
    u_rh_pct: float = 2.0


ORDINARY_SENSOR = SensorUncertainty()


class WaitDraws(NamedTuple):
    """Standard normal scores, each of shape (draws,); the sensor's error is the same all along."""

    basis: Floats
    law: Floats
    temp_k: Floats
    rh_pct: Floats


def latin_hypercube(count: int, sensor: SensorUncertainty, seed: int) -> WaitDraws:
    """A Latin hypercube of `count` draws: each margin is the normal distribution itself.

    Raises
    ------
    OutOfRange
        If `count` is not 1 to 100 000, or an uncertainty is negative.
    """
    checked("draws", count, "", 1, 100_000)
    u_temp = float(checked("u_temp_k", sensor.u_temp_k, "K", 0))
    u_rh = float(checked("u_rh_pct", sensor.u_rh_pct, "%", 0))
    normal = NormalDist()
    scores = np.array([normal.inv_cdf((i + 0.5) / count) for i in range(count)])
    random = np.random.default_rng(seed)
    columns = [random.permutation(scores) for _ in range(4)]
    return WaitDraws(columns[0], columns[1], columns[2] * u_temp / 2, columns[3] * u_rh / 2)
