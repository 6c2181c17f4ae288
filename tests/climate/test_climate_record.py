"""Records of air: what time a reading stands for, runs of readings, means over moving windows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.errors import OutOfRange
from monitor.science.climate.air_record import air_record

HOUR = 3_600_000
DAY = 24 * HOUR


def test_evenly_spaced_readings_weigh_the_same_also_beside_a_gap():
    """Rung: property."""
    record = air_record(HOUR * np.array([0, 1, 2, 9, 10]), [40.0] * 5)
    assert (record.held_ms == HOUR).all()
    assert record.days == pytest.approx(11 / 24)
    assert record.coverage == pytest.approx(5 / 11)


def test_a_reading_each_ten_minutes_stands_for_ten_minutes():
    """Rung: property."""
    record = air_record(600_000 * np.arange(144), np.full(144, 50.0))
    assert (record.held_ms == 600_000).all()
    assert record.coverage == pytest.approx(1)


def test_readings_more_than_an_hour_apart_leave_gaps():
    """Rung: property."""
    record = air_record(6 * HOUR * np.arange(40), np.full(40, 50.0))
    assert record.coverage == pytest.approx(1 / 6, abs=0.01)


def test_an_unknown_humidity_is_no_reading():
    """Rung: property."""
    record = air_record(HOUR * np.arange(4), [40, np.nan, 50, 60], [20, 21, np.nan, 22])
    assert record.ts_ms.tolist() == [0, 2 * HOUR, 3 * HOUR]
    assert np.isnan(record.temp_c[1])


def test_an_empty_record_and_one_reading_are_taken():
    """Rung: property."""
    assert air_record([], []).days == 0
    assert np.isnan(air_record([], []).share(np.zeros(0, bool)))
    assert air_record([5 * HOUR], [50.0]).days == pytest.approx(1 / 24)


@pytest.mark.parametrize(
    ("ts", "rh", "temp", "named"),
    [
        ([0, HOUR], [50, 106], None, r"rh_pct\[1\]"),
        ([0, HOUR], [50, -1], None, r"rh_pct\[1\]"),
        ([0, HOUR], [50, 50], [20, 90], r"temp_c\[1\]"),
        ([0, 0], [50, 50], None, r"ts_ms\[1\]"),
        ([HOUR, 0], [50, 50], None, r"ts_ms\[1\]"),
    ],
)
def test_what_cannot_be_is_refused_by_name_and_place(ts, rh, temp, named):
    """Rung: property."""
    with pytest.raises(OutOfRange, match=named):
        air_record(ts, rh, temp)


def test_columns_of_unlike_length_are_refused():
    """Rung: property."""
    with pytest.raises(ValueError, match="shapes"):
        air_record([0, HOUR], [50.0])


@pytest.mark.slow
@given(st.lists(st.integers(1, 5 * HOUR), min_size=1, max_size=60), st.data())
def test_times_that_readings_stand_for_never_overlap(steps, data):
    """Rung: property."""
    ts = np.cumsum(steps)
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=len(ts), max_size=len(ts))))
    record = air_record(ts, np.full(len(ts), 50.0))
    assert (record.from_ms[1:] >= record.to_ms[:-1]).all()
    assert (record.held_ms <= HOUR).all()
    assert 0 < record.coverage <= 1 + 1e-12
    spells = record.spells(mask)
    kept = sorted(i for s in spells for i in range(s.first, s.stop))
    assert kept == np.flatnonzero(mask).tolist()  # each reading in one spell, none besides
    for s in spells:
        assert (np.diff(record.ts_ms[s.first : s.stop]) <= 2 * HOUR).all()


@pytest.mark.slow
@given(st.lists(st.integers(600_000, 3 * HOUR), min_size=2, max_size=80), st.integers(0, 9))
def test_a_moving_mean_is_the_mean_of_the_readings_in_its_window(steps, seed):
    """Rung: property."""
    ts = np.cumsum(steps)
    rh = np.random.default_rng(seed).uniform(20, 80, len(ts))
    record = air_record(ts, rh)
    mean, coverage, whole = record.centred_mean(rh, 10 * HOUR)
    for i, t in enumerate(ts.tolist()):
        inside = [j for j, other in enumerate(ts.tolist()) if abs(other - t) <= 5 * HOUR]
        held = [record.held_ms[j] for j in inside]
        expected = sum(h * rh[j] for h, j in zip(held, inside, strict=True)) / sum(held)
        assert mean[i] == pytest.approx(expected, abs=1e-9)
        assert whole[i] == (t - 5 * HOUR >= ts[0] and t + 5 * HOUR <= ts[-1])
    assert ((coverage > 0) & (coverage <= 1)).all()
