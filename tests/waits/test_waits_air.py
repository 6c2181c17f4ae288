"""The air a wait has had: exact sums, honest gaps, and no difference where the log is cut."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.clock import to_ms
from monitor.core.errors import OutOfRange
from monitor.science.waits.air_bins import binned
from monitor.science.waits.air_log import (
    BEFORE_MS,
    AirCoverage,
    AirLog,
    Stay,
    air_log,
    exponential_mean,
    relaxation_steps,
    stitched,
)
from monitor.science.waits.film import OIL
from monitor.science.waits.glue import HIDE_GLUE
from monitor.science.waits.laws import Law
from monitor.science.waits.timed_rest import FixedLaw, RestLaw

NOW = to_ms(datetime(2025, 11, 3, 17, 20, 7, tzinfo=UTC))
HOUR = 3_600_000
SEED = 5


class EquivalentTime(NamedTuple):
    """Seconds of reference air: gaps counted as nothing, and as their neighbours' mean; and the
    seconds in gaps. [s]"""

    low_s: float
    high_s: float
    unknown_s: float


def equivalent_time(law: Law, air: AirLog, start_ms: int) -> EquivalentTime:
    """Time in reference air that the air from a start to the log's end is worth, exactly.

    Parameters
    ----------
    law : Law
    air : AirLog
    start_ms : int
        Inside the log. [ms since 1970-01-01 UTC]
    """
    rate = law.relative_rate(air.temp_c, air.rh_pct)
    start = np.array([start_ms])
    sums = [air.running(rate, known) for known in (AirCoverage.AIR, AirCoverage.GAP)]
    known_s, gap_s = (r.total - float(r.at(start)[0]) for r in sums)
    if not law.needs_air:
        return EquivalentTime(known_s + gap_s, known_s + gap_s, 0.0)
    return EquivalentTime(known_s, known_s + gap_s, air.unknown_s(start_ms))


def wild(hours=48, step_s=60, seed=SEED):
    """Air that changes at every reading, up to now."""
    random = np.random.default_rng(seed)
    ts = np.arange(NOW - hours * HOUR, NOW, 1000 * step_s)
    return ts, random.uniform(8, 27, ts.size), random.uniform(30, 90, ts.size)


def test_each_reading_is_the_air_until_the_next():
    """Rung: property."""
    log = air_log([NOW - 2 * HOUR, NOW - HOUR], [20, 15], [50, 50], NOW, interval_s=3600)
    card = equivalent_time(HIDE_GLUE, log, NOW - 2 * HOUR)
    expected = 3600 * (1 + HIDE_GLUE.relative_rate(15, 50))
    assert card.low_s == card.high_s == pytest.approx(expected, rel=1e-12)


def test_a_cut_knows_the_readings_that_are_left_in_it():
    """Rung: property."""
    ts = NOW - 10 * HOUR + 600_000 * np.arange(24)  # four hours, then silence
    log = air_log(ts, np.full(24, 20.0), np.full(24, 50.0), NOW)
    early = log.cut(int(ts[6]), int(ts[12]))
    assert (early.first_ms, early.last_ms) == (ts[6], ts[11])
    silent = log.cut(NOW - 2 * HOUR, NOW)
    assert (silent.first_ms, silent.last_ms) == (None, None)
    moved = stitched([Stay(log, int(ts[0]), int(ts[12])), Stay(log, int(ts[12]), NOW)])
    assert moved.last_ms == ts[23]


@pytest.mark.parametrize("law", [HIDE_GLUE, OIL])
@given(cuts=st.lists(st.integers(1, 47 * 3600 - 1), max_size=6, unique=True))
@settings(max_examples=30, deadline=None)
def test_the_sum_does_not_depend_on_how_the_log_is_chopped(law, cuts):
    """Rung: property."""
    log, start = air_log(*wild(), NOW), NOW - 47 * HOUR
    whole = equivalent_time(law, log, start)
    edges = [start, *sorted(start + 1000 * c for c in cuts), NOW]
    parts = [log.cut(a, b) for a, b in pairwise(edges)]
    total = sum(equivalent_time(law, part, int(part.begin_ms[0])).low_s for part in parts)
    assert total == pytest.approx(whole.low_s, rel=1e-12)
    glued = stitched([Stay(log, a, b) for a, b in pairwise(edges)])
    assert equivalent_time(law, glued, start).low_s == pytest.approx(whole.low_s, rel=1e-12)


def test_a_reading_that_only_repeats_changes_nothing():
    """Rung: property."""
    ts, t, rh = wild(step_s=600)
    plain = equivalent_time(OIL, air_log(ts, t, rh, NOW, 600), int(ts[0]))
    twice = np.sort(np.concatenate([ts, ts + 300_000]))
    doubled = air_log(twice, np.repeat(t, 2), np.repeat(rh, 2), NOW, 600)
    assert equivalent_time(OIL, doubled, int(ts[0])).low_s == pytest.approx(plain.low_s, rel=1e-12)


@pytest.mark.parametrize(("missing_s", "is_gap"), [(60 + 960, False), (60 + 961, True)])
def test_a_gap_begins_after_two_intervals_and_a_quarter_hour(missing_s, is_gap):
    """Rung: property."""
    ts = np.array([0, 60, 120, 180, 180 + missing_s, 240 + missing_s]) * 1000 + NOW - 2 * HOUR
    log = air_log(ts, np.full(6, 20.0), np.full(6, 50.0), int(ts[-1]) + 60_000, 60)
    assert bool(log.unknown_s(int(ts[0])) > 0) is is_gap


def test_a_gap_counts_nothing_at_the_least_and_its_neighbours_mean_at_the_most():
    """Rung: property."""
    ts = NOW + np.array([-8, -7.75, -2, -1.75]) * HOUR
    log = air_log(ts, [20, 20, 16, 16], [50, 50, 60, 60], int(ts[-1]) + 900_000, 900)
    card = equivalent_time(HIDE_GLUE, log, int(ts[0]))
    known = 3600 * (0.25 + 0.5 * HIDE_GLUE.relative_rate(16, 60))
    assert card.unknown_s == 5.75 * 3600
    assert card.low_s == pytest.approx(known, rel=1e-9)
    gap = 5.75 * 3600 * HIDE_GLUE.relative_rate(18, 55)
    assert card.high_s == pytest.approx(known + gap, rel=1e-9)


def test_silence_up_to_now_and_before_the_first_reading_are_gaps():
    """Rung: property."""
    ts = NOW - 6 * HOUR + np.arange(60) * 60_000
    log = air_log(ts, np.full(60, 20.0), np.full(60, 50.0), NOW)
    assert log.unknown_s(int(ts[0])) == pytest.approx(6 * 3600 - 59 * 60)
    assert log.unknown_s(int(ts[0]) - 2 * HOUR) == pytest.approx(8 * 3600 - 59 * 60)
    assert log.first_ms == ts[0]
    assert int(log.begin_ms[0]) == ts[0] - BEFORE_MS


def test_no_reading_at_all_is_one_gap_worth_nothing():
    """Rung: property."""
    log = air_log([], [], [], NOW)
    card = equivalent_time(HIDE_GLUE, log, NOW - 5 * HOUR)
    assert card == (0, 0, 5 * 3600)
    fixed = equivalent_time(FixedLaw(), log, NOW - 5 * HOUR)
    assert fixed == (5 * 3600, 5 * 3600, 0)


def test_readings_that_cannot_be_and_readings_from_a_clock_that_jumped_are_left_out_and_counted():
    """Rung: property."""
    ts = NOW + np.array([-5, -4, -3, -2, 3]) * HOUR
    log = air_log(ts, [20, 85, 20, math.nan, 20], [50, 50, 104, 50, 50], NOW, 3600)
    assert log.unusable == 3
    assert log.rh_pct.max() == 100
    assert log.last_ms == NOW - 3 * HOUR


def test_a_pause_counts_nothing_and_is_not_unknown():
    """Rung: property."""
    log = air_log(*wild(), NOW)
    cut = [NOW - 30 * HOUR, NOW - 20 * HOUR, NOW - 10 * HOUR, NOW]
    paused = stitched(
        [Stay(log, cut[0], cut[1]), Stay(None, cut[1], cut[2]), Stay(log, cut[2], cut[3])]
    )
    whole = equivalent_time(OIL, log, cut[0]).low_s
    without = whole - equivalent_time(OIL, log.cut(cut[1], cut[2]), cut[1]).low_s
    card = equivalent_time(OIL, paused, cut[0])
    assert card.low_s == pytest.approx(without, rel=1e-9)
    assert card.unknown_s == 0
    assert equivalent_time(FixedLaw(), paused, cut[0]).low_s == pytest.approx(20 * 3600)
    assert (paused.known == AirCoverage.PAUSED).sum() == 1


def test_a_night_with_a_clock_change_has_its_hours_to_the_second():
    """Rung: property."""
    zone = ZoneInfo("Europe/Berlin")
    for month, day, hours in ((3, 30, 8), (10, 26, 10)):  # 22:00 to 07:00 is 9 h by the wall
        opened = datetime(2025, month, day, 22, tzinfo=zone) - timedelta(days=1)
        start = to_ms(opened)
        end = to_ms(datetime(2025, month, day, 7, tzinfo=zone))
        ts = np.arange(start, end, 10_000)
        log = air_log(ts, np.full(ts.size, 20.0), np.full(ts.size, 50.0), end)
        assert equivalent_time(HIDE_GLUE, log, start).low_s == pytest.approx(
            3600 * hours, abs=1e-6
        )


def test_a_hold_contributes_exactly_nothing():
    """Rung: property."""
    ts = NOW - 10 * HOUR + np.arange(600) * 60_000
    for law, t, rh in (
        (HIDE_GLUE, 20, 82),
        (HIDE_GLUE, 4, 50),
        (OIL, 20, 86),
        (RestLaw(), 20, 80),
    ):
        log = air_log(ts, np.full(600, float(t)), np.full(600, float(rh)), NOW)
        assert equivalent_time(law, log, int(ts[0])) == (0, 0, 0)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 300.0, 2000.0])
def test_the_closed_form_of_the_recurrence_is_the_recurrence(scale):
    """Rung: independent derivation."""
    random = np.random.default_rng(SEED)
    x, d = random.exponential(scale, 500), random.uniform(0, 1, 500)
    y, expected = 1.0, []
    for xi, di in zip(x, d, strict=True):
        y = di + (y - di) * math.exp(-xi)
        expected.append(y)
    assert relaxation_steps(x, d, 1.0) == pytest.approx(np.array(expected), abs=1e-9)


def test_the_woods_memory_is_an_exponential_mean():
    """Rung: property."""
    ts, t, _ = wild(hours=30)
    rh = np.where(np.arange(ts.size) < 600, 40.0, 70.0)
    log = air_log(ts, t, rh, NOW)
    mean = exponential_mean(log, log.rh_pct, 6 * 3600)
    at = np.searchsorted(log.begin_ms, ts[600] + 6 * HOUR)
    assert mean[at] == pytest.approx(70 - 30 * math.exp(-1), abs=0.05)
    assert mean[1:600] == pytest.approx(40.0)


def test_bins_keep_the_sums():
    """Rung: property."""
    log = air_log(*wild(step_s=10), NOW)
    start = NOW - 40 * HOUR + 12_345
    b = binned(log, start, 600)
    t = log.running(log.temp_c, AirCoverage.AIR)
    assert (b.temp_c * b.air_s).sum() == pytest.approx(
        t.total - float(t.at(np.array([start]))[0]), rel=1e-9
    )
    assert b.air_s.sum() + b.gap_s.sum() == pytest.approx((NOW - start) / 1000)


@pytest.mark.parametrize(
    "refused",
    [
        lambda: air_log([1000, 1000], [20, 20], [50, 50], 5000),
        lambda: air_log([2000, 1000], [20, 20], [50, 50], 5000),
        lambda: air_log([1000], [20], [50], 5000, interval_s=0),
        lambda: air_log([NOW], [20], [50], NOW + 1).cut(NOW - BEFORE_MS - 1, NOW),
        lambda: stitched([Stay(None, 0, 5), Stay(None, 6, 9)]),
        lambda: stitched([Stay(None, 5, 5)]),
    ],
)
def test_what_cannot_be_is_refused(refused):
    """Rung: property."""
    with pytest.raises(OutOfRange):
        refused()
