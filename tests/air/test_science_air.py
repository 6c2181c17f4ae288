"""Vapour, dew point and frost point, against PsychroLib, MetPy, iapws and by identity."""

from __future__ import annotations

import math
import warnings
from importlib.resources import files

import numpy as np
import pandas as pd
import psychrolib
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from iapws._iapws import _Sublimation_Pressure
from scipy.optimize import brentq

from monitor.core.errors import OutOfRange
from monitor.science import air
from monitor.science.air import (
    absolute_humidity,
    dew_point,
    frost_point,
    humidity_ratio,
    pressure_at_altitude,
    relative_humidity,
    relative_humidity_at,
    vapour_pressure,
    vapour_pressure_deficit,
    wet_bulb,
)

psychrolib.SetUnitSystem(psychrolib.SI)

# Source: 60 states worked out with PsychroLib 2.5.0, iapws 1.5.5, MetPy 1.7.1 and Sonntag's
# equation; see data/SOURCES.md. Relative humidity is over liquid water in every row.
with (files("data") / "published" / "psychrometric_checks.csv").open(encoding="utf-8") as f:
    CHECKS = pd.read_csv(f)
T, RH, P = (CHECKS[c].to_numpy(float) for c in ("T_C", "RH_pct", "p_Pa"))


def published(column: str) -> np.ndarray:
    return CHECKS[column].to_numpy(float)


def grid(low_c: float, high_c: float, rows: int, low_pct: float = 1.0):
    """Temperature and relative humidity of a dense grid, as two flat arrays."""
    t, rh = np.meshgrid(np.linspace(low_c, high_c, rows), np.linspace(low_pct, 100, 199))
    return t.ravel(), rh.ravel()


# --- Values of general libraries --------------------------------------------------------------


# Tolerance: the digits of the file, and 0.025 % where Hyland and Wexler, IAPWS and Sonntag differ.
@pytest.mark.parametrize(
    ("column", "rel"),
    [("e_psychrolib_Pa", 1e-6), ("e_iapws97_Pa", 2e-4), ("e_sonntag_Pa", 2.5e-4)],
)
def test_vapour_pressure_agrees_with_the_checks(column, rel):
    """Rung: independent library."""
    covered = np.isfinite(published(column))
    warm = covered & (T > 0.01)
    ours = vapour_pressure(T, RH)
    assert warm.sum() > 40
    assert ours[warm] == pytest.approx(published(column)[warm], rel=rel, abs=6e-4)
    assert ours[covered] == pytest.approx(published(column)[covered], rel=2.5e-4)


def test_dew_point_agrees_with_the_checks():
    """Rung: independent library."""
    # Tolerance: the file's rounding for PsychroLib; 0.003 K between Hyland and Wexler and Sonntag.
    ours = dew_point(T, RH)
    over_water = (CHECKS["td_psychrolib_branch"] == "water").to_numpy()
    ashrae = published("td_psychrolib_C")[over_water]
    assert ours[over_water] == pytest.approx(ashrae, abs=1e-4)
    assert ours == pytest.approx(published("td_water_sonntag_C"), abs=0.003)


def test_frost_point_agrees_with_the_checks():
    """Rung: independent library."""
    ours, iapws = frost_point(T, RH), published("tf_ice_iapwsR14_C")
    assert np.array_equal(np.isnan(ours), np.isnan(iapws))
    frost = ~np.isnan(iapws)
    assert frost.sum() > 15
    # Tolerance: Hyland and Wexler's vapour against Sonntag's where the air is warm, 0.003 K.
    assert ours[frost] == pytest.approx(iapws[frost], abs=0.003)


@pytest.mark.parametrize(
    ("ours", "column", "rel", "within"),
    [
        (humidity_ratio(T, RH, P), "W_psychrolib_kgkg", 1e-5, 6e-8),
        (absolute_humidity(T, RH), "abs_hum_gm3", 1e-5, 6e-5),
        (vapour_pressure_deficit(T, RH), "vpd_Pa", 2e-5, 6e-4),
    ],
)
def test_humidity_agrees_with_the_checks(ours, column, rel, within):
    """Rung: independent library."""
    assert ours == pytest.approx(published(column), rel=rel, abs=within)


# Source: ASHRAE Handbook—Fundamentals (2017), ch. 1, eq. 3. Second-hand: PsychroLib.
def test_pressure_falls_with_altitude_as_psychrolib_has_it():
    """Rung: independent library."""
    altitude_m = np.linspace(-500, 9000, 96)
    ashrae = [psychrolib.GetStandardAtmPressure(z) for z in altitude_m]
    assert pressure_at_altitude(altitude_m) == pytest.approx(ashrae, rel=1e-12)


