"""The table of derived quantities, and `derive` for long histories."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from monitor.core.errors import OutOfRange
from monitor.science.registry import DERIVED, derive

NAMES = {
    "dew_point",
    "frost_point",
    "absolute_humidity",
    "humidity_ratio",
    "vapour_pressure",
    "vapour_pressure_deficit",
    "wet_bulb",
    "equilibrium_moisture_content",
}

every_quantity = pytest.mark.parametrize("name", sorted(DERIVED))


def test_the_table_offers_every_quantity_under_the_name_of_its_function():
    """Rung: property."""
    assert set(DERIVED) == NAMES
    for name, entry in DERIVED.items():
        assert entry.function.__name__ == name
        assert entry.source


@every_quantity
def test_the_ranges_of_the_table_are_those_of_the_functions(name):
    """Rung: property."""
    quantity = DERIVED[name]
    for temp_c, beyond_c in zip(quantity.temp_c, (-0.01, 0.01), strict=True):
        quantity.function(temp_c, 50)
        with pytest.raises(OutOfRange, match="temp_c"):
            quantity.function(temp_c + beyond_c, 50)
    quantity.function(20, 100)
    with pytest.raises(OutOfRange, match="rh_pct"):
        quantity.function(20, 100.01)
    if quantity.above_zero_rh:
        with pytest.raises(OutOfRange, match="rh_pct"):
            quantity.function(20, 0)
    else:
        quantity.function(20, 0)


@every_quantity
def test_derive_gives_what_the_function_gives(name):
    """Rung: property."""
    temp_c, rh_pct = [[-10.0], [20.0]], [20.0, 50.0, 100.0]
    expected = DERIVED[name].function(temp_c, rh_pct)
    assert np.array_equal(derive(name, temp_c, rh_pct), expected, equal_nan=True)
    assert isinstance(derive(name, -10.0, 50.0), float)


@every_quantity
def test_derive_leaves_gaps_where_the_function_would_refuse(name):
    """Rung: property."""
    temp_c = pd.Series([-10.0, 150.0, -99.0, -10.0, -10.0, math.nan, math.inf])
    rh_pct = pd.Series([50.0, 50.0, 50.0, -1.0, math.nan, 50.0, 50.0])
    assert np.isnan(derive(name, temp_c, rh_pct)).tolist() == [False, *[True] * 6]
    assert math.isnan(derive(name, -10, 0)) == DERIVED[name].above_zero_rh


@every_quantity
def test_derive_counts_a_drifted_sensor_as_saturated(name):
    """Rung: property."""
    over = derive(name, [-5.0, -5.0], [104.0, 100.0])
    assert over[0] == over[1]
    assert math.isfinite(over[0])


def test_derive_looks_at_the_pressure_where_it_matters():
    """Rung: property."""
    for name, quantity in DERIVED.items():
        standard, mountain, absurd = (
            derive(name, -5.0, 50.0, pressure_pa) for pressure_pa in (101_325.0, 80_000.0, 1013.25)
        )
        if quantity.needs_pressure:
            assert mountain != standard
            assert math.isnan(absurd)
        else:
            assert standard == mountain == absurd


def test_derive_knows_no_other_names():
    """Rung: property."""
    with pytest.raises(KeyError):
        derive("saturation", 20, 50)
