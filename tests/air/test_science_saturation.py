"""Saturation vapour pressure over water and ice, its inverse, and the check of ranges."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws._iapws import _Sublimation_Pressure
from iapws.iapws97 import _PSat_T
from scipy.optimize import brentq

from monitor.core.errors import OutOfRange
from monitor.science import saturation
from monitor.science.ranges import BLOCK, checked, in_blocks
from monitor.science.saturation import (
    ice_temperature,
    ln_ice,
    ln_ice_slope,
    ln_water,
    ln_water_slope,
    saturation_vapour_pressure,
    water_temperature,
)

# Source: ASHRAE Handbook—Fundamentals (2017), ch. 1, Table 3, saturation pressure [Pa].
# Second-hand: as quoted in PsychroLib's tests. The table is not printed from ch. 1, eq. 6, but
# from a later formula. Tolerance: ours, what the two are known to differ by, 0.02 %.
P_SAT_PA = {5: 872.6, 25: 3169.7, 50: 12351.3}

# Source: IAPWS R14-08(2011), check value for the sublimation pressure at 230 K [Pa].
# From memory, unchecked. Tolerance: half the last printed digit.
P_ICE_230K_PA = 8.94735


def sonntag_1990_pa(temp_c):
    # Source: Sonntag, Z. Meteorol. 40, 1990, over water, as usually printed in hPa. From memory.
    t = temp_c + 273.15
    return 100 * np.exp(
        -6096.9385 / t + 16.635794 - 2.711193e-2 * t + 1.673952e-5 * t**2 + 2.433502 * np.log(t)
    )


def murphy_koop_2005_pa(temp_c):
    # Source: Murphy, Koop, Q. J. R. Meteorol. Soc. 131, 2005, eq. 10, over supercooled water.
    # From memory; it gives the paper's check value, 37.667 Pa at 240 K, also from memory.
    t = temp_c + 273.15
    return np.exp(
        54.842763
        - 6763.22 / t
        - 4.210 * np.log(t)
        + 0.000367 * t
        + np.tanh(0.0415 * (t - 218.8))
        * (53.878 - 1331.22 / t - 9.44523 * np.log(t) + 0.014025 * t)
    )


@pytest.mark.parametrize(("temp_c", "pressure_pa"), P_SAT_PA.items())
def test_the_curve_over_water_agrees_with_the_printed_table(temp_c, pressure_pa):
    """Rung: published value."""
    assert saturation_vapour_pressure(temp_c) == pytest.approx(pressure_pa, rel=2.5e-4)


@pytest.mark.slow
def test_from_zero_up_it_is_the_curve_that_psychrolib_has():
    """Rung: independent library."""
    # Source: PsychroLib, eq. 6 of ASHRAE's ch. 1. Tolerance: rounding. It takes ice below 0.01 °C.
    psychrolib.SetUnitSystem(psychrolib.SI)
    temp_c = np.linspace(0.02, 60, 6001)
    ashrae = psychrolib.GetSatVapPres(temp_c)
    assert saturation_vapour_pressure(temp_c) == pytest.approx(ashrae, rel=1e-13)


def test_from_zero_up_it_agrees_with_iapws_97():
    """Rung: independent library."""
    # Source: iapws, saturation line of IAPWS-IF97 [MPa]. Tolerance: what is reached, 0.018 %.
    temp_c = np.linspace(0, 60, 121)
    steam = [1e6 * _PSat_T(t + 273.15) for t in temp_c]
    assert saturation_vapour_pressure(temp_c) == pytest.approx(steam, rel=2e-4)


def test_below_zero_it_is_sonntags_curve():
    """Rung: regression. The same equation typed a second time; it finds a slip of typing only."""
    # Tolerance: ours; the shift that joins the curves is 6e-8 of the pressure.
    temp_c = np.linspace(-100, -0.001, 10_001)
    curve = saturation_vapour_pressure(temp_c)
    assert curve == pytest.approx(sonntag_1990_pa(temp_c), rel=1e-7)


# Tolerance: what is reached. The published curves over supercooled water part as it gets colder,
# by 1.2 % (0.12 K) at −45 °C; which is right cannot be said here.
@pytest.mark.parametrize(("down_to_c", "rel"), [(-15, 0.001), (-30, 0.0025), (-45, 0.012)])
def test_below_zero_an_independent_fit_agrees(down_to_c, rel):
    """Rung: independent derivation."""
    assert murphy_koop_2005_pa(240 - 273.15) == pytest.approx(37.667, abs=5e-4)
    temp_c = np.linspace(down_to_c, -0.001, 1001)
    curve = saturation_vapour_pressure(temp_c)
    assert curve == pytest.approx(murphy_koop_2005_pa(temp_c), rel=rel)


def test_the_two_curves_meet_without_a_step():
    """Rung: property."""
    around = np.array([-1e-9, 0.0, 1e-9])
    ln_e = ln_water(around)
    assert np.diff(ln_e) == pytest.approx(1e-9 * 0.0727, abs=5e-13)
    assert water_temperature(ln_e) == pytest.approx(around, abs=2e-11)


def test_the_inverse_has_no_step_at_the_joint_nor_at_the_triple_point():
    """Rung: property."""
    ln_e = np.linspace(float(ln_water(np.array(-0.02))), float(ln_water(np.array(0.03))), 5001)
    steps = np.diff(water_temperature(ln_e))
    assert steps.min() > 0
    assert steps.max() < 1.001 * steps.min()


# Numerical: the root by a bracketing method on the same curve. Tolerance: what the docstring says.
@pytest.mark.parametrize(
    ("low_c", "high_c", "within_k"), [(0, 60, 2e-9), (-80, 0, 8e-7), (-100, -80, 3e-6)]
)
def test_the_dew_point_of_a_vapour_pressure_is_the_root(low_c, high_c, within_k):
    """Rung: property."""
    a, b = ln_water(np.array([low_c, high_c], dtype=float))
    ln_e = np.linspace(a, b, 101)[1:-1]
    roots = [
        brentq(lambda t, y=y: float(ln_water(np.array(t))) - y, -101, 61, xtol=1e-12) for y in ln_e
    ]
    assert np.abs(water_temperature(ln_e) - roots).max() < within_k


def test_where_no_formula_reaches_the_dew_point_is_nan_and_its_neighbours_are_not():
    """Rung: property."""
    ln_e = np.array([math.log(1000), -40.0, math.nan, math.log(100)])
    assert np.isnan(water_temperature(ln_e)).tolist() == [False, True, True, False]


def pressure_over_ice(temp_c):
    return np.exp(ln_ice(np.asarray(temp_c)))


def test_the_curve_over_ice_is_that_of_iapws():
    """Rung: independent library."""
    # Source: iapws, IAPWS R14-08 [MPa]. Tolerance: rounding.
    temp_c = np.linspace(-100, 0.01, 1002)
    ice = [1e6 * _Sublimation_Pressure(min(t + 273.15, 273.16)) for t in temp_c]
    assert pressure_over_ice(temp_c) == pytest.approx(ice, rel=1e-9)
    at_230k = pressure_over_ice(230 - 273.15)
    assert at_230k == pytest.approx(P_ICE_230K_PA, abs=5e-6)


def test_ice_water_and_vapour_meet_at_the_triple_point():
    """Rung: published value."""
    # Source: IAPWS R14-08, 611.657 Pa. Tolerance: ours; Hyland and Wexler are 0.004 Pa off there.
    assert pressure_over_ice(0.01) == pytest.approx(611.657, abs=1e-9)
    assert saturation_vapour_pressure(0.01) == pytest.approx(611.657, abs=0.01)


def test_the_frost_point_of_a_vapour_pressure_is_the_root():
    """Rung: property."""
    ln_e = np.linspace(*ln_ice(np.array([-99.99, 0.0099])), 101)
    roots = [
        brentq(lambda t, y=y: float(ln_ice(np.array(t))) - y, -101, 1, xtol=1e-12) for y in ln_e
    ]
    assert np.abs(ice_temperature(ln_e) - roots).max() < 1e-9


@pytest.mark.parametrize(
    ("curve", "slope", "high_c"), [(ln_water, ln_water_slope, 60), (ln_ice, ln_ice_slope, 0)]
)
def test_the_slopes_are_those_of_the_curves(curve, slope, high_c):
    """Rung: property."""
    # Numerical: central differences of 0.01 K, away from the kink at 0 °C.
    temp_c = np.arange(-99.5, high_c, 1.0)
    numerical = (curve(temp_c + 0.01) - curve(temp_c - 0.01)) / 0.02
    assert slope(temp_c) == pytest.approx(numerical, rel=1e-6)


def test_the_curve_takes_scalars_arrays_series_and_nan():
    """Rung: property."""
    curve, (low, high) = saturation_vapour_pressure, saturation.WATER_C
    one = curve(high)
    assert isinstance(one, float)
    for many in ([low, high], np.array([low, high]), pd.Series([low, high], index=[7, 9])):
        result = curve(many)
        assert isinstance(result, np.ndarray)
        assert result[1] == pytest.approx(one, rel=1e-14)
    assert curve([]).shape == (0,)
    assert np.isnan(curve([[math.nan], [low]])).tolist() == [[True], [False]]
    assert math.isnan(curve(math.nan))


def test_the_curve_refuses_what_lies_outside_its_range():
    """Rung: property."""
    curve, (low, high) = saturation_vapour_pressure, saturation.WATER_C
    for beyond in (low - 0.001, high + 0.001, -math.inf, math.inf):
        with pytest.raises(OutOfRange, match="temp_c"):
            curve(beyond)


@given(st.floats(-100, 60), st.floats(-100, 60))
def test_the_curve_over_water_rises(one_c, other_c):
    """Rung: property."""
    low, high = sorted((one_c, other_c))
    if high - low > 1e-9:
        assert saturation_vapour_pressure(low) < saturation_vapour_pressure(high)


@given(st.floats(-100, -0.001))
def test_ice_holds_less_vapour_than_supercooled_water(temp_c):
    """Rung: property."""
    assert pressure_over_ice(temp_c) < saturation_vapour_pressure(temp_c)


@pytest.mark.parametrize(
    ("value", "limits", "message"),
    [
        (70, {"low": -45, "high": 60}, "temp_c = 70 °C: must be -45 to 60 °C"),
        ([1, 70, 80], {"low": -45, "high": 60}, "temp_c[1] = 70 °C: must be -45 to 60 °C"),
        (
            [[1, math.nan], [2, -50]],
            {"low": -45},
            "temp_c[1, 1] = -50 °C: must be at least -45 °C",
        ),
        ([math.nan, 61], {"high": 60}, "temp_c[1] = 61 °C: must be at most 60 °C"),
        (0, {"low": 0, "low_open": True}, "temp_c = 0 °C: must be above 0 °C"),
        (
            pd.Series([5.0, 0.0], index=[3, 4]),
            {"low": 0, "high": 9, "low_open": True},
            "temp_c[1] = 0 °C: must be above 0, up to 9 °C",
        ),
    ],
)
def test_the_first_value_outside_a_range_is_named(value, limits, message):
    """Rung: property."""
    with pytest.raises(OutOfRange) as refused:
        checked("temp_c", value, "°C", **limits)
    assert str(refused.value) == message
    assert refused.value.name == "temp_c"
    assert refused.value.unit == "°C"
    assert refused.value.low == limits.get("low")
    assert refused.value.high == limits.get("high")


@pytest.mark.parametrize("value", [5, [0, 9], [math.nan, 0], [], math.nan, [[0.0], [9.0]]])
def test_what_is_inside_passes_as_float64_without_a_copy(value):
    """Rung: property."""
    array = np.asarray(value, dtype=np.float64)
    result = checked("temp_c", array, "°C", low=0, high=9)
    assert result is array
    assert checked("temp_c", value, "°C", low=0, high=9).dtype == np.float64


@pytest.mark.parametrize("size", [1, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK + 3])
def test_blocks_leave_no_seam(size):
    """Rung: property."""
    a = np.arange(size, dtype=float)
    assert np.array_equal(in_blocks(lambda a, b: 2 * a + b, a, np.array(0.5)), 2 * a + 0.5)


def test_blocks_broadcast_as_numpy_does():
    """Rung: property."""
    column, row = np.arange(200.0)[:, np.newaxis], np.arange(101.0)
    assert np.array_equal(in_blocks(lambda a, b: a * b, column, row), column * row)
    assert in_blocks(lambda a: a, np.empty((0, 3))).shape == (0, 3)