# What heating does: outdoor air at −10 °C, 80 % warmed to 20 °C has 9.8 %. From a table of
# such states worked out with Sonntag's equation outdoors and Hyland and Wexler's indoors.
@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "at_20_c"),
    [(-20, 70, 3.8), (-10, 80, 9.8), (-5, 80, 14.4), (0, 80, 20.9), (5, 80, 29.8), (10, 80, 42.0)],
)
def test_heated_winter_air_is_dry(temp_c, rh_pct, at_20_c):
    """Rung: independent derivation."""
    assert relative_humidity_at(temp_c, rh_pct, 20) == pytest.approx(at_20_c, abs=0.05)


# --- Dense grids ----------------------------------------------------------------------------


@pytest.mark.slow
def test_dew_point_is_the_ashrae_one_from_0_to_60_c():
    """Rung: independent library."""
    # Source: PsychroLib, inverting eq. 6. Target 0.01 K; reached 3e-5 K, which is PsychroLib's
    # own stopping error. Where its dew point is below 0.01 °C it is a frost point: left out.
    t, rh = grid(0.02, 60, 601)
    ashrae = psychrolib.GetTDewPointFromRelHum(t, rh / 100)
    water = ashrae > 0.01
    assert water.mean() > 0.7
    assert np.abs(dew_point(t, rh) - ashrae)[water].max() < 1e-4


def test_the_dew_point_of_warm_air_below_zero_is_sonntags():
    """Rung: independent derivation."""

    # Independent: Sonntag's equation on both sides, its root by bracketing. From memory.
    # Target 0.02 K; reached 0.0035 K, by which the two curves differ when the air is warm.
    def ln_sonntag(t_c):
        t = t_c + 273.15
        return (
            -6096.9385 / t
            + 16.635794
            - 2.711193e-2 * t
            + 1.673952e-5 * t**2
            + 2.433502 * math.log(t)
        )

    t, rh = (x[::37] for x in grid(-45, 60, 106))
    ours = dew_point(t, rh)
    below = ours < 0
    assert below.sum() > 200
    theirs = [
        brentq(
            lambda x, t=t_c, h=rh_pct / 100: ln_sonntag(x) - ln_sonntag(t) - math.log(h),
            -99,
            61,
            xtol=1e-10,
        )
        for t_c, rh_pct in zip(t[below], rh[below], strict=True)
    ]
    assert np.abs(ours[below] - theirs).max() < 0.005


def test_frost_point_is_that_of_iapws_on_a_grid():
    """Rung: independent library."""
    # Independent: iapws's sublimation pressure, its root by bracketing. Target 0.01 K.
    t, rh = (x[::211] for x in grid(-45, 60, 106))
    ours = frost_point(t, rh)
    frost = ~np.isnan(ours)
    assert frost.sum() > 40
    e_pa = vapour_pressure(t, rh)[frost]
    theirs = [
        brentq(lambda x, e=e: 1e6 * _Sublimation_Pressure(x) - e, 170, 273.16, xtol=1e-9) - 273.15
        for e in e_pa
    ]
    assert np.abs(ours[frost] - theirs).max() < 1e-6


def test_dew_point_differs_from_metpy_by_its_coarser_formula():
    """Rung: independent library."""
    # Source: MetPy, dew point over liquid water. Tolerance: ours; MetPy's vapour pressure is up to
    # 0.8 % low at 60 °C, and it solves for the dew point with a second formula (Bolton 1980).
    t, rh = grid(-20, 60, 161)
    with (
        warnings.catch_warnings()
    ):  # MetPy's own imports may announce deprecations; not ours to fix
        warnings.simplefilter("ignore", DeprecationWarning)  # imported here: it takes seconds
        from metpy.calc import dewpoint_from_relative_humidity
        from metpy.units import units

    metpy = dewpoint_from_relative_humidity(
        units.Quantity(t, "degC"), units.Quantity(rh / 100, "dimensionless")
    ).magnitude
    off = np.abs(dew_point(t, rh) - metpy)
    assert off[(t <= 40) & (rh >= 10)].max() < 0.12
    assert off.max() < 0.5


# --- Identities -----------------------------------------------------------------------------

TEMPS = st.floats(-45, 60)
HUMIDITIES = st.floats(0.5, 100)
PRESSURES = st.floats(30_000, 110_000)


