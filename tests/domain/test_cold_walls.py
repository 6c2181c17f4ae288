"""Advice to add water is limited by the coldest wall or pane."""

from __future__ import annotations

import numpy as np
import pytest
from one_place import safe_humidity

from monitor.domain.air_assessment import judge
from monitor.domain.cautions import ADD_WATER
from monitor.domain.cold_walls import INSTEAD, OutdoorTemps, SafeHumidity, add_water, safe_levels
from monitor.domain.places import AirLimits, Place
from monitor.domain.situation import Situation
from monitor.science.air import dew_point
from monitor.science.cold_surface import ColdSurface, highest_safe_humidity

BENCH = Place(id="b")
BAND = (40.0, 60.0)


def frost(day_c, now_c=None):
    return OutdoorTemps(day_c, day_c if now_c is None else now_c)


def test_a_place_without_more_is_limited_by_a_weak_corner_and_the_mean_of_the_day():
    safe = safe_humidity(BENCH, 20.0, frost(-10.0, -18.0))
    assert safe == SafeHumidity(
        float(highest_safe_humidity(20.0, -10.0)), ColdSurface.CORNER, -10.0
    )
    assert safe.words() == (
        "Do not go above 45 % RH while it is −10 °C outdoors: above that, cold corners of the "
        "walls are damp enough for mould."
    )
    assert "14 °F outdoors" in safe.words("F")


def test_panes_follow_the_moment_and_limit_only_where_they_are_named():
    safe = safe_humidity(Place(id="b", glass="double"), 20.0, frost(-10.0, -18.0))
    assert (safe.surface, safe.outdoor_temp_c) == (ColdSurface.DOUBLE_GLASS, -18.0)
    assert "panes get wet" in safe.words()
    single = safe_humidity(Place(id="b", glass="single"), 20.0, frost(-10.0))
    assert single.surface is ColdSurface.SINGLE_GLASS
    assert single.rh_pct < 25


def test_a_measured_wall_counts_and_the_settings_come_first():
    measured = safe_humidity(BENCH, 20.0, frost(-10.0), 0.55)
    assert measured.surface is ColdSurface.MEASURED
    assert measured.rh_pct < safe_humidity(BENCH, 20.0, frost(-10.0)).rh_pct
    told = safe_humidity(Place(id="b", wall_factor=0.8), 20.0, frost(-10.0), 0.55)
    assert told.rh_pct == pytest.approx(float(highest_safe_humidity(20.0, -10.0, 0.8)))


def test_nothing_is_said_where_it_is_not_known():
    assert safe_humidity(BENCH, 20.0, None) is None
    assert safe_humidity(BENCH, np.nan, frost(-10.0)) is None
    assert safe_humidity(Place(id="o", kind="outdoors"), 20.0, frost(-10.0)) is None
    assert add_water(None, BAND) == ADD_WATER


def test_levels_along_hours_are_those_of_each_hour():
    place = Place(id="b", glass="double")
    room, out = np.full(3, 20.0), np.array([-20.0, -5.0, 10.0])
    levels = safe_levels(place, room, (out, out))
    assert set(levels) == {ColdSurface.CORNER, ColdSurface.DOUBLE_GLASS}
    for values in levels.values():
        assert np.all(np.diff(values) > 0)


@pytest.mark.parametrize("rh", [8, 20, 29, 35])
@pytest.mark.parametrize("outdoor_c", [-30, -20, -15, -10, -5, 0, 5, 15])
@pytest.mark.parametrize("kind", ["bench", "varnish"])
def test_no_dry_air_gets_advice_beyond_what_its_walls_bear(kind, outdoor_c, rh):
    """Whoever adds water as far as the words allow keeps the corner below 80 %."""
    place, limits = Place(id="b", kind=kind), AirLimits()
    safe = safe_humidity(place, 20.0, frost(outdoor_c))
    t, h = np.array([20.0]), np.array([float(rh)])
    words = add_water(safe, BAND, rh)
    found = judge(place, limits, np.array([0]), t, h, dew_point(t, h), Situation(water=words))
    low, high = BAND
    assert found.title in ("Dry", "Very dry")
    asks = found.title == "Very dry" or kind == "bench"
    if not asks:
        return
    assert words in found.sentence
    assert (safe.words() in found.sentence) == (safe.rh_pct < high)
    assert (INSTEAD in found.sentence) == (safe.rh_pct < low)
    if rh >= safe.rh_pct:
        assert "Add no water" in found.sentence
        assert ADD_WATER not in found.sentence
    else:
        assert ADD_WATER in found.sentence
