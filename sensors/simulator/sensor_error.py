"""Errors of a simulated sensor: an offset, a slow drift, noise, and rounding."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.core.measurements import Quantity
from sensors.simulator.random_numbers import normal, uniform

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sensors.simulator.random_numbers import Seed

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]


class SimulatedError(NamedTuple):
    """Errors of a sensor, in the unit of its quantity.

    A fixed offset of up to ±`offset`, a drift wandering within ±`drift` over a year or two, noise
    of standard deviation `noise`, and `digits` decimals. Common practice, no source (ordinary shop
    sensors).
    """

    offset: float
    drift: float
    noise: float
    digits: int


SENSOR_ERRORS = {
    Quantity.TEMPERATURE: SimulatedError(0.2, 0.1, 0.05, 2),
    Quantity.HUMIDITY: SimulatedError(1.5, 0.7, 0.3, 2),
    Quantity.PRESSURE: SimulatedError(60.0, 20.0, 4.0, 0),
}


def sensor_readings(
    seed: Seed,
    name: str,
    quantity: Quantity,
    true: Floats,
    ts_ms: Times,
    share: float | Floats = 1.0,
    step: float | Floats = 0.0,
) -> Floats:
    """Readings of sensors where `true` is the truth.

    Parameters
    ----------
    seed : int or tuple of int
        Of one sensor, or of each.
    name : str
        What is drawn for it is keyed by this and the quantity.
    quantity : Quantity
    true : ndarray of shape (n,), or (n, sensors)
        In the unit of the quantity.
    ts_ms : ndarray of that shape
        [ms since 1970-01-01 UTC]
    share : float or ndarray of shape (sensors,)
        Its error as a share of that of `SENSOR_ERRORS`. [-]
    step : float or ndarray of shape (sensors,)
        The least difference it knows, in the unit of the quantity; 0: that of its last digit.
    """
    error = SENSOR_ERRORS[quantity]
    key = f"{name}/{quantity}" if name else str(quantity)
    offset, phase, period_y = uniform(seed, f"{key}/made", np.arange(3)[:, None])
    turns = ts_ms / (86_400_000 * 365.2425 * (1.2 + period_y)) + phase
    read = (
        true
        + share * error.offset * (2 * offset - 1)
        + share * error.drift * np.sin(2 * np.pi * turns)
        + share * error.noise * normal(seed, key, ts_ms)
    )
    if quantity is Quantity.HUMIDITY:
        read = np.clip(read, 1.0, 100.0)  # where these sensors stop
    if np.any(step):
        read = np.where(step, np.round(read / np.where(step, step, 1.0)) * step, read)
    result: Floats = np.round(read, error.digits)
    return result
