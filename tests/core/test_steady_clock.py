"""The steady clock: which steps of the machine's clock are followed, and which are reported."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.steady_clock import JUMP_MS, REPORTED_MS, JumpState, SteadyClock, kept_by_network

NOW, HOUR = 1_780_000_000_000, 3_600_000
TO_2039 = 2_180_000_000_000 - NOW


class Machine:
    """A machine whose clock can be set, and whose counter cannot."""

    def __init__(self, *, synchronised: bool | None = False) -> None:
        self.wall, self.counter, self.synchronised = NOW, 5_000, synchronised
        self.clock = SteadyClock(
            lambda: self.wall, lambda: self.counter, lambda: self.synchronised
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
    assert machine.clock.jump() == (by, NOW + HOUR, JumpState.DOUBTED)


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


@given(st.lists(st.tuples(st.integers(0, HOUR), st.integers(-TO_2039, TO_2039)), max_size=50))
def test_without_network_time_it_never_runs_ahead_of_the_counter_by_more_than_small_steps(steps):
    machine = Machine()
    for i, (passes, by) in enumerate(steps, 1):
        machine.passes(passes)
        machine.wall += by
        off = machine.clock.now_ms() - (NOW + machine.counter - 5_000)
        assert abs(off) <= i * JUMP_MS


def test_the_machine_of_this_test_says_whether_network_time_keeps_its_clock():
    assert kept_by_network() in (True, False, None)
    assert SteadyClock().jump() is None