@given(TEMPS, PRESSURES)
def test_saturated_air_is_at_its_dew_point_and_its_wet_bulb(temp_c, pressure_pa):
    """Rung: property."""
    assert dew_point(temp_c, 100) == temp_c
    assert wet_bulb(temp_c, 100, pressure_pa) == pytest.approx(temp_c, abs=1e-9)
    assert vapour_pressure_deficit(temp_c, 100) == 0


@given(TEMPS, st.floats(99.999, 100))
def test_the_dew_point_closes_in_on_the_air_without_a_jump(temp_c, rh_pct):
    """Rung: property."""
    assert dew_point(temp_c, rh_pct) == pytest.approx(temp_c, abs=3e-4)


@given(TEMPS, st.floats(1, 100))
def test_the_dew_point_gives_the_humidity_back(temp_c, rh_pct):
    """Rung: property."""
    again_pct = relative_humidity(temp_c, dew_point(temp_c, rh_pct))
    assert again_pct == pytest.approx(rh_pct, rel=1.2e-7)  # 1e-6 K


@given(TEMPS, HUMIDITIES, HUMIDITIES)
def test_damper_air_has_the_higher_dew_point_and_wet_bulb(temp_c, one_pct, other_pct):
    """Rung: property."""
    low, high = sorted((one_pct, other_pct))
    assume(high - low > 1e-3)
    assert dew_point(temp_c, low) < dew_point(temp_c, high)
    assert wet_bulb(temp_c, low) <= wet_bulb(temp_c, high)
    assert humidity_ratio(temp_c, low) < humidity_ratio(temp_c, high)


@given(TEMPS, HUMIDITIES)
def test_frost_forms_before_dew_would_below_zero(temp_c, rh_pct):
    """Rung: property."""
    t_d, t_f = dew_point(temp_c, rh_pct), frost_point(temp_c, rh_pct)
    if t_d < 0:
        assert t_f > t_d
    elif vapour_pressure(temp_c, rh_pct) > 611.66:
        assert math.isnan(t_f)


@given(TEMPS, st.floats(1, 100), TEMPS)
def test_heating_keeps_vapour_dew_point_and_humidity_ratio(temp_c, rh_pct, new_temp_c):
    """Rung: property."""
    new_pct = relative_humidity_at(temp_c, rh_pct, new_temp_c)
    assume(1e-3 < new_pct <= 100)
    before, after = (temp_c, rh_pct), (new_temp_c, new_pct)
    assert vapour_pressure(*after) == pytest.approx(vapour_pressure(*before), rel=1e-12)
    assert humidity_ratio(*after) == pytest.approx(humidity_ratio(*before), rel=1e-12)
    assert dew_point(*after) == pytest.approx(dew_point(*before), abs=2e-6)


def test_heating_does_not_keep_grams_per_cubic_metre():
    """Rung: property."""
    # Source: v = e/(R_v T): 20 K at 0 °C take 7 %.
    warm_pct = relative_humidity_at(0, 80, 20)
    kept = absolute_humidity(20, warm_pct) / absolute_humidity(0, 80)
    assert kept == pytest.approx(273.15 / 293.15, rel=1e-12)


def test_air_cooled_below_its_dew_point_is_over_a_hundred_per_cent():
    """Rung: property."""
    assert relative_humidity_at(20, 80, 10) > 100
    assert relative_humidity(10, 12) > 100


def test_below_zero_humidity_counts_over_water_and_dew_is_not_frost():
    """Rung: regression."""
    # Identity: e = h e_w. The library that counts over ice has 207.9 Pa here, not 229.2.
    assert vapour_pressure(-10, 80) == pytest.approx(229.2, abs=0.1)
    assert dew_point(-10, 80) == pytest.approx(-12.79, abs=0.005)
    assert frost_point(-10, 80) == pytest.approx(-11.41, abs=0.005)
    # Saturated over ice means 90.7 % over water: the air is then at its own frost point.
    assert frost_point(-10, 90.7) == pytest.approx(-10, abs=0.01)


def test_pressure_matters_to_humidity_ratio_and_wet_bulb():
    """Rung: independent library."""
    # Source: PsychroLib, 20 °C and 50 %. Tolerance: its rounding here.
    pressures = [101_325, 90_000, 70_000]
    assert 1000 * humidity_ratio(20, 50, pressures) == pytest.approx(
        [7.262, 8.188, 10.567], abs=6e-4
    )
    assert wet_bulb(20, 50, pressures) == pytest.approx([13.78, 13.49, 12.90], abs=6e-3)


