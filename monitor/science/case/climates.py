"""Climates of cities in round figures, and monthly normals made from them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

LATE_MONTHS = 0.35
"""Time by which a year's coldest moment lies after the middle of its coldest month. [months]  Ours: by
the files below, in which spring is colder than autumn."""


class CityClimate(NamedTuple):
    """A city's climate: mean temperature and RH of its coldest and of its warmest month.

    `south`: its coldest month is July, else January. [°C], [%]
    """

    cold_c: float
    warm_c: float
    cold_rh_pct: float
    warm_rh_pct: float
    south: bool = False

    def monthly(self) -> tuple[list[float], list[float]]:
        """Mean temperature and RH of January to December, on a cosine between the two months.

        Examples
        --------
        >>> [round(t) for t in CityClimate(0, 20, 85, 65).monthly()[0]]
        [0, 1, 4, 8, 13, 18, 20, 19, 16, 12, 7, 2]
        """
        coldest = (6 if self.south else 0) + LATE_MONTHS
        warmth = [(1 - math.cos(2 * math.pi * (m - coldest) / 12)) / 2 for m in range(12)]
        temps = [self.cold_c + (self.warm_c - self.cold_c) * part for part in warmth]
        rhs = [self.cold_rh_pct + (self.warm_rh_pct - self.cold_rh_pct) * part for part in warmth]
        return temps, rhs


CITIES: Mapping[str, CityClimate] = MappingProxyType(
    {
        "Amsterdam": CityClimate(4, 18, 87, 77),
        "Athens": CityClimate(10, 29, 70, 47),
        "Berlin": CityClimate(1, 20, 85, 66),
        "Boston": CityClimate(-1, 24, 64, 68),
        "Buenos Aires": CityClimate(11, 25, 80, 67, south=True),
        "Chicago": CityClimate(-4, 24, 72, 70),
        "Denver": CityClimate(0, 24, 55, 47),
        "Edinburgh": CityClimate(4, 15, 84, 78),
        "Helsinki": CityClimate(-4, 18, 88, 72),
        "Istanbul": CityClimate(6, 25, 80, 70),
        "London": CityClimate(5, 18, 87, 72),
        "Los Angeles": CityClimate(14, 23, 63, 70),
        "Madrid": CityClimate(6, 26, 73, 38),
        "Melbourne": CityClimate(10, 21, 76, 60, south=True),
        "Milan": CityClimate(3, 25, 82, 68),
        "Minneapolis": CityClimate(-9, 24, 72, 68),
        "Montreal": CityClimate(-9, 22, 74, 70),
        "Munich": CityClimate(0, 19, 84, 71),
        "New York": CityClimate(1, 25, 62, 66),
        "Oslo": CityClimate(-4, 18, 83, 68),
        "Paris": CityClimate(5, 21, 84, 67),
        "Prague": CityClimate(-1, 20, 84, 68),
        "Rome": CityClimate(8, 26, 77, 66),
        "Seattle": CityClimate(5, 20, 82, 65),
        "Seoul": CityClimate(-2, 26, 60, 77),
        "Seville": CityClimate(11, 28, 75, 45),
        "Stockholm": CityClimate(-2, 19, 86, 70),
        "Sydney": CityClimate(13, 23, 66, 72, south=True),
        "Tokyo": CityClimate(5, 27, 52, 75),
        "Toronto": CityClimate(-4, 22, 76, 68),
        "Vienna": CityClimate(1, 22, 80, 64),
        "Warsaw": CityClimate(-1, 20, 88, 69),
        "Zurich": CityClimate(1, 19, 83, 70),
    }
)
"""From memory, unchecked, in round figures of about 1991 to 2020. Held against hourly files of a typical
year for London, Aberdeen (for Edinburgh), Seville and Sydney (from the package accim-samples 0.8.2):
each month within 3.1 K and 13 % RH; the months are in the tests."""
VAPOUR_TIMES = 1.25
"""How far a city's vapour may lie off, times or divided by; 8 of 10 lie within 0.8 of that, in the
logarithm. [-]  Ours, from the same files: their months hold 0.81 to 1.14 times the table's."""


YEAR_TIMES = 1.15
"""The same of a month of one year, by typed normals or a file. [-]  Ours, as `carried.ANOMALY_LOG`."""


def city_of(months: Mapping[int, tuple[float, float]]) -> str:
    """City whose months these are, as far as they are rounded and most are kept; "" without one.

    >>> temps, rhs = CITIES["Oslo"].monthly()
    >>> city_of({m: (round(temps[m - 1]), round(rhs[m - 1])) for m in range(1, 13)})
    'Oslo'
    """
    for name, city in CITIES.items():
        pairs = zip(*city.monthly(), strict=True)
        kept = [
            abs(temp - months[m][0]) <= ROUNDED[0] and abs(rh - months[m][1]) <= ROUNDED[1]
            for m, (temp, rh) in enumerate(pairs, 1)
            if m in months
        ]
        if sum(kept) > MOST_MONTHS:
            return name
    return ""


ROUNDED, MOST_MONTHS = (0.51, 0.51), 6
"""How far typed months of a city may lie off by rounding [K], [% RH], and of how many more must."""
