"""Moist air from temperature and relative humidity: vapour, dew, frost, wet bulb.

Relative humidity is over liquid water at every temperature. Heating or cooling at constant
pressure keeps the vapour pressure, the dew point and the humidity ratio; it changes the relative
humidity and the absolute humidity.

Ranges, shared by all: `temp_c` −45 to 60 °C, `rh_pct` 0 to 100 % (above 0 where a logarithm of
it is taken), `pressure_pa` 30 000 to 110 000 Pa. Outside them `OutOfRange` is raised; NaN passes.
The arguments broadcast; the result has the broadcast shape, or is a float for scalars.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.ranges import Floats, checked, in_blocks
from monitor.science.saturation import (
    KELVIN,
    ice_temperature,
    ln_ice,
    ln_ice_slope,
    ln_water,
    ln_water_slope,
    water_temperature,
)

TEMP_C = (-45.0, 60.0)
"""Range of the air temperature: that of WMO-No. 8, Annex 4.B, over water. [°C]"""

RH_PCT = (0.0, 100.0)
"""Range of the relative humidity. [%]"""

PRESSURE_PA = (30_000.0, 110_000.0)
"""Range of the barometric pressure, about 9 km to below sea level. [Pa]  Ours."""

STANDARD_PRESSURE_PA = 101_325.0
"""Standard atmosphere at sea level. [Pa]"""

MASS_RATIO = 0.621945
"""Molar mass of water over that of dry air. [-]  Source: ASHRAE Handbook—Fundamentals (2017),
ch. 1, eq. 20. Second-hand: PsychroLib's source."""

R_VAPOUR = 461.52
"""Gas constant of water vapour. [J/(kg K)]  Source: a public building-simulation reference,
after ASHRAE. Second-hand."""

_LN_100 = float(np.log(100.0))


def _temp(temp_c: ArrayLike) -> Floats:
    return checked("temp_c", temp_c, "°C", *TEMP_C)


def _rh(rh_pct: ArrayLike, *, low_open: bool = False) -> Floats:
    return checked("rh_pct", rh_pct, "%", *RH_PCT, low_open=low_open)


def _pressure(pressure_pa: ArrayLike) -> Floats:
    return checked("pressure_pa", pressure_pa, "Pa", *PRESSURE_PA)


def _vapour(t: Floats, rh: Floats) -> Floats:
    """e = h e_w(t). [Pa]"""
    return np.exp(ln_water(t)) * (rh / 100)


def _ln_vapour(t: Floats, rh: Floats) -> Floats:
    """ln(e/Pa), without the exponential and its inverse."""
    return ln_water(t) + (np.log(rh) - _LN_100)  # rh / 100 could round to 0, rh cannot


def _ratio(e: Floats, p: Floats) -> Floats:
    """W = ε e/(p − e), ASHRAE Fundamentals 2017, ch. 1, eq. 20. [kg/kg]"""
    return MASS_RATIO * e / (p - e)


