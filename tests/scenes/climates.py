"""Outdoor air of eleven climates: a made year from monthly normals, days, and spells of weather."""

from __future__ import annotations

import functools
from typing import NamedTuple

import numpy as np

YEAR_H = 8760
DAYS_IN = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
MONTH_OF_HOUR = np.repeat(np.arange(12), 24 * np.array(DAYS_IN))
"""Month, 0 to 11, of each hour of a year. (8760,)"""
R_VAPOUR = 461.5
"""Gas constant of water vapour. [J/(kg K)]"""


def saturation_pa(temp_c):
    """Saturation pressure over water. [Pa]

    Bolton, Monthly Weather Review 108, 1980, eq. 10; from memory. The product uses others.
    """
    t = np.asarray(temp_c, dtype=float)
    return 611.2 * np.exp(17.67 * t / (t + 243.5))


def between(value, low, high):
    """A value no lower than `low` and no higher than `high`: `np.clip`, five times as quick."""
    return np.minimum(np.maximum(value, low), high)


def dew_point_c(vapour_pa):
    """Dew point, Bolton's equation solved for the temperature. [°C]"""
    x = np.log(np.maximum(vapour_pa, 1e-3) / 611.2)
    return 243.5 * x / (17.67 - x)


class Climate(NamedTuple):
    """Monthly normals of January to December, and the changes about them.

    `temp_c`, `rh_pct`: means [°C], [%]. `day_k`: mean daily range [K]. `spell_k`: standard deviation
    of days about the month's mean, in January and in July [K]; `spell_h`: their correlation time
    [h]. `latitude` [°]. `wind_m_s`: mean wind [m/s]. `clear`: mean share of clear sky [-].
    """

    temp_c: tuple[float, ...]
    rh_pct: tuple[float, ...]
    day_k: float
    spell_k: tuple[float, float]
    spell_h: float
    latitude: float
    wind_m_s: float
    clear: float


# Means as published national normals give them for a town of the kind, from memory, rounded; the
# ranges and spells: from memory, in the usual range of the kind. None was read in its source.
CLIMATES = {
    "cold continental": Climate(
        (-16.4, -13.2, -5.8, 4.4, 11.6, 17.0, 19.7, 18.8, 12.7, 5.0, -4.9, -13.2),
        (76, 76, 76, 62, 56, 64, 68, 68, 70, 70, 78, 78),
        *(11.0, (7.0, 3.5), 60.0, 50.0, 4.5, 0.55),
    ),
    "continental": Climate(
        (-1.8, -0.6, 2.8, 8.7, 14.2, 17.0, 19.2, 18.3, 13.5, 8.5, 3.3, -0.7),
        (87, 84, 77, 69, 68, 70, 71, 73, 79, 83, 88, 89),
        *(8.5, (5.0, 3.2), 65.0, 52.0, 3.8, 0.4),
    ),
    "maritime": Climate(
        (5.3, 5.3, 6.8, 8.3, 10.9, 13.6, 15.6, 15.3, 13.4, 10.5, 7.4, 5.6),
        (87, 84, 82, 80, 79, 79, 80, 81, 83, 85, 88, 88),
        *(6.5, (3.5, 2.2), 55.0, 53.0, 5.0, 0.3),
    ),
    "mediterranean": Climate(
        (10.3, 10.6, 12.9, 16.6, 21.5, 26.3, 29.2, 29.0, 24.7, 19.8, 15.4, 11.8),
        (70, 69, 66, 62, 58, 51, 47, 48, 56, 65, 71, 72),
        *(8.5, (3.2, 2.0), 60.0, 38.0, 3.0, 0.65),
    ),
    "desert": Climate(
        (14.4, 17.0, 21.7, 27.3, 33.0, 36.1, 37.1, 37.0, 34.0, 27.9, 21.0, 15.7),
        (47, 38, 32, 26, 16, 12, 12, 14, 17, 23, 34, 46),
        *(13.5, (3.5, 2.0), 60.0, 25.0, 3.0, 0.8),
    ),
    "humid tropics": Climate(
        (26.5, 27.1, 27.5, 28.0, 28.3, 28.3, 27.9, 27.9, 27.6, 27.6, 27.0, 26.4),
        (84, 82, 83, 83, 83, 82, 82, 82, 82, 83, 86, 86),
        *(6.5, (0.9, 0.9), 40.0, 1.0, 2.0, 0.45),
    ),
    "monsoon": Climate(
        (14.1, 17.2, 22.8, 29.2, 33.0, 33.8, 31.0, 30.0, 29.2, 25.9, 20.2, 15.3),
        (70, 60, 48, 34, 33, 46, 70, 74, 65, 55, 59, 68),
        *(11.5, (2.2, 2.0), 60.0, 28.5, 2.5, 0.6),
    ),
    "subtropical": Climate(
        (16.3, 16.8, 19.1, 22.6, 25.9, 27.9, 28.8, 28.6, 27.7, 25.5, 21.8, 17.9),
        (74, 80, 82, 83, 83, 82, 81, 81, 78, 73, 71, 69),
        *(5.0, (3.0, 1.2), 60.0, 22.0, 3.0, 0.4),
    ),
    "high plateau": Climate(
        (-0.4, 0.6, 5.1, 9.1, 14.3, 20.0, 23.6, 22.4, 17.5, 10.6, 4.0, -0.7),
        (55, 54, 50, 48, 51, 46, 46, 48, 47, 48, 55, 56),
        *(15.0, (6.0, 3.0), 50.0, 40.0, 3.8, 0.7),
    ),
    "subarctic": Climate(
        (-22.4, -18.8, -11.6, 0.6, 9.6, 16.0, 17.0, 13.4, 7.2, -4.2, -16.4, -20.5),
        (72, 70, 64, 56, 48, 54, 62, 68, 68, 75, 76, 74),
        *(10.0, (8.0, 3.5), 80.0, 65.0, 2.2, 0.45),
    ),
    "southern coast": Climate(
        (21.0, 21.0, 19.0, 16.0, 13.0, 10.6, 10.0, 11.0, 13.0, 15.2, 17.3, 19.2),
        (60, 62, 63, 68, 76, 80, 79, 73, 68, 65, 63, 60),
        *(9.5, (3.8, 2.2), 45.0, -38.0, 3.8, 0.5),
    ),
}


