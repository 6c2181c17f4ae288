"""Moisture content of wood in balance with the air, and back.

One curve for all species, as the Wood Handbook uses it: about midway between drying and wetting.
Species, history and varnish are not in it; real wood lies within about ±1 % moisture content.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked, in_blocks

TEMP_C = (-20.0, (270 - 32) / 1.8)
"""Range of the temperature. [°C]  The table's warm end is 270 °F; the cold end is ours."""

TABLE_TEMP_LOW_C = (30 - 32) / 1.8
"""Cold end of the handbook's table, 30 °F, printed as −1.1. [°C]"""

TABLE_RH_HIGH_PCT = 95.0
"""Moist end of the handbook's table. [%]"""

MOST_STEPS = 60
"""Most steps of the inverse. [-]  Ours: halving alone would need 50 for 1e-15."""


class _Sorption(NamedTuple):
    """The temperature-dependent constants of Wood Handbook eq. 4-5, °C form."""

    w: Floats
    k: Floats
    k1: Floats
    k2: Floats


def _sorption(t: Floats) -> _Sorption:
    return _Sorption(
        w=349 + t * (1.29 + 0.0135 * t),
        k=0.805 + t * (0.000736 - 0.00000273 * t),
        k1=6.27 - t * (0.00938 + 0.000303 * t),
        k2=1.91 + t * (0.0407 - 0.000293 * t),
    )


def unchecked_moisture_content(t: Floats, rh: Floats) -> Floats:
    """Eq. 4-5 itself, for blocks and for finite differences at the ends of the range. [%]"""
    w, k, k1, k2 = _sorption(t)
    a = k * (rh / 100)
    b = k1 * a  # K1 K h
    c = k2 * a * b  # K1 K2 K² h²
    return 1800 / w * (a / (1 - a) + (b + 2 * c) / (1 + b + c))


def equilibrium_moisture_content(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Moisture content that wood reaches if it stays in this air long enough.

    Parameters
    ----------
    temp_c : float or array_like
        Temperature at the wood, −20 to 132.2. [°C]
    rh_pct : float or array_like, broadcast against `temp_c`
        Relative humidity over liquid water, at the wood, 0 to 100. [%]

    Returns
    -------
    float or ndarray of the broadcast shape
        Moisture content, water over oven-dry mass. [%]  NaN where an input is NaN.

    Raises
    ------
    OutOfRange
        If any value lies outside the ranges above.

    Notes
    -----
    The Hailwood–Horrobin form with two hydrates, °C constants [1]_. Within 0.06 % MC of the
    handbook's table wherever we could read it: −1.1 to 93.3 °C, 5 to 95 % RH. Below −1.1 °C and
    above 95 % it is extrapolated: `moisture_content_is_extrapolated` says where.

    References
    ----------
    .. [1] Wood Handbook, USDA Forest Products Laboratory, FPL-GTR-190, 2010, eq. 4-5.
       Second-hand: the constants, from several public transcriptions that agree.

    Examples
    --------
    >>> round(float(equilibrium_moisture_content(20.0, 50.0)), 2)
    9.27
    """
    t = checked("temp_c", temp_c, "°C", *TEMP_C)
    rh = checked("rh_pct", rh_pct, "%", 0, 100)
    return in_blocks(unchecked_moisture_content, t, rh)


def moisture_content_is_extrapolated(
    temp_c: ArrayLike, rh_pct: ArrayLike
) -> NDArray[np.bool_] | np.bool_:
    """True where `equilibrium_moisture_content` goes beyond the table it was fitted to.

    Below 30 °F (−1.1 °C) or above 95 % RH: say "above 24 %" there rather than a decimal. The
    table begins at 5 % RH, but below that the curve is held by its end, no water at 0 % RH.
    Ranges, errors and shapes as there; False where an input is NaN.

    >>> bool(moisture_content_is_extrapolated(-5.0, 50.0))
    True
    """
    t = checked("temp_c", temp_c, "°C", *TEMP_C)
    rh = checked("rh_pct", rh_pct, "%", 0, 100)
    known = ~(np.isnan(t) | np.isnan(rh))
    return known & ((t < TABLE_TEMP_LOW_C) | (rh > TABLE_RH_HIGH_PCT))


def relative_humidity_for_moisture(temp_c: ArrayLike, moisture_pct: ArrayLike) -> Floats:
    """Relative humidity at which wood of this moisture content neither dries nor swells. [%]

    The inverse of `equilibrium_moisture_content`, to 1e-9 % RH; ranges, errors and shapes as
    there. `moisture_pct` from 0 to that in balance with saturated air (28.8 % at 20 °C). Eq. 4-5
    of the Wood Handbook is a cubic in K h; moisture content rises strictly with h, so one root
    lies between 0 and K.

    >>> round(float(relative_humidity_for_moisture(20.0, 8.0)), 2)
    41.83
    """
    t = checked("temp_c", temp_c, "°C", *TEMP_C)
    moisture = checked("moisture_pct", moisture_pct, "%", 0)
    most = in_blocks(unchecked_moisture_content, t, np.array(100.0))
    over = np.argwhere(moisture > most)
    if len(over):
        index = tuple(int(i) for i in over[0])
        value, limit = (float(a[index]) for a in np.broadcast_arrays(moisture, most))
        where = f"[{', '.join(map(str, index))}]" if index else ""
        raise OutOfRange("moisture_pct", value, "%", 0, limit, where=where)
    return in_blocks(_humidity, t, moisture)


def _humidity(t: Floats, moisture: Floats) -> Floats:
    """Newton's method on the cubic, halving the bracket instead where a step would leave it."""
    w, k, k1, k2 = _sorption(t)
    m = moisture * w / 1800
    # Eq. 4-5 times both denominators, by powers of a = K h: m + c1 a + c2 a² + c3 a³ = 0.
    c3 = k1 * k2 * (1 - m)
    c2 = m * k1 * (k2 - 1) - 2 * k1 * k2
    c1 = m * (k1 - 1) - (1 + k1)
    low, high = np.zeros(np.broadcast_shapes(m.shape, k.shape)), k + 0 * m
    a = high / 2
    for _ in range(MOST_STEPS):
        value = m + a * (c1 + a * (c2 + a * c3))
        low, high = np.where(value > 0, a, low), np.where(value > 0, high, a)
        new = a - value / (c1 + a * (2 * c2 + a * 3 * c3))
        new = np.where((new < low) | (new > high), (low + high) / 2, new)
        moved = np.abs(new - a)
        a = new
        if not (moved > 1e-14).any():
            break
    return 100 * a / k
