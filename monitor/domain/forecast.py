"""A forecast of the outdoor air as it is kept."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.science.air import dew_point
from monitor.science.ranges import Floats

HOUR_MS = 3_600_000
GAP_MS = 6 * HOUR_MS
"""Longest step of a forecast that is drawn through; a longer one is a gap. [ms]  Ours:
the longest step of the common global models' output."""
STALE_MS, UNUSABLE_MS = 12 * HOUR_MS, 48 * HOUR_MS
"""Age from which a forecast counts as old, and from which it is not used. [ms]  Ours."""


class Position(NamedTuple):
    """Position that a forecast is for, north and east positive, to two decimals. [°]"""

    latitude: float
    longitude: float

    def __str__(self) -> str:
        return f"{self.latitude:.2f}, {self.longitude:.2f}"


def position(latitude: float, longitude: float) -> Position:
    """Rounded to two decimals, about a kilometre: no service learns the shop's door."""
    return Position(round(latitude, 2), round(longitude, 2))


MEMBERS_MAX = 100
"""Most members of a forecast. [-]  Ours: the largest global ensembles have about 50. From memory."""


class Members(NamedTuple):
    """Ensemble of a forecast: each member is one way in which the weather may go on.

    Fields of shape (members, n), at the moments of the forecast, NaN where a member has no value:
    temperature [°C], RH over liquid water [%], mean wind [m/s].
    """

    temp_c: Floats
    rh_pct: Floats
    wind_m_s: Floats

    @property
    def dew_point_c(self) -> Floats:
        """Dew point over liquid water, shape (members, n). [°C]"""
        return np.asarray(dew_point(self.temp_c, self.rh_pct))


@dataclass(frozen=True, eq=False)
class Forecast:
    """Forecast of one source at one time. Arrays have shape (n,), by time; NaN where not known.

    Attributes
    ----------
    source : str
    position : Position or None
        None where the source does not say.
    issued_ms : int
        When it was issued. [ms since 1970-01-01 UTC]
    valid_ms : ndarray of int64
        What each value is for: that moment. [ms since 1970-01-01 UTC]
    temp_c, rh_pct : ndarray
        Air temperature, RH over liquid water. [°C], [%]  Never NaN.
    wind_m_s, pressure_pa : ndarray
        Mean wind; pressure at the place. [m/s], [Pa]
    notes : tuple of str
        What must be said with it, such as hours left out.
    doubt : str
        Why it should not be used, such as that it is for another place; empty if nothing speaks
        against it.
    members : Members or None
        Its ensemble, if it has one.
    """

    source: str
    position: Position | None
    issued_ms: int
    valid_ms: NDArray[np.int64]
    temp_c: Floats
    rh_pct: Floats
    wind_m_s: Floats
    pressure_pa: Floats
    notes: tuple[str, ...] = ()
    doubt: str = ""
    members: Members | None = None

    def __len__(self) -> int:
        return len(self.valid_ms)

    @property
    def dew_point_c(self) -> Floats:
        """Dew point over liquid water, shape (n,). [°C]"""
        return np.asarray(dew_point(self.temp_c, self.rh_pct))

    @property
    def ends_ms(self) -> int:
        """Last moment of the forecast. [ms since 1970-01-01 UTC]"""
        return int(self.valid_ms[-1])

    def at_hours(self, kept: NDArray[np.bool_]) -> Forecast:
        """The same forecast at some of its moments, by a mask of shape (n,)."""
        columns = ("valid_ms", "temp_c", "rh_pct", "wind_m_s", "pressure_pa")
        members = self.members and Members(*(field[:, kept] for field in self.members))
        return replace(
            self, members=members, **{name: getattr(self, name)[kept] for name in columns}
        )


class Moments(NamedTuple):
    """Temperature [°C], dew point over water [°C] and wind [m/s]; fields of one shape."""

    temp_c: Floats
    dew_point_c: Floats
    wind_m_s: Floats


def at_moments(forecast: Forecast, moments_ms: ArrayLike) -> Moments:
    """Interpolate a forecast at some moments: straight lines between its own, NaN beyond its ends
    and in steps longer than `GAP_MS`.

    The dew point is interpolated, not RH, which bends between steps with the temperature.

    Parameters
    ----------
    moments_ms : array_like
        [ms since 1970-01-01 UTC]
    """
    at = np.asarray(moments_ms, dtype=np.int64)
    valid = forecast.valid_ms
    after = np.searchsorted(valid, at)
    low, high = np.clip(after - 1, 0, None), np.clip(after, 0, len(valid) - 1)
    exact = valid[high] == at
    near = exact | ((after > 0) & (after < len(valid)) & (valid[high] - valid[low] <= GAP_MS))

    def drawn(values: Floats) -> Floats:
        return np.where(near, np.interp(at, valid, values), np.nan)

    wind = forecast.wind_m_s
    known = ~np.isnan(wind)
    calm = np.interp(at, valid[known], wind[known]) if known.any() else np.nan
    reached = known[high] & (exact | known[low])
    return Moments(
        drawn(forecast.temp_c), drawn(forecast.dew_point_c), np.where(near & reached, calm, np.nan)
    )


def members_at_moments(forecast: Forecast, moments_ms: ArrayLike) -> Moments:
    """Interpolate a forecast's members as `at_moments` does the forecast; fields of shape (members,
    moments), NaN also beside a moment at which a member has no value."""
    at, valid, members = (
        np.asarray(moments_ms, dtype=np.int64),
        forecast.valid_ms,
        forecast.members,
    )
    if members is None:
        return Moments(*(np.empty((0, len(at))) for _ in Moments._fields))
    after = np.searchsorted(valid, at)
    low, high = np.clip(after - 1, 0, None), np.clip(after, 0, len(valid) - 1)
    exact = valid[high] == at
    near = exact | ((after > 0) & (after < len(valid)) & (valid[high] - valid[low] <= GAP_MS))
    share = np.where(exact, 1.0, (at - valid[low]) / np.maximum(valid[high] - valid[low], 1))

    def drawn(values: Floats) -> Floats:
        before = np.where(share < 1, values[:, low] * (1 - share), 0.0)
        return np.where(near, before + values[:, high] * share, np.nan)

    return Moments(drawn(members.temp_c), drawn(members.dew_point_c), drawn(members.wind_m_s))


def station_pressure(sea_level_pa: ArrayLike, altitude_m: float, temp_c: ArrayLike) -> Floats:
    """Pressure at a height from the pressure reduced to sea level. [Pa]

    p = p₀ (1 − 0.0065 z / (t + 0.0065 z + 273.15))^5.257, z in metres, t in °C: the standard
    atmosphere's lapse of 6.5 K/km down to the sea. From memory; at the standard atmosphere's own
    temperature it is ASHRAE Handbook—Fundamentals (2017), ch. 1, eq. 3 (see the tests).
    """
    drop = 0.0065 * altitude_m
    share = 1 - drop / (np.asarray(temp_c) + drop + 273.15)
    return np.asarray(np.asarray(sea_level_pa) * share**5.257)
