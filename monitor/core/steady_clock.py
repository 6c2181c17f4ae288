"""A clock that a step of the machine's clock cannot lead: the machine's, checked against its counter.

The counter of the kernel runs evenly while the machine is on, also asleep, and nobody can set it. A
step of the machine's clock away from it is followed only if the system keeps its clock by network
time, or a person says that the clock is right.
"""

from __future__ import annotations

import ctypes
import logging
import threading
import time
from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple

from monitor.core import clock

log = logging.getLogger(__name__)

JUMP_MS = 30_000
"""A larger step of the clock is a jump; smaller ones are followed. [ms]  Ours: network time corrects
a running clock by fractions of a second."""
REPORTED_MS = 3_600_000
"""Time for which a jump that is over is reported. [ms]"""
_TIME_ERROR, _TIMEX_BYTES = 5, 1024
"""State of an unsynchronised clock (adjtimex(2)), and room for its structure. [-], [bytes]"""


class JumpState(StrEnum):
    """State of a jump of the machine's clock."""

    DOUBTED = "doubted"
    """The clock still differs, and nothing confirms it."""
    UNDONE = "undone"
    """The clock came back."""
    CONFIRMED = "confirmed"
    """Network time or a person confirmed the new time."""


class ClockJump(NamedTuple):
    """Jump of the machine's clock: how far, negative if back [ms], when by the steady clock
    [ms since 1970-01-01 UTC], and what became of it."""

    by_ms: int
    at_ms: int
    state: JumpState


class SteadyClock:
    """The machine's clock while it runs evenly, else the time since then. Threads may share it.

    Parameters
    ----------
    wall_ms : callable
        The machine's clock. [ms since 1970-01-01 UTC]
    counter_ms : callable
        A counter that nobody can set. [ms]
    synchronised : callable
        Whether the system keeps its clock by network time; None if it does not tell.
    """

    def __init__(
        self,
        wall_ms: Callable[[], int] = clock.now_ms,
        counter_ms: Callable[[], int] | None = None,
        synchronised: Callable[[], bool | None] | None = None,
    ) -> None:
        self._wall, self._counter = wall_ms, counter_ms or _counter_ms
        self._synchronised = synchronised or kept_by_network
        self._lock = threading.Lock()
        self._offset = self._wall() - self._counter()
        self._last: ClockJump | None = None

    def now_ms(self) -> int:
        """The time that the machine's clock would show without a doubted jump.
        [ms since 1970-01-01 UTC]"""
        with self._lock:
            return self._look()[1]

    def cautious_ms(self) -> int:
        """The earlier of this and the machine's clock, so that no wait is ready too early.
        [ms since 1970-01-01 UTC]"""
        with self._lock:
            return min(self._look())

    def jump(self) -> ClockJump | None:
        """The last jump: while it is doubted, and for `REPORTED_MS` after; else None."""
        with self._lock:
            _, steady = self._look()
            last = self._last
            if last is None or last.state is JumpState.DOUBTED:
                return last
            return last if 0 <= steady - last.at_ms < REPORTED_MS else None

    def accept(self) -> None:
        """Follow the machine's clock from now on, since a person knows it to be right."""
        with self._lock:
            wall, steady = self._look()
            if wall != steady:
                self._follow(wall, wall - steady)

    def _look(self) -> tuple[int, int]:
        """The machine's clock, and this one."""
        wall, counter = self._wall(), self._counter()
        by = wall - counter - self._offset
        doubted = self._last if self._last and self._last.state is JumpState.DOUBTED else None
        if abs(by) <= JUMP_MS:
            self._offset += by
            if doubted:
                log.warning("clock came back jump_s=%d", doubted.by_ms / 1000)
                self._last = ClockJump(doubted.by_ms, wall, JumpState.UNDONE)
            return wall, wall
        if self._synchronised():
            self._follow(wall, by)
            return wall, wall
        steady = counter + self._offset
        if doubted is None or abs(by - doubted.by_ms) > JUMP_MS:
            log.error("clock jumped and nothing confirms it jump_s=%d", by / 1000)
            self._last = ClockJump(by, steady, JumpState.DOUBTED)
        return wall, steady

    def _follow(self, wall: int, by: int) -> None:
        log.warning("clock jumped and is confirmed jump_s=%d", by / 1000)
        self._offset += by
        self._last = ClockJump(by, wall, JumpState.CONFIRMED)


def _counter_ms() -> int:
    """The kernel's counter, which runs on while the machine sleeps, where there is one. [ms]"""
    which = getattr(time, "CLOCK_BOOTTIME", None)
    return (time.monotonic_ns() if which is None else time.clock_gettime_ns(which)) // 1_000_000


def kept_by_network() -> bool | None:
    """Return whether network time keeps the kernel's clock; None if that is not known."""
    try:
        read = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError, TypeError):  # not Linux
        return None
    state = read(ctypes.create_string_buffer(_TIMEX_BYTES))  # all zero: reads, changes nothing
    return None if state < 0 else bool(state != _TIME_ERROR)
