"""The thermodynamic wet bulb, against PsychroLib and by identity."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pandas as pd
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science.air import dew_point, humidity_ratio, wet_bulb

psychrolib.SetUnitSystem(psychrolib.SI)


def grid(low_pct: float):
    """Temperature and relative humidity of a dense grid, as two flat arrays."""
    t, rh = np.meshgrid(np.linspace(-45, 60, 211), np.linspace(low_pct, 100, 199))
    return t.ravel(), rh.ravel()


def test_wet_bulb_agrees_with_the_checks():
    """Rung: independent library."""
    # Source: 60 states worked out with PsychroLib 2.5.0; see data/SOURCES.md.
    # Tolerance: PsychroLib stops at 0.001 K.
    with (files("data") / "published" / "psychrometric_checks.csv").open(encoding="utf-8") as f:
        checks = pd.read_csv(f)
    t, rh, p, known = (
        checks[c].to_numpy(float) for c in ("T_C", "RH_pct", "p_Pa", "twb_psychrolib_C")
    )
    assert wet_bulb(t, rh, p) == pytest.approx(known, abs=0.0015)


@pytest.mark.slow
@pytest.mark.parametrize("pressure_pa", [101_325.0, 70_000.0])
def test_wet_bulb_is_the_ashrae_one(pressure_pa):
    """Rung: independent library."""
    # Source: PsychroLib, bisecting eq. 33 and 35 to 0.001 K. Where it finds ice on the bulb and
    # we water (both balance there), the next test stands in.
    t, rh = grid(low_pct=2.0)
    p = np.full_like(t, pressure_pa)
    w = np.maximum(humidity_ratio(t, rh, pressure_pa), 1e-7)  # its smallest
    ours, ashrae = wet_bulb(t, rh, pressure_pa), psychrolib.GetTWetBulbFromHumRatio(t, w, p)
    two_bulbs = (ours >= 0) & (ashrae < 0)
    assert two_bulbs.mean() < 0.01
    assert np.abs(ours - ashrae)[~two_bulbs].max() < 0.0015


@pytest.mark.slow
@pytest.mark.parametrize("pressure_pa", [30_000.0, 101_325.0])
def test_the_wet_bulb_balances(pressure_pa):
    """Rung: independent library."""
    # Source: PsychroLib, humidity ratio from the wet bulb (eq. 33 and 35, not inverted).
    # Its ice is IAPWS's within 0.03 % only, and it is over ice up to 0.01 °C.
    t, rh = grid(low_pct=1.0)
    ours, w = wet_bulb(t, rh, pressure_pa), humidity_ratio(t, rh, pressure_pa)
    back = psychrolib.GetHumRatioFromTWetBulb(t, ours, np.full_like(t, pressure_pa))
    told_apart = (ours < t) & ((ours < 0) | (ours > 0.01)) & (back > 1e-6)
    assert told_apart.mean() > 0.9
    assert back[told_apart] == pytest.approx(w[told_apart], rel=1e-9, abs=2e-6)


def test_near_zero_the_bulb_is_wet_or_iced_but_in_between():
    """Rung: property."""
    # Ours: wherever a wet bulb balances at 0 °C or above, it is wet; the ice is colder by a step.
    rh_pct = np.linspace(1, 60, 5901)
    t_wb = wet_bulb(5.0, rh_pct)
    step = np.diff(t_wb).argmax()
    assert t_wb[step] < -0.1
    assert 0 <= t_wb[step + 1] < 0.01
    assert np.diff(t_wb).min() > 0


@given(st.floats(-45, 60), st.floats(0.5, 100), st.floats(30_000, 110_000))
def test_the_wet_bulb_lies_between_dew_point_and_air(temp_c, rh_pct, pressure_pa):
    """Rung: property."""
    t_wb = wet_bulb(temp_c, rh_pct, pressure_pa)
    assert dew_point(temp_c, rh_pct) <= t_wb + 1e-6
    assert t_wb <= temp_c
