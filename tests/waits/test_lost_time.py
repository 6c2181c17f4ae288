"""Lost time of a wait: its parts add up, and each is laid to what caused it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.science.waits.air_log import AirLog, Stay, air_log, stitched
from monitor.science.waits.drying import WASHED_WOOD
from monitor.science.waits.film import OIL, SPIRIT, FilmLaw
from monitor.science.waits.glue import HIDE_GLUE, HIDE_GLUE_BLOCK, HIDE_GLUE_THIN_PLATE
from monitor.science.waits.lost_time import LossCause, lost_time
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.parameters import Hold
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.timed_rest import FixedLaw, RestLaw
from monitor.science.waits.wait import WaitInputs

HOUR = 3_600_000
START = 1_795_600_000_000 // 600_000 * 600_000
LAWS = [
    HIDE_GLUE,
    HIDE_GLUE_THIN_PLATE,
    HIDE_GLUE_BLOCK,
    WASHED_WOOD,
    SPIRIT,
    OIL,
    RestLaw(),
    FixedLaw(),
]
USUAL_S = 20 * 3600.0


def air(pieces, step=600_000, before_h=48) -> AirLog:
    """Air of (hours, temp_c, rh_pct) from the start on; None for temp_c is a silence. Before it
    reference air."""
    ts, t, rh = [], [], []
    at = START - before_h * HOUR
    for hours, temp_c, rh_pct in [(before_h, 20.0, 50.0), *pieces]:
        end = at + round(hours * HOUR)
        if temp_c is not None:
            times = range(at, end, step)
            ts += times
            t += [temp_c] * len(times)
            rh += [rh_pct] * len(times)
        at = end
    return air_log(ts, t, rh, at, 600.0)


def adds_up(found) -> None:
    whole = sum(found.lost_s.values()) + found.counted_s
    assert whole == pytest.approx(found.seconds, abs=1e-6)


@pytest.mark.parametrize("law", LAWS)
@settings(max_examples=15, deadline=None)
@given(
    pieces=st.lists(
        st.tuples(
            st.floats(0.2, 6.0), st.one_of(st.none(), st.floats(2.0, 34.0)), st.floats(20.0, 95.0)
        ),
        min_size=1,
        max_size=5,
    )
)
def test_the_parts_add_up_to_the_time_that_passed(law, pieces):
    """Rung: property."""
    found = lost_time(law, USUAL_S, START, air(pieces))
    adds_up(found)
    assert found.edges_ms[0] == START
    assert found.edges_ms[-1] == START + sum(round(hours * HOUR) for hours, _, _ in pieces)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(
    "pieces",
    [
        [(5, 20.0, 50.0)],
        [(4, 15.0, 62.0), (3, 21.0, 55.0)],
        [(3, 18.0, 74.0), (2, 20.0, 86.0), (4, 22.0, 45.0)],
        [(2, 20.0, 50.0), (3, None, 0.0), (2, 17.0, 60.0)],
    ],
)
def test_what_is_counted_is_the_progress_that_the_ready_time_rests_on(law, pieces):
    """Rung: property."""
    log = air(pieces)
    found = lost_time(law, USUAL_S, START, log)
    wait = WaitInputs(
        law=law,
        basis_s=USUAL_S,
        start_ms=START,
        air=log,
        outlook=None,
        sensor=SensorUncertainty(0.0, 0.0),
    )
    (ready,) = ready_times([wait], log.until_ms)
    # Tolerance: ours; a ready time takes bins of 10 min at their mean, a gap at half its drive, and the
    # median of draws.
    assert found.counted_s.sum() / USUAL_S == pytest.approx(
        max(ready.progress.median, 0), abs=3e-3
    )


@pytest.mark.parametrize("law", LAWS)
def test_in_reference_air_nothing_is_lost(law):
    """Rung: property."""
    found = lost_time(law, USUAL_S, START, air([(10, 20.0, 50.0)]))
    for cause in LossCause:
        assert found.total_s(cause) == pytest.approx(0.0, abs=1e-3), cause


@pytest.mark.parametrize("law", [HIDE_GLUE, WASHED_WOOD, SPIRIT, OIL])
def test_cold_air_of_usual_humidity_loses_by_temperature_alone(law):
    """Rung: property."""
    # In constant air the glue and the film have an exact rate: `relative_rate` at 50 % RH.
    found = lost_time(law, USUAL_S, START, air([(2, 15.0, 50.0)]))
    lost = found.total_s(LossCause.TEMPERATURE)
    assert lost > 1000
    assert found.total_s(LossCause.HUMIDITY) == pytest.approx(0.0, abs=60)
    if law is not WASHED_WOOD:  # its balance depends on temperature too
        rate = float(law.relative_rate(15.0, 50.0))
        assert lost == pytest.approx((1 - rate) * 7200, rel=1e-6)
    adds_up(found)


@pytest.mark.parametrize(
    ("law", "rh_pct"), [(HIDE_GLUE, 72.0), (WASHED_WOOD, 60.0), (SPIRIT, 72.0)]
)
def test_damp_air_of_usual_warmth_loses_by_humidity_alone(law, rh_pct):
    """Rung: property."""
    found = lost_time(law, USUAL_S, START, air([(6, 20.0, rh_pct)]))
    assert found.total_s(LossCause.HUMIDITY) > 1000
    assert found.total_s(LossCause.TEMPERATURE) == pytest.approx(0.0, abs=1e-6)


def test_a_hold_a_pause_and_a_silence_are_each_its_own_cause():
    """Rung: property."""
    held = lost_time(HIDE_GLUE, USUAL_S, START, air([(2, 3.0, 50.0), (1, 20.0, 50.0)]))
    assert held.total_s(LossCause.HOLD) == pytest.approx(7200)
    assert held.total_s(LossCause.TEMPERATURE) == pytest.approx(0, abs=1e-6)
    assert set(held.hold[:12]) == {int(Hold.COLD)}
    log = air([(6, 20.0, 50.0)])
    ways = [
        Stay(log, START - HOUR, START + HOUR),
        Stay(None, START + HOUR, START + 3 * HOUR),
        Stay(log, START + 3 * HOUR, START + 6 * HOUR),
    ]
    paused = lost_time(HIDE_GLUE, USUAL_S, START, stitched(ways))
    assert paused.total_s(LossCause.PAUSE) == pytest.approx(7200)
    assert paused.counted_s.sum() == pytest.approx(4 * 3600)
    silent = lost_time(
        HIDE_GLUE, USUAL_S, START, air([(1, 20.0, 50.0), (4, None, 0), (1, 20, 50)])
    )
    assert silent.total_s(LossCause.GAP) == pytest.approx(2 * 3600, rel=0.05)
    fixed = lost_time(
        FixedLaw(), USUAL_S, START, air([(1, 20.0, 50.0), (4, None, 0), (1, 20, 50)])
    )
    assert fixed.counted_s.sum() == pytest.approx(6 * 3600)


def test_light_is_neither_temperature_nor_humidity():
    """Rung: property."""
    found = lost_time(FilmLaw(light_factor=0.5), USUAL_S, START, air([(4, 20.0, 50.0)]))
    assert found.total_s(LossCause.OTHER) == pytest.approx(7200)
    assert found.total_s(LossCause.TEMPERATURE) == pytest.approx(0, abs=1e-6)


def test_glue_that_softens_again_counts_backwards():
    """Rung: property."""
    found = lost_time(HIDE_GLUE, USUAL_S, START, air([(12, 20.0, 50.0), (6, 20.0, 90.0)]))
    wet = found.edges_ms[:-1] >= START + 12 * HOUR
    assert (found.counted_s[wet] < 0).all()
    assert (found.hold[wet] == Hold.DAMP).all()
    assert found.total_s(LossCause.HOLD) > 6 * 3600
    adds_up(found)
    assert np.isfinite(found.rate).all()
