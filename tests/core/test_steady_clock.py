"""The steady clock: which steps of the machine's clock are followed, and which are reported."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.steady_clock import (
    AWAY_MS,
    BEHIND_MS,
    JUMP_MS,
    REPORTED_MS,
    ClockJump,
    JumpState,
    SteadyClock,
)
from monitor.core.time_sync import RECENT_S, NetworkTime, _timesyncd, _tracking

NOW, HOUR = 1_780_000_000_000, 3_600_000
TO_2039 = 2_180_000_000_000 - NOW


class Machine:
    """A machine whose clock can be set, and whose counter cannot."""

    def __init__(self, *, synchronised: bool | None = False, known_ms: int | None = None) -> None:
        self.wall, self.counter, self.synchronised = NOW, 5_000, synchronised
        self.clock = SteadyClock(
            lambda: self.wall, lambda: self.counter, lambda: self.synchronised, known_ms
        )

    def passes(self, ms: int) -> None:
        self.wall += ms
        self.counter += ms

    def state(self) -> JumpState | None:
        found = self.clock.jump()
        return found.state if found else None


@pytest.mark.parametrize("synchronised", [False, None])
@pytest.mark.parametrize("by", [TO_2039, HOUR, -HOUR, -TO_2039])
def test_a_jump_that_nothing_confirms_is_not_followed(by, synchronised):
    machine = Machine(synchronised=synchronised)
    machine.passes(HOUR)
    machine.wall += by
    assert machine.clock.now_ms() == NOW + HOUR
    machine.passes(2 * HOUR)
    assert machine.clock.now_ms() == NOW + 3 * HOUR
    assert machine.clock.cautious_ms() == NOW + 3 * HOUR + min(by, 0)
    assert machine.clock.jump() == ClockJump(by, NOW + HOUR, JumpState.DOUBTED)


def test_a_process_that_is_held_up_between_its_two_clocks_sees_no_jump():
    machine = Machine()
    read = machine.clock._wall

    def held_up() -> int:
        wall = read()
        machine.clock._wall = read
        machine.passes(HOUR)
        return wall

    machine.clock._wall = held_up
    assert machine.clock.now_ms() == NOW + HOUR
    assert machine.state() is None


def test_a_clock_that_comes_back_is_followed_again_and_reported_for_an_hour():
    machine = Machine()
    machine.wall += TO_2039
    assert machine.state() is JumpState.DOUBTED
    machine.passes(HOUR)
    machine.wall -= TO_2039
    assert machine.clock.now_ms() == machine.wall
    assert machine.state() is JumpState.UNDONE
    machine.passes(REPORTED_MS)
    assert machine.state() is None


@pytest.mark.parametrize("by", [TO_2039, -TO_2039])
def test_network_time_confirms_a_jump_at_once_or_later(by):
    at_once, later = Machine(synchronised=True), Machine()
    for machine in (at_once, later):
        machine.wall += by
        machine.clock.now_ms()
    assert at_once.clock.now_ms() == NOW + by
    assert later.clock.now_ms() == NOW
    later.synchronised = True
    assert later.clock.now_ms() == NOW + by
    assert (at_once.state(), later.state()) == (JumpState.CONFIRMED, JumpState.CONFIRMED)


def test_a_person_confirms_a_jump():
    machine = Machine()
    machine.wall += HOUR
    assert machine.state() is JumpState.DOUBTED
    machine.clock.accept()
    assert machine.clock.now_ms() == NOW + HOUR
    assert machine.state() is JumpState.CONFIRMED


def test_accepting_a_clock_that_did_not_jump_reports_nothing():
    machine = Machine()
    machine.clock.accept()
    assert machine.state() is None


@given(st.lists(st.tuples(st.integers(0, HOUR), st.integers(-JUMP_MS, JUMP_MS)), max_size=50))
def test_small_corrections_are_followed_without_a_word(steps):
    machine = Machine()
    for passes, by in steps:
        machine.passes(passes)
        machine.wall += by
        assert machine.clock.now_ms() == machine.wall
        assert machine.state() is None


@pytest.mark.slow
@given(st.lists(st.tuples(st.integers(0, HOUR), st.integers(-TO_2039, TO_2039)), max_size=50))
def test_without_network_time_it_never_runs_ahead_of_the_counter_by_more_than_small_steps(steps):
    machine = Machine()
    for i, (passes, by) in enumerate(steps, 1):
        machine.passes(passes)
        machine.wall += by
        off = machine.clock.now_ms() - (NOW + machine.counter - 5_000)
        assert abs(off) <= i * JUMP_MS


def test_the_machine_of_this_test_says_whether_network_time_keeps_its_clock():
    assert NetworkTime()() in (True, False, None)
    assert SteadyClock().jump() is None


BACK_3_DAYS, TO_1970 = -3 * 24 * HOUR, 1_000_000 - NOW


@pytest.mark.parametrize("synchronised", [False, None])
@pytest.mark.parametrize("by", [TO_2039, BACK_3_DAYS, TO_1970, -BEHIND_MS - 1, AWAY_MS + 1])
def test_a_start_far_from_the_newest_known_time_counts_on_from_there(by, synchronised):
    machine = Machine(synchronised=synchronised, known_ms=NOW - by)
    assert machine.clock.jump() == ClockJump(by, NOW - by, JumpState.DOUBTED, at_start=True)
    machine.passes(HOUR)
    assert machine.clock.unknown()
    assert machine.clock.now_ms() == machine.clock.cautious_ms() == NOW - by + HOUR
    assert machine.clock.time_of(machine.counter) is None


@pytest.mark.parametrize("by", [-BEHIND_MS, 0, HOUR, AWAY_MS])
def test_a_start_near_or_after_the_newest_known_time_is_believed(by):
    machine = Machine(known_ms=NOW - by)
    assert machine.clock.jump() is None
    assert not machine.clock.unknown()
    assert machine.clock.now_ms() == NOW


@pytest.mark.parametrize("by", [TO_2039, BACK_3_DAYS])
def test_network_time_vouches_for_a_start_far_from_the_newest_known_time(by):
    machine = Machine(synchronised=True, known_ms=NOW - by)
    assert machine.clock.now_ms() == NOW
    assert machine.clock.jump() is None


@pytest.mark.parametrize("how", ["set", "network", "person"])
def test_once_the_time_is_known_moments_since_the_start_are_dated_by_the_counter(how):
    right = NOW + HOUR
    machine = Machine(known_ms=right - 10 * 60_000)  # an hour slow; off for ten minutes
    arrived = machine.clock.moment().counter_ms
    machine.passes(60_000)
    if how == "set":
        machine.wall += HOUR
    elif how == "network":
        machine.wall += HOUR
        machine.synchronised = True
    else:
        machine.clock.accept()  # who says so is believed, even if it is not so
        right = NOW
    assert machine.clock.time_of(arrived) == right
    assert not machine.clock.unknown()
    found = machine.clock.jump()
    assert (found.state, found.at_start) == (JumpState.CONFIRMED, True)


def test_a_clock_set_wrong_again_after_a_wrong_start_stays_unknown():
    machine = Machine(known_ms=NOW + 24 * HOUR)
    machine.wall += HOUR
    assert machine.clock.unknown()
    assert machine.clock.jump().by_ms == -23 * HOUR


def test_timesyncd_vouches_only_by_a_synchronisation_of_late(tmp_path):
    mark = tmp_path / "synchronized"
    assert _timesyncd(mark, 0) is None
    mark.touch()
    at = mark.stat().st_mtime
    found = [_timesyncd(mark, at + by) for by in (0, RECENT_S, RECENT_S + 1, -1)]
    assert found == [True, True, False, False]


CHRONY = "A9FEA97B,ntp1,3,1790000000.5,0.000012,0,0,0,0,0,0.02,0.001,64.2,Normal"
"""From memory, unchecked: the fields of `chronyc -c tracking`."""


@pytest.mark.parametrize(
    ("line", "at", "said"),
    [
        (CHRONY, 1_790_000_100, True),
        (CHRONY, 1_790_003_000, False),
        (CHRONY, 1_789_990_000, False),
        (CHRONY.replace("Normal", "Not synchronised"), 1_790_000_100, False),
        (CHRONY.replace("0.000012", "3600.5"), 1_790_000_100, False),
        ("506 Cannot talk to daemon", 1_790_000_100, None),
        ("", 1_790_000_100, None),
    ],
)
def test_chrony_vouches_only_by_a_synchronisation_of_late(line, at, said):
    assert _tracking(line, at) is said
