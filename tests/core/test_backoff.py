"""Waits between tries."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.core.backoff import Backoff, doubled


def test_each_wait_is_twice_the_one_before_up_to_the_longest_and_begins_anew_after_a_success():
    backoff = Backoff(1.0, 6.0)
    assert [backoff.wait_s() for _ in range(5)] == [1, 2, 4, 6, 6]
    backoff.reset()
    assert backoff.wait_s() == 1


@given(st.floats(0.1, 10), st.floats(10, 1e4), st.floats(0, 1), st.integers(0, 10**6))
def test_a_wait_is_longer_by_at_most_its_spread(first, most, spread, failures):
    backoff = Backoff(first, most, spread)
    backoff.failures = failures
    wait = doubled(first, most, failures)
    assert first <= wait <= most
    assert wait <= backoff.wait_s() <= wait * (1 + spread)
