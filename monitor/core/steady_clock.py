"""A clock that a step of the machine's clock cannot lead: the machine's, checked against its counter.

The counter of the kernel runs evenly while the machine is on, also asleep, and nobody can set it. A
step of the machine's clock away from it is followed only if the system keeps its clock by network
time, or a person says that the clock is right. A clock that is wrong already at the start is found by
the newest time that is known: no later moment can come before it.
"""

from __future__ import annotations

import logging
import threading
import time
import uuid
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from monitor.core import clock
from monitor.core.formats import DAY_MS, duration
from monitor.core.time_sync import NetworkTime

log = logging.getLogger(__name__)

JUMP_MS = 30_000
"""A larger step of the clock is a jump; smaller ones are followed. [ms]  Ours: network time corrects
a running clock by fractions of a second."""
BEHIND_MS = clock.AHEAD_MAX_MS
"""A clock that starts further behind the newest known time is doubted. [ms]  A reading may be dated
ahead by as much."""
AWAY_MS = 400 * 86_400_000
"""A clock that starts further after the newest known time is doubted. [ms]  Ours: no shop is switched
off for over a year without notice."""
APART_MS, TRIES = 5, 20
"""Most time between the readings of two clocks that count as one moment [ms], and most tries."""
REPORTED_MS = 3_600_000
"""Time for which a jump that is over is reported. [ms]"""


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
    [ms since 1970-01-01 UTC], and what became of it.

    `at_start`: the clock was off already when the service started, by so much from the newest time
    that was known.
    """

    by_ms: int
    at_ms: int
    state: JumpState
    at_start: bool = False


class Moment(NamedTuple):
    """A moment by the machine's clock, by the steady clock [ms since 1970-01-01 UTC], and by the
    counter [ms]."""

    wall_ms: int
    steady_ms: int
    counter_ms: int


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
    known_ms : int, optional
        The newest time that is known to have passed. While the machine's clock is before it, or
        long after it, and nothing confirms the clock, this one counts on from there.
        [ms since 1970-01-01 UTC]
    """

    def __init__(
        self,
        wall_ms: Callable[[], int] = clock.now_ms,
        counter_ms: Callable[[], int] | None = None,
        synchronised: Callable[[], bool | None] | None = None,
        known_ms: int | None = None,
    ) -> None:
        self._wall, self._counter = wall_ms, counter_ms or _counter_ms
        self._synchronised = synchronised or NetworkTime()
        self._lock = threading.Lock()
        self.boot = boot_id() if counter_ms is None else ""
        """Run of the counter: one start of the machine."""
        wall, counter = self._both()
        self._offset = wall - counter
        self._last: ClockJump | None = None
        if known_ms is not None and not (_sane(wall, known_ms) or self._synchronised()):
            by = wall - known_ms
            log.error("clock is wrong at the start and nothing confirms it off_s=%d", by / 1000)
            self._offset = known_ms - counter
            self._last = ClockJump(by, known_ms, JumpState.DOUBTED, at_start=True)

    def now_ms(self) -> int:
        """The time that the machine's clock would show without a doubted jump.
        [ms since 1970-01-01 UTC]"""
        with self._lock:
            return self._look().steady_ms

    def moment(self) -> Moment:
        """The present by each clock."""
        with self._lock:
            return self._look()

    def cautious_ms(self) -> int:
        """The earlier of this and the machine's clock, so that no wait is ready too early; after a
        start with a wrong clock, this one. [ms since 1970-01-01 UTC]"""
        with self._lock:
            now = self._look()
            return now.steady_ms if self._unknown() else min(now.wall_ms, now.steady_ms)

    def time_of(self, counter_ms: int) -> int | None:
        """The time at which the counter had a value in this run; None while the machine's clock is
        doubted. [ms], [ms since 1970-01-01 UTC]"""
        with self._lock:
            self._look()
            return None if self._doubted() else counter_ms + self._offset

    def unknown(self) -> bool:
        """Return whether the time is not known: wrong at the start, and not confirmed since."""
        with self._lock:
            self._look()
            return self._unknown()

    def jump(self) -> ClockJump | None:
        """The last jump: while it is doubted, and for `REPORTED_MS` after; else None."""
        with self._lock:
            steady = self._look().steady_ms
            last = self._last
            if last is None or last.state is JumpState.DOUBTED:
                return last
            return last if 0 <= steady - last.at_ms < REPORTED_MS else None

    def accept(self) -> None:
        """Follow the machine's clock from now on, since a person knows it to be right."""
        with self._lock:
            now = self._look()
            if now.wall_ms != now.steady_ms:
                self._follow(now.wall_ms, now.wall_ms - now.steady_ms)

    def _doubted(self) -> ClockJump | None:
        last = self._last
        return last if last is not None and last.state is JumpState.DOUBTED else None

    def _unknown(self) -> bool:
        doubted = self._doubted()
        return doubted is not None and doubted.at_start

    def _both(self) -> tuple[int, int]:
        """The machine's clock and the counter at one moment: read again if the process was held up in
        between, or a pause would seem a jump. [ms since 1970-01-01 UTC], [ms]"""
        before = self._counter()
        for _ in range(TRIES):
            wall, counter = self._wall(), self._counter()
            if counter - before <= APART_MS:
                break
            before = counter
        return wall, counter

    def _look(self) -> Moment:
        wall, counter = self._both()
        steady = counter + self._offset
        by = wall - steady
        doubted = self._doubted()
        if doubted is not None and doubted.at_start:
            if _sane(wall, steady) or self._synchronised():  # it was set since
                self._follow(wall, by)
                return Moment(wall, wall, counter)
        elif abs(by) <= JUMP_MS:
            self._offset += by
            if doubted:
                log.warning("clock came back jump_s=%d", doubted.by_ms / 1000)
                self._last = ClockJump(doubted.by_ms, wall, JumpState.UNDONE)
            return Moment(wall, wall, counter)
        elif self._synchronised():
            self._follow(wall, by)
            return Moment(wall, wall, counter)
        if doubted is None or abs(by - doubted.by_ms) > JUMP_MS:
            at_start = doubted is not None and doubted.at_start
            log.error("clock jumped and nothing confirms it jump_s=%d", by / 1000)
            self._last = ClockJump(by, steady, JumpState.DOUBTED, at_start=at_start)
        return Moment(wall, steady, counter)

    def _follow(self, wall: int, by: int) -> None:
        log.warning("clock jumped and is confirmed jump_s=%d", by / 1000)
        self._offset += by
        self._last = ClockJump(by, wall, JumpState.CONFIRMED, at_start=self._unknown())