class Weather(NamedTuple):
    """Outdoor air of the hours of a year, local solar time.

    `temp_c` [°C], `rh_pct` over water [%], `wind_m_s` [m/s], `sun_w_m2` on the flat [W/m²]; each
    (8760,).
    """

    temp_c: np.ndarray
    rh_pct: np.ndarray
    wind_m_s: np.ndarray
    sun_w_m2: np.ndarray


@functools.cache
def weather_of(climate: str, seed: int = 1) -> Weather:
    """A made year whose monthly means of temperature and RH are the climate's normals.

    The temperature is the normals' smooth course, a daily wave that is small under cloud, and spells;
    the vapour follows the spells in part. RH above 100 % is cut, and the vapour moved until the
    monthly means hold.
    """
    c = CLIMATES[climate]
    random = np.random.default_rng((seed, sorted(CLIMATES).index(climate)))
    hour = np.arange(YEAR_H)
    season = np.cos(2 * np.pi * (hour / 24 - 15) / 365)  # 1 in mid January
    winter_sd, summer_sd = c.spell_k
    sd = summer_sd + (winter_sd - summer_sd) * (1 + season) / 2
    spells, cloud, vapour = (_red(random, c.spell_h) for _ in range(3))
    clear = np.clip(c.clear + 0.3 * cloud, 0.05, 1.0)
    wave = np.cos(2 * np.pi * (hour % 24 - 15) / 24)  # warmest at three in the afternoon
    swing = c.day_k / 2 * clear / clear.mean()
    temp = _smooth(c.temp_c) + sd * spells + swing * wave
    for _ in range(4):
        temp += _smooth(np.array(c.temp_c) - _means(temp))
    depression = _smooth(_depression(c))
    dew = _smooth(c.temp_c) + sd * (0.8 * spells + 0.35 * vapour) - 0.12 * sd * cloud
    dew = dew - depression
    for _ in range(6):
        rh = np.minimum(100 * saturation_pa(dew) / saturation_pa(temp), 100.0)
        short = np.array(c.rh_pct) - _means(rh)
        dew = dew + _smooth(short * 0.22)
    sun = _clear_sky(c.latitude) * (0.25 + 0.75 * clear)
    wind = c.wind_m_s * np.exp(0.5 * _red(random, 15.0) - 0.125)
    return Weather(
        temp, np.minimum(100 * saturation_pa(dew) / saturation_pa(temp), 100.0), wind, sun
    )


def _depression(c: Climate) -> np.ndarray:
    t, rh = np.array(c.temp_c), np.array(c.rh_pct, dtype=float)
    return t - dew_point_c(rh / 100 * saturation_pa(t))


def _means(values: np.ndarray) -> np.ndarray:
    return np.array([values[m == MONTH_OF_HOUR].mean() for m in range(12)])


def _smooth(monthly) -> np.ndarray:
    """Hourly course through the middles of the months, periodic."""
    ends = np.cumsum(DAYS_IN)
    middle = ends - np.array(DAYS_IN) / 2
    days = np.arange(YEAR_H) / 24
    monthly = np.asarray(monthly, dtype=float)
    return np.interp(days, middle, monthly, period=365)


def _red(random: np.random.Generator, along_h: float) -> np.ndarray:
    """Standard normal series, correlated over `along_h`, smooth within hours. (8760,)"""
    keep = np.exp(-1 / along_h)
    drive = random.normal(size=YEAR_H + 400) * np.sqrt(1 - keep**2)
    out = np.empty(YEAR_H + 400)
    now = 0.0
    for i, x in enumerate(drive.tolist()):
        now = keep * now + x
        out[i] = now
    soft = np.convolve(out, np.ones(6) / 6, mode="same")[300 : 300 + YEAR_H]
    return (soft - soft.mean()) / soft.std()


def _clear_sky(latitude: float) -> np.ndarray:
    """Sun on the flat under a clear sky, from its height. [W/m²]"""
    hour = np.arange(YEAR_H)
    tilt = np.radians(-23.44) * np.cos(2 * np.pi * (hour / 24 + 10) / 365)
    at = np.radians(15 * (hour % 24 + 0.5 - 12))
    lat = np.radians(latitude)
    height = np.sin(lat) * np.sin(tilt) + np.cos(lat) * np.cos(tilt) * np.cos(at)
    return 1000 * np.clip(height, 0, None) ** 1.15