def vapour_pressure(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Partial pressure of the water vapour in the air. [Pa]

    e = h e_w(t), by the definition of relative humidity (WMO-No. 8, Annex 4.A; from memory).
    Ranges, errors and shapes: see the module.

    >>> round(float(vapour_pressure(20.0, 50.0)), 1)
    1169.4
    """
    return in_blocks(_vapour, _temp(temp_c), _rh(rh_pct))


def vapour_pressure_deficit(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Vapour pressure missing to saturation: it drives water out of glue and wood. [Pa]

    e_w(t) − e. Ranges, errors and shapes: see the module.

    >>> round(float(vapour_pressure_deficit(20.0, 30.0)), 1)
    1637.2
    """
    return in_blocks(lambda t, rh: _vapour(t, 100 - rh), _temp(temp_c), _rh(rh_pct))


def dew_point(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Temperature to which air must cool, at constant pressure, to be saturated over water.

    Parameters
    ----------
    temp_c : float or array_like
        Air temperature, −45 to 60. [°C]
    rh_pct : float or array_like, broadcast against `temp_c`
        Relative humidity over liquid water, above 0, up to 100. [%]

    Returns
    -------
    float or ndarray of the broadcast shape
        Dew point, never above `temp_c`. [°C]  NaN where an input is NaN, and where the dew
        point would lie below −100 °C, the end of every formula over water.

    Raises
    ------
    OutOfRange
        If any value lies outside the ranges above.

    Notes
    -----
    Solves e_w(t_d) = h e_w(t) on the curve of `saturation_vapour_pressure` [1]_, [2]_, to 1e-6 K,
    or 3e-6 K below −80 °C; at 100 % it is `temp_c` exactly.
    Below 0 °C this is the dew point over supercooled water, not the frost point, which is higher.
    From 0 to 60 °C and 1 to 100 % RH it is within 0.0001 K of the ASHRAE curve as PsychroLib
    solves it, where that is over water; below 0 °C within 0.004 K of Sonntag's.

    References
    ----------
    .. [1] Hyland, Wexler, ASHRAE Trans. 89(2A), 1983. Second-hand: see `saturation.py`.
    .. [2] Sonntag, Z. Meteorol. 40, 1990. From memory.

    Examples
    --------
    >>> round(float(dew_point(25.0, 80.0)), 1)
    21.3
    """

    def formula(t: Floats, rh: Floats) -> Floats:
        # Rounding must not put it above the air, nor off the air's temperature at saturation.
        t_d = np.minimum(water_temperature(_ln_vapour(t, rh)), t)
        return np.where(rh == 100, t, t_d)

    return in_blocks(formula, _temp(temp_c), _rh(rh_pct, low_open=True))


def frost_point(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Temperature of a surface on which frost just begins to grow. [°C]

    Solves e_i(t_f) = h e_w(t) with IAPWS R14-08(2011) over ice (from memory, see
    `saturation.ln_ice`), to 1e-9 K. Arguments and errors as in `dew_point`; `rh_pct`
    is over liquid water, also below 0 °C. NaN where an input is NaN, where the vapour pressure is
    above that of the triple point, 611.657 Pa (dew forms, not frost), and below −100 °C. Where
    both exist below 0 °C it lies above the dew point, and above `temp_c` itself in air
    supersaturated over ice.

    >>> round(float(frost_point(-10.0, 80.0)), 2)
    -11.41
    """
    return in_blocks(
        lambda t, rh: ice_temperature(_ln_vapour(t, rh)), _temp(temp_c), _rh(rh_pct, low_open=True)
    )


def absolute_humidity(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Mass of water vapour in a volume of air. [g/m³]

    1000 e/(R_v T), ideal gas. It changes when air is heated, though no water is lost: carry
    `humidity_ratio` or `vapour_pressure` across a change of temperature instead. Ranges, errors
    and shapes: see the module.

    >>> round(float(absolute_humidity(20.0, 50.0)), 2)
    8.64
    """
    return in_blocks(
        lambda t, rh: _vapour(t, rh) * (1000 / R_VAPOUR) / (t + KELVIN), _temp(temp_c), _rh(rh_pct)
    )


def humidity_ratio(
    temp_c: ArrayLike, rh_pct: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Floats:
    """Mass of water vapour per mass of dry air. [kg/kg]

    W = 0.621945 e/(p − e), ASHRAE Handbook—Fundamentals (2017), ch. 1, eq. 20; second-hand:
    PsychroLib's source. Ranges, errors and shapes: see the module.

    >>> round(float(humidity_ratio(20.0, 50.0)), 6)
    0.007262
    """
    return in_blocks(
        lambda t, rh, p: _ratio(_vapour(t, rh), p),
        _temp(temp_c),
        _rh(rh_pct),
        _pressure(pressure_pa),
    )


def relative_humidity(temp_c: ArrayLike, dew_point_c: ArrayLike) -> Floats:
    """Relative humidity of air whose dew point is known: the inverse of `dew_point`. [%]

    100 e_w(t_d)/e_w(t), over liquid water; `dew_point_c` −100 to 60 °C. The result is above 100
    where the dew point is above the air temperature: it is not clamped.

    >>> round(float(relative_humidity(20.0, 9.27)), 1)
    50.0
    """
    t_d = checked("dew_point_c", dew_point_c, "°C", -100, 60)
    return in_blocks(lambda t, t_d: 100 * np.exp(ln_water(t_d) - ln_water(t)), _temp(temp_c), t_d)


def relative_humidity_at(temp_c: ArrayLike, rh_pct: ArrayLike, new_temp_c: ArrayLike) -> Floats:
    """Relative humidity of the same air once its temperature is `new_temp_c`. [%]

    100 e/e_w(t_new): at constant pressure, with no water added or lost. Cooled below its dew point
    it comes out above 100: that much would condense. Both temperatures −45 to 60 °C.

    >>> round(float(relative_humidity_at(0.0, 80.0, 20.0)), 1)
    20.9
    """
    new = checked("new_temp_c", new_temp_c, "°C", *TEMP_C)
    return in_blocks(
        lambda t, rh, new: rh * np.exp(ln_water(t) - ln_water(new)),
        _temp(temp_c),
        _rh(rh_pct),
        new,
    )


def pressure_at_altitude(altitude_m: ArrayLike) -> Floats:
    """Pressure of the standard atmosphere, −500 to 9000 m above sea level. [Pa]

    101325 (1 − 2.25577e-5 z)^5.2559, ASHRAE Handbook—Fundamentals (2017), ch. 1, eq. 3; from
    memory. The weather moves the real pressure by some ±3 %.

    >>> round(float(pressure_at_altitude(600.0)))
    94322
    """
    z = checked("altitude_m", altitude_m, "m", -500, 9000)
    return in_blocks(lambda z: STANDARD_PRESSURE_PA * (1 - 2.25577e-5 * z) ** 5.2559, z)


class _Bulb(NamedTuple):
    """Constants of a wet or iced bulb's heat balance, ASHRAE eq. 33 (water) or 35 (ice):

    W (L − c t* + 1.86 t) = (L + k t*) W_s(t*) − 1.006 (t − t*)
    """

    latent: float  # L, kJ/kg
    latent_slope: float  # k, kJ/(kg K)
    specific_heat: float  # c, kJ/(kg K)
    warmest: float  # °C
    ln_pressure: Callable[[Floats], Floats]
    ln_pressure_slope: Callable[[Floats], Floats]


_WATER_BULB = _Bulb(2501.0, -2.326, 4.186, TEMP_C[1], ln_water, ln_water_slope)
_ICE_BULB = _Bulb(2830.0, -0.24, 2.1, 0.0, ln_ice, ln_ice_slope)

MOST_STEPS = 20
"""Most Newton steps of the wet bulb. [-]  Ours: eight come within 2e-9 K, even at 30 000 Pa."""


def wet_bulb(
    temp_c: ArrayLike, rh_pct: ArrayLike, pressure_pa: ArrayLike = STANDARD_PRESSURE_PA
) -> Floats:
    """Temperature that evaporating water reaches in this air: how cold a wet surface can get.

    Parameters
    ----------
    temp_c, rh_pct : float or array_like
        Air temperature, −45 to 60 [°C], and relative humidity over liquid water, 0 to 100 [%].
    pressure_pa : float or array_like
        Barometric pressure, 30 000 to 110 000. [Pa]

    Returns
    -------
    float or ndarray of the broadcast shape
        Thermodynamic wet-bulb temperature, never above `temp_c`. [°C]  NaN where an input is NaN.

    Raises
    ------
    OutOfRange
        If any value lies outside the ranges above.

    Notes
    -----
    ASHRAE's eq. 33 over water, eq. 35 over ice [1]_, solved by Newton's method to 1e-9 K. Where
    the result is below 0 °C the bulb carries ice. Just below 0 °C both a wet and an iced bulb
    balance, 0.7 K apart at sea level; the wet one is taken wherever it is at 0 °C or above. Air
    supersaturated over ice would warm an iced bulb above the air: the result is then `temp_c`.
    The meteorologists' wet bulb follows a saturated adiabat and is up to 1.2 K lower.

    References
    ----------
    .. [1] ASHRAE Handbook—Fundamentals (2017), ch. 1, eq. 33 and 35. Second-hand: PsychroLib's
       source.

    Examples
    --------
    >>> round(float(wet_bulb(20.0, 50.0)), 2)
    13.78
    """
    return in_blocks(_wet_bulb, _temp(temp_c), _rh(rh_pct), _pressure(pressure_pa))


def _wet_bulb(t: Floats, rh: Floats, p: Floats) -> Floats:
    t, rh, p = np.broadcast_arrays(t, rh, p)
    w = _ratio(_vapour(t, rh), p)
    # The humidity ratio at which a wet bulb is at 0 °C: eq. 33 with t* = 0. Drier is frozen.
    w_s = _ratio(np.exp(ln_water(np.zeros(1))), p)
    frozen = w < (2501 * w_s - 1.006 * t) / (2501 + 1.86 * t)
    result = np.empty(t.shape)
    for bulb, rows in ((_WATER_BULB, ~frozen), (_ICE_BULB, frozen)):
        if rows.any():
            result[rows] = _bulb_temperature(bulb, t[rows], w[rows], p[rows])
    return np.minimum(result, t)


def _bulb_temperature(bulb: _Bulb, t: Floats, w: Floats, p: Floats) -> Floats:
    """The root of the heat balance: convex and rising, so Newton's steps down cannot miss it."""
    latent, k, c = bulb.latent, bulb.latent_slope, bulb.specific_heat
    t_s = np.minimum(t, bulb.warmest)
    for _ in range(MOST_STEPS):
        e_s = np.exp(bulb.ln_pressure(t_s))
        w_s = _ratio(e_s, p)
        balance = (latent + k * t_s) * w_s - 1.006 * (t - t_s) - w * (latent + 1.86 * t - c * t_s)
        rise = (
            k * w_s
            + (latent + k * t_s) * w_s * bulb.ln_pressure_slope(t_s) * p / (p - e_s)
            + 1.006
            + w * c
        )
        step = balance / rise
        t_s = t_s - step
        if not (np.abs(step) > 1e-10).any():
            break
    return t_s
