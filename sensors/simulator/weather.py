"""The demo's outdoor air: one packaged year of hours, read at any moment of any year."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from importlib import resources
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

HOURS = 8760
"""Hours of the packaged year, which has no 29 February."""

_HOUR_MS = 3_600_000
_DAY_H = 24
_MAR_1_H = 59 * _DAY_H
_PRESSURE_MEAN_H = 7
"""Pressure is a running mean over so many hours: the source gives whole hPa, and its months come
from different years, so that the turn of a month can step by 14 hPa. [h]"""

_JOIN_H = 6
"""The step from 31 December to 1 January, 8 K in the source, is spread over so many hours on
either side. The source's makers joined its months so, but not its ends. [h]"""


class OutdoorAir(NamedTuple):
    """Outdoor air at some moments; every field has the shape of the times asked for.

    `temp_c`, `dew_point_c` (over water, also below 0 °C) [°C], `pressure_pa` (of the station)
    [Pa], `wind_m_s` [m/s].
    """

    temp_c: Floats
    dew_point_c: Floats
    pressure_pa: Floats
    wind_m_s: Floats


class ZonedYear:
    """The packaged year laid over the calendar of a zone.

    The clock is the zone's standard time all year, so weather knows no summer time. Temperature
    and dew point are interpolated between hours; relative humidity is not, and cannot pass 100 %
    because the dew point never passes the temperature. 31 December runs into 1 January.

    29 February is blended from the days beside it, hour by hour, from all 1 March at its first
    moment to all 28 February at its last: so it joins both without a step.
    """

    def __init__(self, zone: ZoneInfo) -> None:
        self._shift_ms = standard_offset_ms(zone)
        self._hours = _read()

    def at(self, ts_ms: Times) -> OutdoorAir:
        """The outdoor air at `ts_ms`. [ms since 1970-01-01 UTC, shape (n,)]"""
        local = np.asarray(ts_ms, dtype=np.int64) + self._shift_ms
        year = local.astype("datetime64[ms]").astype("datetime64[Y]")
        start_ms = year.astype("datetime64[ms]").astype(np.int64)
        next_ms = (year + np.timedelta64(1, "Y")).astype("datetime64[ms]").astype(np.int64)
        leap = (next_ms - start_ms) // (_DAY_H * _HOUR_MS) == 366
        hour = (local - start_ms) / _HOUR_MS

        leap_day = leap & (hour >= _MAR_1_H) & (hour < _MAR_1_H + _DAY_H)
        hour = np.where(leap & (hour >= _MAR_1_H + _DAY_H), hour - _DAY_H, hour)
        other = np.where(leap_day, hour - _DAY_H, hour)
        share = np.where(leap_day, (hour - _MAR_1_H) / _DAY_H, 0.0)
        return OutdoorAir(
            *(
                (1 - share) * _interpolated(column, hour) + share * _interpolated(column, other)
                for column in self._hours
            )
        )


def standard_offset_ms(zone: ZoneInfo) -> int:
    """Lead of the zone's clocks over UTC outside summer time, as kept in 2025. [ms]"""
    moments = (datetime(2025, month, 1, tzinfo=UTC).astimezone(zone) for month in (1, 7))
    return min(round((m.utcoffset() or timedelta()).total_seconds() * 1000) for m in moments)


def _interpolated(column: Floats, hour: Floats) -> Floats:
    low = np.floor(hour).astype(np.int64)
    a, b = column[low % HOURS], column[(low + 1) % HOURS]
    return a + (b - a) * (hour - low)


def _read() -> OutdoorAir:
    """The packaged hours, shape (8760,), from 1 January 00:00 local standard time."""
    text = resources.files("data").joinpath("demo/outdoor_year.csv").read_text(encoding="ascii")
    rows = list(csv.DictReader(text.splitlines()))
    columns = {
        name: _joined(np.array([float(row[name]) for row in rows])) for name in OutdoorAir._fields
    }
    around = np.arange(-(_PRESSURE_MEAN_H // 2), _PRESSURE_MEAN_H // 2 + 1)
    pressure = columns["pressure_pa"]
    columns["pressure_pa"] = pressure[(np.arange(HOURS)[:, None] + around) % HOURS].mean(axis=1)
    return OutdoorAir(**columns)


def _joined(column: Floats) -> Floats:
    """`column` with its last hour (which is hour 0 of January) and its first at one value."""
    step = column[1] - column[0]
    fade = 1 - np.arange(_JOIN_H) / _JOIN_H
    joined = column.copy()
    joined[1 : _JOIN_H + 1] -= step / 2 * fade
    joined[-np.arange(_JOIN_H)] += step / 2 * fade
    return joined