def test_air_so_dry_that_no_formula_reaches_has_no_dew_point():
    """Rung: property."""
    both = dew_point([20.0, 20.0], [1e-9, 50.0])
    assert np.isnan(both).tolist() == [True, False]
    assert math.isnan(frost_point(20, 1e-9))
    assert math.isnan(dew_point(20, 5e-324))
    assert dew_point(-45, 0.1) > -100


def test_bone_dry_air_is_allowed_where_no_logarithm_is_taken():
    """Rung: property."""
    for function in (vapour_pressure, absolute_humidity, humidity_ratio):
        assert function(20, 0) == 0
    assert vapour_pressure_deficit(20, 0) == vapour_pressure(20, 100)
    assert wet_bulb(20, 0) < wet_bulb(20, 1)
    assert relative_humidity_at(20, 0, 30) == 0


# --- Shapes and refusals ----------------------------------------------------------------------

OF_AIR = [
    vapour_pressure,
    vapour_pressure_deficit,
    dew_point,
    frost_point,
    absolute_humidity,
    humidity_ratio,
    wet_bulb,
]


@pytest.mark.parametrize("function", OF_AIR)
def test_scalars_arrays_series_broadcasting_and_nan(function):
    """Rung: property."""
    one = function(10, 40)
    assert isinstance(one, float)
    temps, humidities = [[10.0], [-5.0], [math.nan]], [40.0, 90.0, math.nan]
    grid_of = function(temps, humidities)
    assert grid_of.shape == (3, 3)
    assert grid_of[0, 0] == pytest.approx(one, rel=1e-9)
    assert np.isnan(grid_of[2]).all()
    assert np.isnan(grid_of[:, 2]).all()
    assert not np.isnan(grid_of[1, :2]).any()
    series = pd.Series([10.0, 10.0], index=[3, 1])
    assert function(series, 40) == pytest.approx([one, one], rel=1e-9)
    assert function([], []).shape == (0,)


@pytest.mark.slow
@pytest.mark.parametrize("function", OF_AIR)
def test_a_long_column_equals_its_parts(function):
    """Rung: property."""
    random = np.random.default_rng(11)
    t, rh = random.uniform(-45, 60, 20_000), random.uniform(1, 100, 20_000)
    whole = function(t, rh)
    parts = np.concatenate([function(t[i : i + 7], rh[i : i + 7]) for i in range(0, 20_000, 7)])
    assert whole == pytest.approx(parts, rel=1e-9, abs=1e-8, nan_ok=True)


@pytest.mark.parametrize("function", OF_AIR)
def test_both_ends_of_every_range_work(function):
    """Rung: property."""
    for temp_c in air.TEMP_C:
        assert not math.isnan(function(temp_c, 100)) or function is frost_point
        assert function(temp_c, 1) is not None
    with_pressure = function in (humidity_ratio, wet_bulb)
    for pressure_pa in air.PRESSURE_PA if with_pressure else ():
        assert np.isfinite(function(60, 100, pressure_pa))


@pytest.mark.parametrize("function", OF_AIR)
@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "message"),
    [
        (-45.01, 50, r"temp_c = -45\.01 °C: must be -45 to 60 °C"),
        (60.01, 50, r"temp_c = 60\.01 °C"),
        (math.inf, 50, "temp_c = inf °C"),
        (20, -0.01, r"rh_pct = -0\.01%"),
        (20, 100.01, r"rh_pct = 100\.01%"),
        ([20, 20, 70], [50, 50, 50], r"temp_c\[2\] = 70 °C"),
        (20, [[50, 104]], r"rh_pct\[0, 1\] = 104%"),
    ],
)
def test_air_outside_the_range_is_refused(function, temp_c, rh_pct, message):
    """Rung: property."""
    with pytest.raises(OutOfRange, match=message):
        function(temp_c, rh_pct)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: dew_point(20, 0), "rh_pct = 0%: must be above 0, up to 100%"),
        (lambda: frost_point(-5, [50, 0]), r"rh_pct\[1\] = 0%"),
        (lambda: humidity_ratio(20, 50, 1013.25), "pressure_pa = 1013.25 Pa"),
        (lambda: wet_bulb(20, 50, 110_001), "pressure_pa"),
        (lambda: relative_humidity(20, 60.1), "dew_point_c"),
        (lambda: relative_humidity(61, 20), "temp_c"),
        (lambda: relative_humidity_at(20, 50, -46), "new_temp_c"),
        (lambda: pressure_at_altitude(9001), "altitude_m"),
    ],
)
def test_what_cannot_be_is_refused(call, message):
    """Rung: property."""
    with pytest.raises(OutOfRange, match=message):
        call()
