"""Saturation vapour pressure over liquid water and over ice, and the temperatures it belongs to.

Over liquid water one curve serves everywhere: Hyland and Wexler from 0 °C up, Sonntag over
supercooled water below. The two differ by 6e-8 of the pressure at 0 °C; Sonntag's is shifted by
that much, so the joined curve and its inverse have no step. Below 0 °C relative humidity counts
over liquid water, as WMO-No. 8 has it and as humidity sensors are made; ice matters only to frost.

Everything works in ln(e), so that the inverse needs no exponential.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.ranges import Floats, checked, in_blocks

KELVIN = 273.15
"""0 °C. [K]"""

WATER_C = (-100.0, 60.0)
"""Range of the curve over water: Sonntag's lower end, and the claim of this package. [°C]"""

ICE_C = (-100.0, 0.01)
"""Range of the curve over ice; the formula itself goes down to 50 K. [°C]"""

TRIPLE_POINT_PA = 611.657
"""Vapour pressure at 273.16 K, where ice, water and vapour meet. [Pa]  Source: IAPWS R14-08."""

HYLAND_WEXLER = (-5800.2206, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673)
"""ln(e/Pa) = c0/T + c1 + c2 T + c3 T² + c4 T³ + c5 ln T, T in K; 0 to 200 °C, over water.
Source: Hyland, Wexler, ASHRAE Trans. 89(2A), 1983; ASHRAE Fundamentals 2017, ch. 1, eq. 6.
Second-hand: two independent public listings."""

SONNTAG = (-6096.9385, 21.240964186, -2.711193e-2, 1.673952e-5, 0.0, 2.433502)
"""The same form, over water, −100 to 100 °C; c1 is Sonntag's 16.635794 (hPa) + ln 100.
Source: Sonntag, Z. Meteorol. 40, 1990. From memory, checked in the tests against three others."""

ICE_A = (-21.2144006, 27.3203819, -6.10598130)
ICE_B = (0.00333333333, 1.20666667, 1.70333333)
"""ln(e/611.657 Pa) = Σ a θ^(b − 1), θ = T/273.16 K. [-]  Source: IAPWS R14-08(2011), eq. 6.
From memory, checked in the tests against iapws."""

MAGNUS_ICE = (611.2, 22.46, 272.62)
"""e = A exp(B t/(C + t)), a starting value. [Pa], [-], [°C]  Source: WMO-No. 8, Annex 4.B, after
Sonntag 1990. Second-hand: as quoted in public code."""

_START = (13.764761, -0.07637, -0.001098, -0.062169)
"""Starting value of `water_temperature`: t = g (s0 + s1 g + s2 g²)/(1 + s3 g), g = ln(e/e(0 °C)).
Ours: a least-squares fit to the curve above, within 0.0015 K from −100 to 60 °C."""


def _ln_pressure(c: Sequence[float], t: Floats, ln_t: Floats) -> Floats:
    """The common form of both curves over water. T in K."""
    return c[0] / t + c[1] + t * (c[2] + t * (c[3] + t * c[4])) + c[5] * ln_t


def _slope(c: Sequence[float], t: Floats) -> Floats:
    """d/dT of the common form. [1/K]"""
    return (c[5] - c[0] / t) / t + c[2] + t * (2 * c[3] + t * (3 * c[4]))


_LN_KELVIN = float(np.log(KELVIN))
_DIFFERENCE = [s - hw for s, hw in zip(SONNTAG, HYLAND_WEXLER, strict=True)]
_DIFFERENCE[1] -= float(_ln_pressure(_DIFFERENCE, np.array(KELVIN), np.array(_LN_KELVIN)))
"""Sonntag less Hyland and Wexler, a curve of the same form, shifted to be 0 at 0 °C."""


def ln_water(temp_c: Floats) -> Floats:
    """ln(e/Pa) of saturation over liquid water, unchecked, for the blocks of a formula.

    Below 0 °C the difference leads from Hyland and Wexler to Sonntag; above, it rests at 0.
    """
    t = temp_c + KELVIN
    ln_t = np.log(t)
    ln_e = _ln_pressure(HYLAND_WEXLER, t, ln_t)
    if not t.min() >= KELVIN:
        ln_e += _ln_pressure(_DIFFERENCE, np.minimum(t, KELVIN), np.minimum(ln_t, _LN_KELVIN))
    return ln_e


