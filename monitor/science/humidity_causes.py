"""Causes of a change of relative humidity: temperature, and the water in the air."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange
from monitor.science.air import vapour_pressure
from monitor.science.saturation import saturation_vapour_pressure
from monitor.science.wood import equilibrium_moisture_content

MIDDLE = (10.0, 90.0)
"""Percentiles between which the spread is taken, so that one odd value does not make it."""


class HumiditySpread(NamedTuple):
    """Spread of relative humidity over a span, and what each cause alone would have made. [%]

    `by_temperature`: with the mean water and the temperatures as they were. `by_water`: at the
    mean temperature with the water as it was. The two need not add up: they may work against each
    other.
    """

    whole: float
    by_temperature: float
    by_water: float


def humidity_spread(temp_c: ArrayLike, rh_pct: ArrayLike) -> HumiditySpread:
    """Spread of RH from the 10th to the 90th percentile, and that of each cause alone.

    Parameters
    ----------
    temp_c : array_like of shape (n,)
        Air temperature, −45 to 60. [°C]
    rh_pct : array_like of shape (n,)
        Relative humidity over liquid water, above 0, up to 100, at the same times. [%]

    Raises
    ------
    OutOfRange
        If a value lies outside these ranges, or there are fewer than two.

    Notes
    -----
    h = e/e_w(t). The water is held at the mean of e, the temperature at the mean of t.

    Examples
    --------
    Air that is only warmed and cooled, from 16 to 20 °C with 900 Pa of vapour in it:

    >>> import numpy as np
    >>> t = np.linspace(16.0, 20.0, 9)
    >>> found = humidity_spread(t, 100 * 900 / saturation_vapour_pressure(t))
    >>> round(found.whole, 1), round(found.by_temperature, 1), round(found.by_water, 1)
    (8.8, 8.8, 0.0)
    """
    t, rh = np.atleast_1d(np.asarray(temp_c, float)), np.atleast_1d(np.asarray(rh_pct, float))
    e, e_w = vapour_pressure(t, rh), saturation_vapour_pressure(t)
    if t.size < 2:
        raise OutOfRange("number of values", t.size, "", 2, None)

    def spread(values: NDArray[np.float64]) -> float:
        low, high = np.percentile(values, MIDDLE)
        return float(high - low)

    mean_e_w = saturation_vapour_pressure(float(t.mean()))
    return HumiditySpread(spread(rh), spread(100 * e.mean() / e_w), spread(100 * e / mean_e_w))


class MoistureSpread(NamedTuple):
    """Spread of the moisture that wood would settle at over a span, and what each cause alone would
    have made. [%]"""

    whole: float
    by_temperature: float
    by_humidity: float


def moisture_spread(temp_c: ArrayLike, rh_pct: ArrayLike) -> MoistureSpread:
    """Spread of equilibrium moisture content from the 10th to the 90th percentile, and that at the
    mean RH with the temperatures as they were, and at the mean temperature with RH as it was.

    Parameters
    ----------
    temp_c : array_like of shape (n,)
        Air temperature, −20 to 132.2. [°C]
    rh_pct : array_like of shape (n,)
        Relative humidity over liquid water, 0 to 100, at the same times. [%]

    Raises
    ------
    OutOfRange
        If a value lies outside these ranges.

    Examples
    --------
    A room at one temperature: all of it comes from RH.

    >>> import numpy as np
    >>> found = moisture_spread(np.full(11, 20.0), np.linspace(40.0, 60.0, 11))
    >>> round(found.whole, 1), round(found.by_temperature, 1), round(found.by_humidity, 1)
    (2.6, 0.0, 2.6)
    """
    t, rh = np.atleast_1d(np.asarray(temp_c, float)), np.atleast_1d(np.asarray(rh_pct, float))

    def spread(at_c: NDArray[np.float64], at_pct: NDArray[np.float64]) -> float:
        low, high = np.percentile(equilibrium_moisture_content(at_c, at_pct), MIDDLE)
        return float(high - low)

    return MoistureSpread(
        spread(t, rh), spread(t, np.full_like(t, rh.mean())), spread(np.full_like(t, t.mean()), rh)
    )
