"""Being asked to end, at the worst moment."""

from __future__ import annotations

import os
import signal
import threading

import pytest

from monitor.core.signals import signals_call


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_that_comes_while_the_events_lock_is_held_ends_the_run_all_the_same(number):
    stop = threading.Event()
    before = signal.getsignal(number)
    with signals_call(stop.set):
        with stop._cond:  # as inside `wait`, where a handler may run
            os.kill(os.getpid(), number)
            assert not stop.is_set()
        assert stop.wait(60)
    assert signal.getsignal(number) is before


def test_elsewhere_than_in_the_main_thread_signals_are_left_be():
    before = signal.getsignal(signal.SIGTERM)
    seen = []

    def work():
        with signals_call(lambda: None):
            seen.append(signal.getsignal(signal.SIGTERM))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [before]
