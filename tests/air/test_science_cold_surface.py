"""Highest safe humidity by the coldest inner surface, against published figures and a table."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from conftest import ROOT
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.errors import OutOfRange
from monitor.science.climate.mould import critical_surface_humidity
from monitor.science.cold_surface import (
    FACTORS,
    LEAST_DIFFERENCE_K,
    MOULD_SURFACE_RH_PCT,
    ColdSurface,
    highest_safe_humidity,
    measured_factor,
    surface_temperature,
)

# Source: DIN 4108-2, the case behind its least factor 0.70: 20 °C and 50 % RH indoors, −5 °C
# outdoors, 80 % RH at a surface of 12.6 °C. Second-hand: 0.70 and 12.6 °C as read on public pages
# about the standard; the air of the case from memory. 12.6 °C is 0.704 of the way, so the standard
# rounds: tolerance 0.1 K and 0.5 % RH, ours.
ROOM_C, OUT_C, ROOM_RH, CRITICAL_C = 20.0, -5.0, 50.0, 12.6

# Source: saturation over water, IAPWS-97, in `psychrometric_checks.csv` as dew points
# (td_water_iapws97_C) of air at T and RH: independent of our saturation curve.
with (ROOT / "data/published/psychrometric_checks.csv").open(encoding="utf-8") as file:
    DEW_POINTS = [
        tuple(float(row[name]) for name in ("T_C", "RH_pct", "td_water_iapws97_C"))
        for row in csv.DictReader(file)
        if row["td_water_iapws97_C"] and 0 <= float(row["T_C"]) <= 50
    ]


def test_the_published_case_is_met():
    """Rung: published value."""
    assert surface_temperature(ROOM_C, OUT_C, 0.7) == pytest.approx(CRITICAL_C, abs=0.1)
    assert highest_safe_humidity(ROOM_C, OUT_C, 0.7) == pytest.approx(ROOM_RH, abs=0.5)
    factor = measured_factor(CRITICAL_C, ROOM_C, OUT_C)
    assert highest_safe_humidity(ROOM_C, OUT_C, factor) == pytest.approx(ROOM_RH, abs=0.1)


@pytest.mark.parametrize(("room_c", "rh_pct", "dew_c"), DEW_POINTS)
def test_dew_forms_on_a_pane_at_the_published_dew_point(room_c, rh_pct, dew_c):
    """Rung: independent library."""
    out_c = dew_c - 10.0
    factor = (dew_c - out_c) / (room_c - out_c)
    assert highest_safe_humidity(room_c, out_c, factor, 100) == pytest.approx(rh_pct, abs=0.1)


def test_enough_dew_points_were_read():
    """Rung: property."""
    assert len(DEW_POINTS) >= 10


# Source: our own formula by hand with e_w of the ASHRAE table (5 °C 872.6, 25 °C 3169.7 Pa;
# second-hand: as quoted in PsychroLib's tests): 80 · 872.6 / 3169.7.
def test_a_room_of_25_whose_wall_has_5_bears_22_percent():
    """Rung: independent derivation."""
    assert highest_safe_humidity(25.0, 0.0, 0.2) == pytest.approx(80 * 872.6 / 3169.7, abs=0.02)


def test_45_percent_at_minus_10_wets_single_panes_and_is_the_most_for_a_corner():
    """Rung: regression."""
    single = highest_safe_humidity(20.0, -10.0, FACTORS[ColdSurface.SINGLE_GLASS], 100)
    assert single < 25
    assert highest_safe_humidity(20.0, -10.0) == pytest.approx(45, abs=0.5)
    assert FACTORS[ColdSurface.SINGLE_GLASS] < FACTORS[ColdSurface.DOUBLE_GLASS] < 0.7


def test_the_mould_limit_agrees_with_the_mould_curve_of_wood():
    """Rung: property."""
    # Source: Hukka and Viitanen 1999, from memory: 80 % from 20 °C up, above it when colder.
    temps = np.linspace(1, 30, 30)
    assert np.all(critical_surface_humidity(temps) >= MOULD_SURFACE_RH_PCT)


@given(room=st.floats(5, 30), out=st.floats(-30, 30), factor=st.floats(0.1, 1.0))
def test_the_surface_is_at_its_limit_and_colder_never_bears_more(room, out, factor):
    """Rung: property."""
    most = float(highest_safe_humidity(room, out, factor))
    assert 0 < most <= MOULD_SURFACE_RH_PCT + 1e-9
    assert most >= float(highest_safe_humidity(room, out - 5, factor)) - 1e-9
    if out >= room or factor == 1.0:
        assert most == pytest.approx(MOULD_SURFACE_RH_PCT)


def test_arrays_scalars_and_nan():
    """Rung: property."""
    rooms = np.array([[18.0], [22.0]])
    out = np.array([-20.0, 0.0, np.nan])
    found = highest_safe_humidity(rooms, out)
    assert found.shape == (2, 3)
    assert np.isnan(found[:, 2]).all()
    assert found[1, 0] == highest_safe_humidity(22.0, -20.0)
    assert isinstance(float(highest_safe_humidity(22.0, -20.0)), float)


@pytest.mark.parametrize(
    ("args", "name"),
    [
        ((61.0, 0.0), "temp_c"),
        ((20.0, -61.0), "outdoor_temp_c"),
        ((20.0, 0.0, 0.05), "temperature_factor"),
        ((20.0, 0.0, 1.1), "temperature_factor"),
        ((20.0, 0.0, 0.7, 101.0), "surface_rh_pct"),
    ],
)
def test_what_cannot_be_is_refused(args, name):
    """Rung: property."""
    with pytest.raises(OutOfRange, match=name):
        highest_safe_humidity(*args)


def test_a_factor_is_measured_only_in_the_cold_and_only_on_a_cold_surface():
    """Rung: property."""
    assert measured_factor(11.0, 20.0, -10.0) == pytest.approx(0.7)
    assert np.isnan(measured_factor(18.0, 20.0, 20.0 - LEAST_DIFFERENCE_K + 0.1))
    assert np.isnan(measured_factor(19.5, 20.0, -10.0))  # a sensor on the bench
    assert np.isnan(measured_factor(-9.0, 20.0, -10.0))  # a sensor outdoors
    assert np.isnan(measured_factor(np.nan, 20.0, -10.0))
