"""Conditions for mould on wood: the critical surface humidity, and the time above it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.climate.air_record import AirRecord, UnbrokenRun
from monitor.science.ranges import Floats, checked

GROWS_C = (0.0, 50.0)
"""Between these temperatures mould grows. [°C]  Source: Hukka, Viitanen, Wood Sci. Technol. 33,
1999. From memory, unchecked."""

LEAST_RH_PCT = 80.0
"""Critical humidity above 20 °C, and the least below it. [%]  Source as above."""


class MouldTime(NamedTuple):
    """Time at which mould could grow: hours, their share of the recorded time, and each spell.

    The share is NaN if no reading has a temperature.
    """

    hours: float
    share: float
    spells: list[UnbrokenRun]

    @property
    def longest_hours(self) -> float:
        return max((s.to_ms - s.from_ms for s in self.spells), default=0) / 3_600_000


def critical_surface_humidity(temp_c: ArrayLike) -> Floats:
    """Relative humidity at a wooden surface from which mould can grow on it in time. [%]

    Parameters
    ----------
    temp_c : float or array_like
        Temperature of the surface, −60 to 85. [°C]

    Returns
    -------
    float or ndarray of the same shape
        100 at 0 °C, 80 from 20 °C up. [%]  NaN where `temp_c` is NaN, below 0 and above 50 °C,
        where none grows.

    Raises
    ------
    OutOfRange
        If any value lies outside the range above.

    Notes
    -----
    −0.00267 t³ + 0.160 t² − 3.13 t + 100 up to 20 °C, never below 80 % (ours: the cubic dips to
    79.9); 80 % above [1]_. It takes weeks at the limit, days near saturation. It holds for the
    air at the surface: a wall or case colder than the room is damper than the room.

    References
    ----------
    .. [1] Hukka, Viitanen, A mathematical model of mould growth on wooden material, Wood Science
       and Technology 33, 1999. From memory, unchecked; the abstract was read.

    Examples
    --------
    >>> critical_surface_humidity([5.0, 10.0, 20.0, 30.0]).round(1)
    array([88., 82., 80., 80.])
    """
    t = checked("temp_c", temp_c, "°C", -60, 85)
    cubic = 100 + t * (-3.13 + t * (0.160 - 0.00267 * t))
    critical = np.where(t <= 20, np.maximum(cubic, LEAST_RH_PCT), LEAST_RH_PCT)
    return np.where((t >= GROWS_C[0]) & (t <= GROWS_C[1]), critical, np.nan)[()]


def mould_time(record: AirRecord) -> MouldTime:
    """Time for which a record's air was at or above the critical humidity at its temperature.

    Readings without a temperature count as neither.
    """
    known = ~np.isnan(record.temp_c)
    damp = record.rh_pct >= critical_surface_humidity(record.temp_c)
    held = float(record.held_ms[known].sum())
    hours = float(record.held_ms[damp].sum()) / 3_600_000
    return MouldTime(hours, hours * 3_600_000 / held if held else np.nan, record.spells(damp))
