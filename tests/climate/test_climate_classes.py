"""Control classes and mould: limits as tabled, and how much time keeps within them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.errors import OutOfRange
from monitor.science.climate.air_record import air_record
from monitor.science.climate.control_classes import CLASSES, class_times, kept
from monitor.science.climate.mould import critical_surface_humidity, mould_time

HOUR = 3_600_000
HOURS = np.arange(24 * 365)
DAYS = HOURS / 24
NAMES = [one.name for one in CLASSES]
SEASON, DAILY = np.sin(2 * np.pi * DAYS / 365), np.sin(2 * np.pi * DAYS)


def times(rh, temp=None, edges=None):
    record = air_record(HOUR * HOURS, rh, temp)
    return class_times(record, [0, HOUR * (HOURS[-1] + 1)] if edges is None else edges)


# Source: ASHRAE Handbook—HVAC Applications, Museums, Galleries, Archives, and Libraries, Table 3 of
# 1999 to 2015; outer limits of 2019. From memory, unchecked.
# Year's mean 50 % and 16 °C; a swing by the season and one by the day, in % RH and K.
@pytest.mark.parametrize(
    ("season", "daily", "season_k", "daily_k", "best"),
    [
        (0, 4.5, 0, 1.5, "AA"),
        (0, 4.5, 4.5, 1.5, "AA"),
        (9.5, 4.5, 4.5, 1.5, "A1"),
        (0, 9.5, 4.5, 1.5, "A2"),
        (9.5, 9.5, 4.5, 1.5, "B"),
        (0, 4.5, 4.5, 4.5, "B"),
        (0, 4.5, 7, 1.5, "B"),  # warmer by 7 K: more than the A classes allow
        (0, 24, 4.5, 1.5, "C"),
        (20, 4, 4.5, 1.5, "C"),
        (0, 40, 4.5, 1.5, None),  # over 75 % for a sixth of the time
    ],
)
def test_the_strictest_class_kept_is_as_tabled(season, daily, season_k, daily_k, best):
    """Rung: published value."""
    rh = np.clip(50 + season * SEASON + daily * DAILY, 0, 100)
    found = kept(times(rh, 16 + season_k * SEASON + daily_k * DAILY).share)
    assert (found.name if found else None) == best


def test_dry_air_keeps_class_d_only():
    """Rung: property."""
    assert kept(times(np.full(HOURS.size, 15.0), np.full(HOURS.size, 20.0)).share).name == "D"


def test_shares_count_the_time_within_the_limits():
    """Rung: property."""
    # 50 % and 20 °C; for the first 73 days of 365 at 28 %, for the next 36.5 at 80 %.
    rh = np.full(HOURS.size, 50.0)
    rh[: 24 * 73], rh[24 * 73 : 24 * 73 + 876] = 28, 80
    found = times(rh, np.full(HOURS.size, 20.0))
    share = dict(zip(NAMES, found.share.tolist(), strict=True))
    assert share["D"] == pytest.approx(0.9)  # all but what is over 75 %
    assert share["C"] == pytest.approx(0.9)
    assert share["AA"] == pytest.approx(0.7)  # mean 48.6 %
    assert found.set_rh_pct == pytest.approx(0.2 * 28 + 0.1 * 80 + 0.7 * 50)


def test_each_stretch_is_judged_by_itself_and_says_how_much_of_it_could_be():
    """Rung: property."""
    rh = np.full(HOURS.size, 50.0)
    rh[HOURS >= 24 * 200] = 80
    day = 24 * HOUR
    found = times(rh, edges=[0, 100 * day, 300 * day, 400 * day])
    d = NAMES.index("D")
    assert found.by_stretch[:, d] == pytest.approx([1, 0.5, 0])
    assert found.judged == pytest.approx([1, 1, 0.65], abs=1e-3)
    assert kept(found.by_stretch[2]) is None


def test_without_temperature_humidity_alone_is_judged():
    """Rung: property."""
    found = times(50 + 4 * DAILY)
    assert np.isnan(found.set_temp_c)
    assert found.share == pytest.approx(1)


def test_a_stretch_without_readings_is_unknown():
    """Rung: property."""
    found = times(np.full(HOURS.size, 50.0), edges=[0, 8760 * HOUR, 9000 * HOUR])
    assert np.isnan(found.by_stretch[1]).all()
    assert kept(found.by_stretch[1]) is None


@settings(max_examples=25)
@given(st.integers(0, 1000), st.floats(0, 25), st.floats(0, 25), st.floats(0, 6))
def test_a_looser_class_is_never_kept_for_less_time(seed, season, noise, noise_k):
    """Rung: property."""
    random = np.random.default_rng(seed)
    rh = np.clip(50 + season * SEASON + random.normal(0, noise, HOURS.size), 0, 100)
    found = times(rh, 20 + random.normal(0, noise_k, HOURS.size))
    aa, a1, a2, b, c, d = found.share.tolist()
    assert 0 <= aa <= min(a1, a2)
    assert max(a1, a2) <= b <= c <= d <= 1


def test_gaps_make_nothing_of_thin_months():
    """Rung: property."""
    there = (HOURS < 24 * 100) | (HOURS % 10 == 0)
    record = air_record(HOUR * HOURS[there], np.full(there.sum(), 50.0))
    found = class_times(record, [0, 24 * 60 * HOUR, 24 * 150 * HOUR, 24 * 365 * HOUR])
    assert found.judged[0] == pytest.approx(1, abs=1e-3)
    assert found.judged[2] == 0
    assert np.isnan(found.by_stretch[2]).all()


# Source: Hukka, Viitanen, Wood Sci. Technol. 33, 1999. From memory, unchecked: 5 °C 88.0, 10 °C
# 82.0, 15 and 20 °C 80.0 %; 80 % above. Tolerance: the decimal given.
@pytest.mark.parametrize(
    ("temp_c", "rh_pct"), [(0, 100), (5, 88.0), (10, 82.0), (15, 80.0), (20, 80.0), (35, 80)]
)
def test_the_critical_humidity_is_as_tabled(temp_c, rh_pct):
    """Rung: published value."""
    assert critical_surface_humidity(temp_c) == pytest.approx(rh_pct, abs=0.06)


def test_the_critical_humidity_is_a_formula_as_any_other():
    """Rung: property."""
    assert np.isnan(critical_surface_humidity([-0.1, 50.1, np.nan])).all()
    assert critical_surface_humidity([[1.0, 2.0]]).shape == (1, 2)
    assert isinstance(critical_surface_humidity(12.0), float)
    with pytest.raises(OutOfRange, match=r"temp_c\[1\] = 90 °C"):
        critical_surface_humidity([20, 90])


@given(st.floats(0, 50), st.floats(0, 50))
def test_warmer_wood_is_never_safer_and_80_is_the_least(one, other):
    """Rung: property."""
    low, high = sorted((one, other))
    # The cubic, as printed, rises by 0.04 towards 20 °C.
    assert critical_surface_humidity(low) >= critical_surface_humidity(high) - 0.05
    assert critical_surface_humidity(high) >= 80


def test_time_over_the_critical_humidity_is_counted_with_its_longest_spell():
    """Rung: property."""
    rh, temp = np.full(100, 60.0), np.full(100, 20.0)
    rh[10:20], rh[50:53] = 85, 85
    temp[70:80], rh[70:80] = 4.0, 85  # below the 89.8 % that 4 °C needs
    rh[90:], temp[90:] = 90, np.nan
    found = mould_time(air_record(HOUR * np.arange(100), rh, temp))
    assert found.hours == 13
    assert found.longest_hours == 10
    assert found.share == pytest.approx(13 / 90)
    assert len(found.spells) == 2


def test_mould_without_temperature_is_not_known():
    """Rung: property."""
    found = mould_time(air_record([0, HOUR], [90.0, 95.0]))
    assert np.isnan(found.share)
    assert found.spells == []
