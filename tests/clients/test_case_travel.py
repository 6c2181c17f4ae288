"""Cold cases, hot cars and walls that get wet: against tables and measurements."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.errors import OutOfRange
from monitor.science.case.presets import PRESETS
from monitor.science.case.travel import hot_car, shut_hours, slowest_case, warm_up, wets_below_c
from monitor.science.saturation import saturation_vapour_pressure

VIOLIN = PRESETS["violin, hard case"]

# Source: worked out by hand from τ ln[(T_room − T_0)/(T_room − t)]: from, room, its RH, its dew
# point; minutes to that and to 3 K above it, for τ = 30, 60 and 120 min. Tolerance: rounding.
WARM_UPS = [
    (0, 21, 45, 8.6, (16, 24), (32, 48), (63, 97)),
    (-10, 21, 40, 6.9, (24, 31), (47, 62), (95, 123)),
    (0, 21, 30, 2.8, (4, 10), (9, 19), (17, 39)),
    (5, 22, 55, 12.6, (18, 29), (35, 58), (70, 116)),
    (-15, 20, 35, 4.1, (24, 30), (47, 60), (95, 120)),
]


@pytest.mark.parametrize(("cold", "room", "rh", "dew", "fast", "usual", "slow"), WARM_UPS)
def test_a_cold_case_stays_shut_until_its_inside_is_above_the_dew_point(
    cold, room, rh, dew, fast, usual, slow
):
    """Rung: independent derivation."""
    found = warm_up(VIOLIN, cold, room, rh)
    assert found.wets_below_c == pytest.approx(dew, abs=0.06)
    assert found.dew_point_min == pytest.approx((fast[0], usual[0], slow[0]), abs=1.0)
    assert found.open_min == pytest.approx((fast[1], usual[1], slow[1]), abs=1.0)


@pytest.mark.parametrize(
    ("cold", "room", "rh", "violin", "cello"),
    [(0, 21, 45, 2, 4), (-10, 21, 40, 3, 5), (0, 21, 30, 2, 2), (5, 22, 55, 2, 4)],
)
def test_the_hours_of_a_shut_case_are_those_of_a_slow_one(cold, room, rh, violin, cello):
    """Rung: independent derivation."""
    # Source: the minutes of `WARM_UPS` for τ = 120 min, twice those for a cello's 240 min, in hours
    # rounded up; two at least.
    assert shut_hours(slowest_case("violin"), cold, room, rh) == violin
    assert shut_hours(slowest_case("cello"), cold, room, rh) == cello


def test_a_case_is_shut_overnight_where_no_hours_follow():
    """Rung: property."""
    assert shut_hours(VIOLIN, 0.0, 21.0, 95.0) is None
    assert shut_hours(VIOLIN, 21.0, 21.0, 45.0) is None  # not known to be cold
    assert shut_hours(slowest_case(), -20.0, 21.0, 75.0) is None  # longer than `LONG_SHUT_H`


def test_a_warm_case_may_be_opened_at_once_and_in_a_steam_bath_never():
    """Rung: property."""
    assert warm_up(VIOLIN, 21.0, 21.0, 45.0).open_min == (0.0, 0.0, 0.0)
    assert warm_up(VIOLIN, 0.0, 21.0, 95.0).open_min == (np.inf,) * 3
    assert warm_up(VIOLIN, 0.0, 21.0, 95.0).dew_point_min.median < np.inf


@given(st.floats(-30, 5), st.floats(10, 60), st.floats(10, 60))
def test_colder_cases_and_damper_rooms_wait_longer(cold, rh, more):
    """Rung: property."""
    base = warm_up(VIOLIN, cold, 21.0, rh).open_min
    assert (np.array(warm_up(VIOLIN, cold - 5, 21.0, rh).open_min) >= base).all()
    assert (np.array(warm_up(VIOLIN, cold, 21.0, min(rh + more, 100)).open_min) >= base).all()
    large = replace(VIOLIN, warms_min=2 * VIOLIN.warms_min)
    assert (np.array(warm_up(large, cold, 21.0, rh).open_min) >= base).all()


def test_below_freezing_it_is_frost_that_comes_first():
    """Rung: independent library."""
    # Source: computed with IAPWS R14-08 over ice, 233.9 Pa: frost point −11.18 °C, dew −12.54 °C.
    rh = 100 * 233.9 / float(saturation_vapour_pressure(0.0))
    assert wets_below_c(0.0, rh) == pytest.approx(-11.18, abs=0.02)


def test_a_damp_warm_case_gets_wet_inside_when_it_is_carried_into_the_cold():
    """Rung: property."""
    assert wets_below_c(21.0, 60.0) > 5.0
    assert wets_below_c(21.0, 60.0) < 20.0
    assert wets_below_c(21.0, 25.0) < 5.0


# Source: McLaren, Null, Quinn, Pediatrics 116, 2005: 1.8 K each five minutes over the first hour,
# 80 % of the rise in half an hour, about 22 K in all; 47 °C inside at 22 °C outdoors. Second-hand.
def test_a_car_in_the_sun_heats_as_measured():
    """Rung: regression (calibration). The curve was fitted to these figures."""
    hour, half = hot_car(22.0, 60), hot_car(22.0, 30)
    assert (hour.temp_c.median - 22) / 12 == pytest.approx(1.8, abs=0.1)
    assert (half.temp_c.median - 22) / 22 == pytest.approx(0.80, abs=0.02)
    assert hour.temp_c.low < 47 < hour.temp_c.high + 0.5
    assert hot_car(30.0, 0).temp_c == (30.0, 30.0, 30.0)


def test_a_shut_case_in_a_hot_car_gets_damper_not_drier():
    """Rung: independent derivation."""
    # Source: worked out from Wood Handbook eq. 4-5 at constant moisture: 45 % at 20 °C is 51.4 at 47.
    assert hot_car(25.0, 1000).case_rh_pct == pytest.approx(51.4, abs=0.1)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: warm_up(VIOLIN, -80.0, 21.0, 45.0), "case_c"),
        (lambda: warm_up(VIOLIN, 0.0, 21.0, 0.0), "rh_pct"),
        (lambda: warm_up(VIOLIN, 0.0, 90.0, 45.0), "temp_c"),
        (lambda: hot_car(95.0, 10), "outdoor_c"),
        (lambda: hot_car(25.0, -1), "minutes"),
        (lambda: hot_car(25.0, 10, 130.0), "rh_pct"),
    ],
)
def test_air_that_cannot_be_is_refused_by_name(call, name):
    """Rung: property."""
    with pytest.raises(OutOfRange) as caught:
        call()
    assert caught.value.name == name
