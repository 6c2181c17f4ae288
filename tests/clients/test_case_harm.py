"""Harm on both sides of a band, and rooms that are changed: by hand and by limits."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.science.case.harm import harm_of
from monitor.science.case.home_readings import MonthReading, from_readings
from monitor.science.case.presets import PRESETS, Use
from monitor.science.case.rooms import RoomChange, another, dehumidified, humidified, litres_needed
from monitor.science.case.simulation import RoomAir, simulate

ALL = tuple(range(1, 13))
DAYS = np.ones(365, dtype=bool)
BAND = (40.0, 60.0)


def harm(rh_pct, days=DAYS):
    """Harm of a year at rest in steady air of 20 °C. [d]"""
    air = RoomAir(np.full(8760, 20.0), np.full(8760, float(rh_pct)))
    case = PRESETS["violin, hard case"].usual
    year = simulate(case, air, Use(played=()), members=1, start_pct=float(rh_pct))
    return tuple(float(side[0]) for side in harm_of(year, BAND, days))


def test_a_year_10_pct_too_dry_is_a_year_of_harm_and_20_pct_is_four():
    """Rung: independent derivation."""
    # Worked out by hand from the definition: (d / 10)² for each day.
    assert harm(50) == (0, 0)
    assert harm(30) == pytest.approx((365, 0), abs=1)
    assert harm(20) == pytest.approx((4 * 365, 0), abs=3)
    january = DAYS & (np.arange(365) < 31)
    assert harm(30, january) == pytest.approx((31, 0), abs=0.1)


def test_damp_above_70_pct_weighs_twice_as_much_as_dry_as_far_out():
    """Rung: independent derivation."""
    # By hand: 1 + 1 at 70.5 %; at 81 %, where mould can grow, 4.4 + 1 + 3.
    assert harm(70.5)[1] == pytest.approx(365 * (1.05**2 + 1), rel=0.01)
    assert harm(81)[1] == pytest.approx(365 * (2.1**2 + 4), rel=0.01)
    assert harm(65)[1] == pytest.approx(365 * 0.25, rel=0.01)


def home(rh_pct, temp_c=21.0):
    readings = [MonthReading(m, temp_c, float(rh_pct)) for m in ALL]
    return from_readings(readings, members=11)


def test_a_small_room_is_kept_and_its_water_is_that_of_its_air_changes():
    """Rung: independent derivation."""
    year = home(25)
    change = RoomChange(months=ALL, set_pct=45.0, litres_day=8.0)
    made = humidified(year, change)
    # By hand: 30 m³, 0.5 changes an hour, 20 % of 18.3 g/m³: 1.3 L a day, times 2 at the most.
    assert np.abs(made.year.rh_pct - 45).max() <= 3
    assert np.median(made.year.litres_day[:, 0]) == pytest.approx(1.32, rel=0.1)
    assert 1.3 < litres_needed(year, change) < 4.0
    short = humidified(year, RoomChange(months=ALL, set_pct=45.0, litres_day=0.5))
    assert np.median(short.year.rh_pct[:, 0]) == pytest.approx(25 + 20 * 0.5 / 1.32, abs=1.0)


def test_a_dehumidifier_never_dries_below_its_setting_nor_moistens():
    """Rung: property."""
    year = home(75, 25.0)
    made = dehumidified(year, RoomChange(months=(6, 7, 8), set_pct=55.0, litres_day=8.0)).year
    assert (made.rh_pct <= year.rh_pct + 1e-9).all()
    assert made.rh_pct[4400].max() < 58.1
    assert made.rh_pct[100] == pytest.approx(year.rh_pct[100])
    dry = dehumidified(home(25), RoomChange(months=ALL, set_pct=55.0, litres_day=8.0)).year
    assert dry.litres_day.max() == 0


def test_a_cooler_room_holds_the_same_water():
    """Rung: independent derivation."""
    year = home(30)
    made = another(year, RoomChange(months=(1, 2), warmer_k=-4.0)).year
    # By hand: saturation 24.9 hPa at 21 °C, 19.4 hPa at 17 °C.
    assert made.temp_c[100] == pytest.approx(17.0, abs=0.1)
    assert made.rh_pct[100] == pytest.approx(year.rh_pct[100] * 24.87 / 19.37, rel=0.01)
    assert made.temp_c[4400] == year.temp_c[4400]
