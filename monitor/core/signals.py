"""SIGINT and SIGTERM, handled so that nothing can hang."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType


@contextlib.contextmanager
def signals_call(stop: Callable[[], None]) -> Iterator[None]:
    """Let SIGINT and SIGTERM end the run; outside the main thread, do nothing.

    `stop` is called in a thread of its own. A handler runs between any two steps of the main
    thread, which may just then hold the lock of the very event that `stop` sets: called there, it
    would wait for that lock for ever.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def handler(_: int, __: FrameType | None) -> None:
        threading.Thread(target=stop, name="stop", daemon=True).start()

    before = {number: signal.signal(number, handler) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, former in before.items():
            signal.signal(number, former)