def doubted_ahead(jump: ClockJump | None) -> ClockJump | None:
    """Jump that may make a wait seem ready too early: a doubted one ahead, or a start with a wrong
    clock; None for others."""
    if jump is None or jump.state is not JumpState.DOUBTED:
        return None
    return jump if jump.at_start or jump.by_ms > 0 else None


def cautious_ms(wall_ms: int, jump: ClockJump | None) -> int:
    """The machine's time without a doubted jump ahead, so that no wait is ready too early, from the
    jump that the service reports; after a start with a wrong clock, the time counted on since.
    [ms since 1970-01-01 UTC]"""
    doubted = doubted_ahead(jump)
    return wall_ms if doubted is None else wall_ms - doubted.by_ms


def jump_words(jump: ClockJump) -> str:
    """A jump in words, without its end: `The clock of the shop's computer jumped ahead by 1 hour`."""
    off = abs(jump.by_ms)
    years = off / (365.25 * DAY_MS)
    by = f"{years:.0f} years" if years >= 2 else duration(off)
    if not jump.at_start:
        way = f"jumped ahead by {by}" if jump.by_ms > 0 else f"was set back by {by}"
    elif jump.by_ms > 0:
        way = f"was {by} after the newest record when Benchweather started"
    else:
        way = f"was {by} behind the newest record when Benchweather started"
    return f"The clock of the shop's computer {way}"


def _sane(wall_ms: int, known_ms: int) -> bool:
    """Return whether a clock may be right, given a time that has passed. [ms]"""
    return known_ms - BEHIND_MS <= wall_ms <= known_ms + AWAY_MS


def _counter_ms() -> int:
    """The kernel's counter, which runs on while the machine sleeps, where there is one. [ms]"""
    which = getattr(time, "CLOCK_BOOTTIME", None)
    return (time.monotonic_ns() if which is None else time.clock_gettime_ns(which)) // 1_000_000


def boot_id() -> str:
    """Id of this start of the machine; of this process where the system has none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return _PROCESS


_PROCESS = uuid.uuid4().hex
