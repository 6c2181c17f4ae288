"""Climates of cities in round figures, held against weather files of a typical year."""

from __future__ import annotations

import pytest

from monitor.science.case.climates import CITIES
from monitor.science.case.outdoors import from_normals

# Source: hourly files of a typical year (EPW), as packaged in accim-samples 0.8.2: London Gatwick and
# Aberdeen Dyce (IWEC), Seville, Sydney. Monthly means of the columns for dry bulb and RH, computed
# with numpy on 29 Nov 2026. Aberdeen stands for Edinburgh, 150 km to its south.
# Tolerance: ours; a city's means move by about 1 K between decades, and a file is of some years.
FILES = {
    "London": (
        [4.4, 3.9, 6.8, 8.3, 12.5, 15.0, 17.3, 16.7, 13.8, 10.6, 7.8, 5.1],
        [82, 84, 78, 76, 73, 71, 75, 75, 75, 86, 87, 89],
    ),
    "Edinburgh": (
        [3.6, 4.3, 5.6, 6.5, 9.6, 11.9, 13.9, 13.9, 11.8, 9.0, 6.1, 4.2],
        [83, 85, 75, 81, 76, 79, 80, 77, 79, 80, 81, 82],
    ),
    "Seville": (
        [10.4, 11.7, 15.1, 16.1, 19.8, 24.1, 27.4, 26.5, 24.5, 19.5, 13.7, 11.5],
        [75, 77, 59, 57, 55, 50, 53, 54, 51, 70, 73, 78],
    ),
    "Sydney": (
        [22.0, 22.9, 21.3, 18.7, 15.9, 13.4, 12.3, 13.6, 15.3, 18.4, 19.8, 21.2],
        [68, 71, 75, 75, 76, 70, 65, 65, 66, 59, 64, 72],
    ),
}


@pytest.mark.parametrize("city", FILES)
def test_the_months_of_a_city_are_near_those_of_its_weather_file(city):
    """Rung: published value."""
    temps, rhs = CITIES[city].monthly()
    file_temps, file_rhs = FILES[city]
    assert temps == pytest.approx(file_temps, abs=3.1)
    assert rhs == pytest.approx(file_rhs, abs=13)


@pytest.mark.parametrize("city", CITIES)
def test_every_city_makes_a_year_of_weather(city):
    """Rung: property."""
    temps, rhs = CITIES[city].monthly()
    coldest = temps.index(min(temps))
    assert coldest == (6 if CITIES[city].south else 0)
    made_c, made_pa = from_normals(temps, rhs).monthly()
    assert made_c == pytest.approx(temps, abs=0.01)
    assert (made_pa > 0).all()
