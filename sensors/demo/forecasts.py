"""Outdoor forecasts of the demo: its own weather year, with the errors of forecasts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.domain.forecast import Forecast
from monitor.science.air import vapour_pressure
from monitor.science.saturation import saturation_vapour_pressure
from sensors.simulator.random_numbers import normal
from sensors.simulator.weather import ZonedYear

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from sensors.demo.weather import DemoWeather

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
SOURCE = "demo"
EVERY_MS = 6 * HOUR_MS
"""Between issues. [ms]"""
LEADS_H = 121
SD_LEADS_H, SD_K = (0.0, 6.0, 48.0, 120.0), (0.6, 1.0, 2.0, 3.4)
"""Standard deviation of the dew point's error by lead. [h], [K]  Ours, of the size of ordinary
forecasts' errors."""


class Forecasts:
    """Weather service of the demo; an issue is the same whenever it is asked for."""

    def __init__(self, seed: int, zone: ZoneInfo, weather: DemoWeather | None = None) -> None:
        self._seed, self._year = seed, weather or ZonedYear(zone)

    def issued(self, issued_ms: int) -> Forecast:
        """The forecast of one moment, a multiple of `EVERY_MS`. [ms since 1970-01-01 UTC]"""
        valid = issued_ms + HOUR_MS * np.arange(LEADS_H, dtype=np.int64)
        air = self._year.at(valid)
        sd = np.interp(np.arange(LEADS_H), SD_LEADS_H, SD_K)
        damp, warm = (
            self._off("dew point", issued_ms, valid),
            self._off("warmth", issued_ms, valid),
        )
        temp = np.clip(air.temp_c + sd * (0.4 * damp + 0.9 * warm), -44, 55)
        dew = np.clip(np.minimum(air.dew_point_c + sd * damp, temp), -44, None)
        rh = 100 * vapour_pressure(dew, 100.0) / saturation_vapour_pressure(temp)
        return Forecast(
            SOURCE,
            None,
            issued_ms,
            valid,
            temp.round(1),
            np.clip(rh, 1, 100).round(),
            air.wind_m_s.round(1),
            air.pressure_pa.round(),
        )

    def _off(self, what: str, issued_ms: int, valid_ms: NDArray[np.int64]) -> NDArray[np.float64]:
        """An error of standard deviation 1 that goes on from hour to hour, and half of it from
        issue to issue."""
        common = _smooth(self._seed, what, valid_ms / DAY_MS)
        own = _smooth(self._seed, f"{what}/{issued_ms}", (valid_ms - issued_ms) / DAY_MS)
        return np.sqrt(0.5) * (common + own)


def issues(start_ms: int, end_ms: int) -> range:
    """Times of issue in [start, end). [ms since 1970-01-01 UTC]"""
    return range(start_ms + -start_ms % EVERY_MS, end_ms, EVERY_MS)


def _smooth(seed: int, what: str, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Noise of standard deviation 1 with a knot at every whole number, between drawn through."""
    first = np.floor(at).astype(np.int64)
    part = at - first
    low, high = (normal(seed, what, knots) for knots in (first, first + 1))
    return np.asarray((low * (1 - part) + high * part) / np.hypot(1 - part, part))
