"""Highest safe humidity of a heated room: the coldest inner surface stays free of mould and dew.

A surface between room and outdoors is colder than the room, so the air at it is damper. The
temperature factor says how cold it is: f = (T_surface − T_out) / (T_room − T_out) (EN ISO 13788,
ISO 10211).
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.ranges import Floats, checked
from monitor.science.saturation import saturation_vapour_pressure

TEMP_C = (-60.0, 60.0)
"""Range of the temperatures. [°C]"""

FACTOR = (0.1, 1.0)
"""Range of a temperature factor. [-]  1: a surface as warm as the room."""

MOULD_SURFACE_RH_PCT = 80.0
"""Greatest safe RH of the air at a wall, as a mean of days. [%]  Source: EN ISO 13788. From
memory, unchecked; a mould index agrees (`mould.critical_surface_humidity`)."""

DEW_RH_PCT = 100.0
"""RH of the air at a surface on which dew forms. [%]"""

LEAST_DIFFERENCE_K = 8.0
"""A temperature factor is measured only if room and outdoors differ by so much. [K]  Ours: two
sensors that are off by 0.3 K each then leave it within about 0.05."""

MEASURED_FACTOR = (0.2, 0.9)
"""Measured factors that count. [-]  Ours: a surface above that is not the coldest of the room."""


class ColdSurface(StrEnum):
    """The inner surface that limits a room's humidity."""

    CORNER = "corner"
    """A weak corner of an outer wall, behind furniture or at the floor."""
    MEASURED = "measured"
    """The surface that a sensor measures, as cold for its room as it was measured."""
    SINGLE_GLASS = "single glass"
    DOUBLE_GLASS = "double glass"


FACTORS = {ColdSurface.CORNER: 0.7, ColdSurface.SINGLE_GLASS: 0.25, ColdSurface.DOUBLE_GLASS: 0.5}
"""Temperature factors. [-]

Corner: 0.70 is the least that DIN 4108-2 accepts, with the method of EN ISO 13788 and ISO 10211
(second-hand: public pages on the standard). Old and badly insulated walls have less. Panes:
1 − U · 0.13 m² K/W; single U 5.8 (0.25), double U 2.8 (0.64 in the middle of the pane), less at an
edge with a metal spacer (0.5, ours). All U from memory, unchecked."""

LIMITS_PCT = {
    ColdSurface.CORNER: MOULD_SURFACE_RH_PCT,
    ColdSurface.MEASURED: MOULD_SURFACE_RH_PCT,
    ColdSurface.SINGLE_GLASS: DEW_RH_PCT,
    ColdSurface.DOUBLE_GLASS: DEW_RH_PCT,
}
"""Greatest RH of the air at each surface: mould on walls, dew on panes. [%]"""


def surface_temperature(
    temp_c: ArrayLike, outdoor_temp_c: ArrayLike, temperature_factor: ArrayLike
) -> Floats:
    """Temperature of an inner surface: T_out + f (T_room − T_out). [°C]

    >>> round(float(surface_temperature(20.0, -5.0, 0.7)), 1)
    12.5
    """
    room = checked("temp_c", temp_c, "°C", *TEMP_C)
    out = checked("outdoor_temp_c", outdoor_temp_c, "°C", *TEMP_C)
    factor = checked("temperature_factor", temperature_factor, "", *FACTOR)
    return np.asarray(out + factor * (room - out))[()]


def measured_factor(
    surface_temp_c: ArrayLike, temp_c: ArrayLike, outdoor_temp_c: ArrayLike
) -> Floats:
    """Temperature factor of a measured surface. [-]

    NaN where room and outdoors are too alike (`LEAST_DIFFERENCE_K`), or the result lies outside
    `MEASURED_FACTOR`. Means of a day or more serve best: walls lag.

    >>> round(float(measured_factor(14.0, 20.0, 0.0)), 2)
    0.7
    """
    surface, room, out = (
        checked(name, value, "°C", *TEMP_C)
        for name, value in (
            ("surface_temp_c", surface_temp_c),
            ("temp_c", temp_c),
            ("outdoor_temp_c", outdoor_temp_c),
        )
    )
    apart = room - out
    far = apart >= LEAST_DIFFERENCE_K
    factor = (surface - out) / np.where(far, apart, np.nan)
    low, high = MEASURED_FACTOR
    return np.asarray(np.where((factor >= low) & (factor <= high), factor, np.nan))[()]


def highest_safe_humidity(
    temp_c: ArrayLike,
    outdoor_temp_c: ArrayLike,
    temperature_factor: ArrayLike = FACTORS[ColdSurface.CORNER],
    surface_rh_pct: ArrayLike = MOULD_SURFACE_RH_PCT,
) -> Floats:
    """Highest RH of a room at which the air at its coldest surface stays below a limit.

    Parameters
    ----------
    temp_c, outdoor_temp_c : float or array_like, broadcast
        Of the room and outdoors, −60 to 60. For walls means of a day, for panes of the hour. [°C]
    temperature_factor : float or array_like, broadcast
        Of the surface, 0.1 to 1. [-]
    surface_rh_pct : float or array_like, broadcast
        Greatest RH at the surface: 80 against mould, 100 against dew. [%]

    Returns
    -------
    float or ndarray of the broadcast shape
        At most `surface_rh_pct`, as where it is warmer outdoors than in. [%]  NaN where an input
        is NaN.

    Raises
    ------
    OutOfRange
        If any value lies outside the ranges above.

    Notes
    -----
    φ = φ_s e_w(T_surface) / e_w(T_room): the vapour pressure is the same at the wall and in the
    room. Steady heat flow, no sun, air that reaches the surface.

    References
    ----------
    .. [1] EN ISO 13788, assessment of surface humidity. From memory, unchecked.

    Examples
    --------
    >>> round(float(highest_safe_humidity(20.0, -10.0)), 1)
    44.9
    """
    limit = checked("surface_rh_pct", surface_rh_pct, "%", 0, 100)
    room = checked("temp_c", temp_c, "°C", *TEMP_C)
    surface = np.minimum(surface_temperature(room, outdoor_temp_c, temperature_factor), room)
    share = saturation_vapour_pressure(surface) / saturation_vapour_pressure(room)
    return np.asarray(limit * share)[()]
