"""Uncertainty of the dew point and of the wood's moisture content, from the sensor's accuracy.

First order: the slope of each quantity times the sensor's uncertainty, added as squares
(JCGM 100:2008, eq. 10; from memory). The two errors count as independent. What goes in comes out:
a sensor's "±2 %" read as an expanded uncertainty with k = 2 gives a result with k = 2.

Good while `u_rh_pct` is small against `rh_pct`: at ±2 % and 25 % RH the dew point agrees with a
Monte-Carlo run within 0.01 K; at 5 % RH the true interval is lopsided.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from monitor.science import air, wood
from monitor.science.ranges import Floats, checked, in_blocks
from monitor.science.saturation import ln_water_slope
from monitor.science.wood import unchecked_moisture_content


def _stated(u_temp_c: ArrayLike, u_rh_pct: ArrayLike) -> tuple[Floats, Floats]:
    return checked("u_temp_c", u_temp_c, "K", 0), checked("u_rh_pct", u_rh_pct, "%", 0)


def dew_point_uncertainty(
    temp_c: ArrayLike, rh_pct: ArrayLike, u_temp_c: ArrayLike, u_rh_pct: ArrayLike
) -> Floats:
    """Uncertainty of `dew_point`, with the same coverage factor as the sensor's. [K]

    Parameters
    ----------
    temp_c, rh_pct : float or array_like
        As in `dew_point`.
    u_temp_c, u_rh_pct : float or array_like
        Uncertainty of each, 0 or more. [K], [% RH]

    Returns
    -------
    float or ndarray of the broadcast shape
        NaN where an input or the dew point is NaN.

    Raises
    ------
    OutOfRange
        If any value lies outside the ranges above.

    Notes
    -----
    From ln e_w(t_d) = ln e_w(t) + ln h: ∂t_d/∂t = γ(t)/γ(t_d) and ∂t_d/∂h = 1/(h γ(t_d)), where
    γ = d ln e_w/dt.

    Examples
    --------
    >>> round(float(dew_point_uncertainty(20.0, 35.0, 0.3, 2.0)), 2)
    0.86
    """
    t_d = air.dew_point(temp_c, rh_pct)
    t, rh = np.asarray(temp_c, dtype=np.float64), np.asarray(rh_pct, dtype=np.float64)

    def formula(t: Floats, rh: Floats, t_d: Floats, u_t: Floats, u_rh: Floats) -> Floats:
        return np.hypot(ln_water_slope(t) * u_t, u_rh / rh) / ln_water_slope(t_d)

    return in_blocks(formula, t, rh, np.asarray(t_d), *_stated(u_temp_c, u_rh_pct))


def moisture_content_uncertainty(
    temp_c: ArrayLike, rh_pct: ArrayLike, u_temp_c: ArrayLike, u_rh_pct: ArrayLike
) -> Floats:
    """Uncertainty of `equilibrium_moisture_content` from the sensor alone. [% MC]

    Arguments, coverage factor and errors as in `dew_point_uncertainty`, ranges as in
    `equilibrium_moisture_content`. Slopes by central differences of 0.001 K and 0.001 % RH. The
    spread among species and between drying and wetting, about ±1 % MC, comes on top: it is not
    the sensor's.

    >>> round(float(moisture_content_uncertainty(20.0, 50.0, 0.3, 2.0)), 2)
    0.32
    """
    t = checked("temp_c", temp_c, "°C", *wood.TEMP_C)
    rh = checked("rh_pct", rh_pct, "%", 0, 100)
    step = 0.001

    def formula(t: Floats, rh: Floats, u_t: Floats, u_rh: Floats) -> Floats:
        emc = unchecked_moisture_content
        by_t = (emc(t + step, rh) - emc(t - step, rh)) / (2 * step)
        by_rh = (emc(t, rh + step) - emc(t, rh - step)) / (2 * step)
        return np.hypot(by_t * u_t, by_rh * u_rh)

    return in_blocks(formula, t, rh, *_stated(u_temp_c, u_rh_pct))
