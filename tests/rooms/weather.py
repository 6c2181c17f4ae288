"""Hourly outdoor air of a year: the demo's typical year, or a year made up by chance."""

from __future__ import annotations

from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from sensors.simulator.weather import ZonedYear

HOUR_MS = 3_600_000
START_MS = 1_735_689_600_000
"""2025-01-01T00:00Z."""


class Weather(NamedTuple):
    """Outdoor air of the hours from `START_MS` on.

    `temp_c`, `dew_point_c` [°C], `wind_m_s` [m/s], `clear` 0 to 1.
    """

    temp_c: np.ndarray
    dew_point_c: np.ndarray
    wind_m_s: np.ndarray
    clear: np.ndarray


class Climate(NamedTuple):
    """Parameters of a made-up year. Invented, in the usual range of its kind.

    Means and half ranges of the year [°C]; standard deviation of spells [K] and how long they
    last [h]; half range of a clear day [K]; mean dew point spread [K]; wind [m/s].
    """

    mean_c: float
    season_k: float
    spell_k: float
    spell_h: float
    day_k: float
    spread_k: float
    wind_m_s: float


CLIMATES = {
    "continental": Climate(7.0, 15.0, 5.0, 60.0, 5.5, 4.5, 3.5),
    "maritime": Climate(10.0, 6.0, 3.0, 55.0, 3.0, 3.0, 5.0),
    "cold": Climate(1.0, 17.0, 6.5, 70.0, 4.0, 3.0, 3.0),
    "dry": Climate(11.0, 11.0, 4.0, 70.0, 8.0, 10.0, 3.0),
}


def demo_year(hours: int) -> Weather:
    """The demo's packaged year, laid over 2025 and on. Clearness from the dew point spread."""
    air = ZonedYear(ZoneInfo("Etc/GMT+5")).at(START_MS + HOUR_MS * np.arange(hours))
    clear = np.clip((air.temp_c - air.dew_point_c) / 14, 0.1, 1.0)
    return Weather(air.temp_c, air.dew_point_c, air.wind_m_s, clear)


def made_up_year(climate: Climate, seed: int, hours: int, utc_offset_h: float) -> Weather:
    """Made-up year: season, spells that come in fronts, clear and dull days, and their water."""
    random = np.random.default_rng(seed)
    hour = np.arange(hours)
    season = -np.cos(2 * np.pi * (hour / 24 - 20) / 365.25)  # coldest on 20 January
    winter = 1 - 0.35 * season  # spells are stronger in winter
    # Fronts: at random times the spell jumps; between them it drifts back to the season's mean.
    spell, level, target = np.empty(hours), 0.0, 0.0
    jump = random.random(hours) < 1 / (0.8 * climate.spell_h)
    targets = climate.spell_k * random.standard_t(5, hours) / 1.2
    rates = np.exp(random.uniform(np.log(4), np.log(30), hours))
    rate = 10.0
    for i in range(hours):
        if jump[i]:
            target, rate = float(targets[i]), float(rates[i])
        level += (target - level) / rate
        target -= target / (2.5 * climate.spell_h)
        spell[i] = level
    days = hours // 24 + 3
    cloud = np.clip(0.5 + np.cumsum(random.normal(0, 0.35, days)) % 1.6 - 0.8, 0.05, 1.0)
    clear = np.interp(hour / 24, np.arange(days), cloud)
    local = (hour + utc_offset_h) % 24
    day = np.cos(2 * np.pi * (local - 15) / 24) + 0.2 * np.cos(4 * np.pi * (local - 14) / 24)
    sun = 1 + 0.35 * season
    temp = climate.mean_c + climate.season_k * season + winter * spell
    temp = temp + climate.day_k * sun * (0.3 + 0.7 * clear) * day + _noise(random, hours, 5, 0.5)
    # Dew point: behind the temperature of the last day or so, drier after cold fronts and clear.
    smooth = _smooth(climate.mean_c + climate.season_k * season + winter * spell, 8.0)
    dry = climate.spread_k * (0.4 + 0.9 * clear) + np.clip(
        -0.35 * np.gradient(_smooth(spell, 4.0)) * 24, -3, 4
    )
    dew = smooth - dry + _noise(random, hours, 30, 1.8) + 0.5 * day
    wind = climate.wind_m_s * np.exp(_noise(random, hours, 14, 0.5) + 0.12 * day)
    temp = np.maximum(temp, -35.0)
    return Weather(temp, np.clip(dew, -40.0, temp - 0.1), wind, clear)


def _noise(random: np.random.Generator, n: int, hold_h: float, sd: float) -> np.ndarray:
    keep = np.exp(-1 / hold_h)
    kick = random.normal(0, sd * np.sqrt(1 - keep**2), n)
    out, level = np.empty(n), random.normal(0, sd)
    for i in range(n):
        level = keep * level + kick[i]
        out[i] = level
    return out


def _smooth(x: np.ndarray, hold_h: float) -> np.ndarray:
    out, level = np.empty_like(x), float(x[0])
    for i, value in enumerate(x.tolist()):
        level += (value - level) / hold_h
        out[i] = level
    return out
