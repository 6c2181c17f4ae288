"""Highest safe humidity along an outlook."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.domain.places import Place
from monitor.outlook.safe_air import WALL_H, safe_ahead, trailing_mean, wall_factor
from monitor.science.cold_surface import ColdSurface, highest_safe_humidity
from monitor.science.outlook.hourly_log import STEPS

BENCH = Place(id="b")
ROOM = np.full((5, STEPS), 20.0)


def outdoors(values):
    return np.repeat(np.asarray(values, float)[:, None], 5, axis=1)


def test_a_trailing_mean_is_that_of_the_hours_so_far_and_then_of_a_day():
    values = np.random.default_rng(1).normal(0, 5, (STEPS, 3))
    slow = [values[max(i + 1 - WALL_H, 0) : i + 1].mean(axis=0) for i in range(STEPS)]
    np.testing.assert_allclose(trailing_mean(values), slow, atol=1e-9)


def test_walls_follow_the_day_and_panes_the_coldest_hour():
    out = np.full(STEPS, 0.0)
    out[50] = -20.0  # one cold hour
    wall = safe_ahead(BENCH, ROOM, outdoors(out), np.nan)
    assert wall.least.surface is ColdSurface.CORNER
    assert wall.least.outdoor_temp_c == pytest.approx(-20 / WALL_H)
    pane = safe_ahead(Place(id="b", glass="double"), ROOM, outdoors(out), np.nan)
    assert pane.least.surface is ColdSurface.DOUBLE_GLASS
    assert pane.least.outdoor_temp_c == -20.0
    assert pane.levels_pct[50] == pane.least.rh_pct == pane.levels_pct.min()


def test_the_least_level_is_safe_at_every_step_and_cautious_among_the_members():
    out = outdoors(np.linspace(5, -15, STEPS)) + np.array([-6, -3, 0, 3, 6])
    found = safe_ahead(BENCH, ROOM, out, np.nan)
    assert np.all(found.levels_pct >= found.least.rh_pct)
    middle = highest_safe_humidity(20.0, trailing_mean(out)[:, 2])
    assert np.all(found.levels_pct < middle)


def test_a_measured_wall_is_used_and_what_is_not_known_says_nothing():
    out = outdoors(np.full(STEPS, -10.0))
    measured = safe_ahead(BENCH, ROOM, out, 0.5)
    assert measured.least.surface is ColdSurface.MEASURED
    assert measured.least.rh_pct == pytest.approx(float(highest_safe_humidity(20, -10, 0.5)))
    assert safe_ahead(BENCH, ROOM, out * np.nan, np.nan) is None


def test_a_wall_factor_comes_from_the_hours_that_are_known():
    room, out = np.full(24, 20.0), np.full(24, -10.0)
    room[:5] = out[10:12] = np.nan
    assert wall_factor(8.0, room, out) == pytest.approx(0.6)
    assert np.isnan(wall_factor(np.nan, room, out))
    assert np.isnan(wall_factor(8.0, room * np.nan, out))
    assert np.isnan(wall_factor(500.0, room, out))