def ln_water_slope(temp_c: Floats) -> Floats:
    """d ln(e)/dt over liquid water, unchecked. [1/K]"""
    t = temp_c + KELVIN
    return _slope(HYLAND_WEXLER, t) + np.where(t < KELVIN, _slope(_DIFFERENCE, t), 0.0)


_LN_FREEZING, _LN_LOWEST = ln_water(np.array([0.0, WATER_C[0]])).tolist()


def water_temperature(ln_e: Floats) -> Floats:
    """The inverse of `ln_water`: the dew point. [°C]  NaN below −100 °C, where no formula reaches.

    One step of Newton's method. The starting value is so near that Hyland and Wexler's slope
    serves below 0 °C as well, where it is up to 0.2 % off. Within 2e-9 K of the exact root from
    0 °C up, 8e-7 K down to −80 °C, 3e-6 K down to −100 °C.
    """
    s0, s1, s2, s3 = _START
    g = ln_e - _LN_FREEZING
    if not g.min() >= _LN_LOWEST - _LN_FREEZING:
        g = np.where(ln_e < _LN_LOWEST, np.nan, g)
    start = g * (s0 + g * (s1 + g * s2)) / (1 + s3 * g)
    return start + (ln_e - ln_water(start)) / _slope(HYLAND_WEXLER, start + KELVIN)


def ln_ice(temp_c: Floats) -> Floats:
    """ln(e/Pa) of saturation over ice, unchecked."""
    theta = (temp_c + KELVIN) / 273.16
    terms = sum(a * theta ** (b - 1) for a, b in zip(ICE_A, ICE_B, strict=True))
    return np.log(TRIPLE_POINT_PA) + terms


def ln_ice_slope(temp_c: Floats) -> Floats:
    """d ln(e)/dt over ice, unchecked. [1/K]"""
    theta = (temp_c + KELVIN) / 273.16
    terms = [a * (b - 1) * theta ** (b - 2) for a, b in zip(ICE_A, ICE_B, strict=True)]
    return np.asarray(sum(terms)) / 273.16


def ice_temperature(ln_e: Floats) -> Floats:
    """The inverse of `ln_ice`: the frost point. [°C]  NaN above the triple point, below −100 °C.

    Newton's method from Magnus' formula, which is at most 0.3 K off; two steps reach 1e-9 K.
    """
    a, b, c = MAGNUS_ICE
    low, high = ln_ice(np.array(ICE_C))
    g = np.where((ln_e < low) | (ln_e > high), np.nan, ln_e - np.log(a))
    t = c * g / (b - g)
    for _ in range(2):
        t = t + (ln_e - ln_ice(t)) / ln_ice_slope(t)
    return t


def saturation_vapour_pressure(temp_c: ArrayLike) -> Floats:
    """Vapour pressure of air saturated over liquid water, supercooled below 0 °C.

    Parameters
    ----------
    temp_c : float or array_like
        Air temperature, −100 to 60. [°C]

    Returns
    -------
    float or ndarray of the shape of `temp_c`
        Vapour pressure. [Pa]  NaN where the input is NaN.

    Raises
    ------
    OutOfRange
        If any value lies outside the range above.

    Notes
    -----
    From 0 °C up Hyland and Wexler's equation [1]_, below it Sonntag's [2]_ shifted by 6e-8.
    Agrees with IAPWS-97 within 0.02 % from 0 to 60 °C. Over supercooled water the published curves
    part as it gets colder: Murphy and Koop's (2005) is 0.1 % lower at −18 °C, 1.2 % at −45 °C.
    No enhancement factor: pure vapour.

    References
    ----------
    .. [1] Hyland, Wexler, ASHRAE Trans. 89(2A), 1983, 500-519; ASHRAE Handbook—Fundamentals
       (2017), ch. 1, eq. 6. Second-hand: two independent public listings.
    .. [2] Sonntag, Z. Meteorol. 40, 1990, 340-344. From memory.

    Examples
    --------
    >>> round(float(saturation_vapour_pressure(20.0)), 1)
    2338.8
    """
    t = checked("temp_c", temp_c, "°C", *WATER_C)
    return in_blocks(lambda t: np.exp(ln_water(t)), t)
