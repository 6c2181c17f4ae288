"""Everything that can be derived from temperature and relative humidity, in one table.

The board offers all of it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.science import air, wood
from monitor.science.air import PRESSURE_PA, RH_PCT, STANDARD_PRESSURE_PA
from monitor.science.ranges import Floats


class Derived(NamedTuple):
    """A quantity that follows from temperature and relative humidity, and pressure if needed."""

    function: Callable[..., Floats]
    symbol: str
    unit: str
    source: str
    temp_c: tuple[float, float] = air.TEMP_C
    """Range of the air temperature. [°C]"""
    above_zero_rh: bool = False
    """Whether relative humidity must be above 0; it is at most 100 in any case. [%]"""
    needs_pressure: bool = False


_OVER_WATER = "Hyland, Wexler 1983 from 0 °C up; Sonntag 1990 below"
_ASHRAE = "ASHRAE Handbook—Fundamentals (2017), ch. 1"
_FROST = f"IAPWS R14-08(2011) over ice; vapour: {_OVER_WATER}"
_RATIO = f"{_ASHRAE}, eq. 20; vapour: {_OVER_WATER}"
_BULB = f"{_ASHRAE}, eq. 33 and 35"
_EMC = "Wood Handbook, FPL-GTR-190 (2010), eq. 4-5"

DERIVED: dict[str, Derived] = {
    d.function.__name__: d
    for d in (
        Derived(air.dew_point, "t_d", "°C", _OVER_WATER, above_zero_rh=True),
        Derived(air.frost_point, "t_f", "°C", _FROST, above_zero_rh=True),
        Derived(air.absolute_humidity, "v", "g/m³", f"ideal gas; vapour: {_OVER_WATER}"),
        Derived(air.humidity_ratio, "W", "kg/kg", _RATIO, needs_pressure=True),
        Derived(air.vapour_pressure, "e", "Pa", _OVER_WATER),
        Derived(air.vapour_pressure_deficit, "e_w − e", "Pa", _OVER_WATER),
        Derived(air.wet_bulb, "t*", "°C", _BULB, needs_pressure=True),
        Derived(wood.equilibrium_moisture_content, "EMC", "%", _EMC, temp_c=wood.TEMP_C),
    )
}
"""By name. The name is the function's; the words on a page are the dashboard's."""


def derive(
    name: str, temp_c: ArrayLike, rh_pct: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Floats:
    """A quantity of `DERIVED` over a long history, for display only: it never refuses a value.

    A sensor near saturation reads above 100 % and that is what the store keeps. Here such a
    reading counts as 100, and a value the formula cannot take leaves a gap. To decide something
    (an alert, a waiting time), call the quantity's own function, which refuses.

    Parameters
    ----------
    name : str
        A key of `DERIVED`.
    temp_c, rh_pct, pressure_pa : float or array_like
        Air temperature [°C], relative humidity over liquid water [%], barometric pressure [Pa];
        any values. The pressure is not looked at, not even its shape, where it is not needed.

    Returns
    -------
    float or ndarray of the broadcast shape of what is needed
        In the quantity's unit. NaN where an input is NaN or outside the formula's range, except
        that a relative humidity above 100 counts as 100.

    Raises
    ------
    KeyError
        If `name` is not a key of `DERIVED`.

    Examples
    --------
    >>> round(float(derive("dew_point", 20.0, 104.0)), 6)
    20.0
    >>> derive("dew_point", [20.0, 75.0], 50.0).round(2)
    array([9.27,  nan])
    """
    quantity = DERIVED[name]
    t = _kept(temp_c, *quantity.temp_c)
    rh = _kept(np.minimum(np.asarray(rh_pct, dtype=np.float64), RH_PCT[1]), *RH_PCT)
    if quantity.above_zero_rh:
        rh = np.where(rh > 0, rh, np.nan)
    if quantity.needs_pressure:
        return quantity.function(t, rh, _kept(pressure_pa, *PRESSURE_PA))
    return quantity.function(t, rh)


def _kept(value: ArrayLike, low: float, high: float) -> Floats:
    """Values with NaN for everything outside the range."""
    array = np.asarray(value, dtype=np.float64)
    return np.where((array >= low) & (array <= high), array, np.nan)
