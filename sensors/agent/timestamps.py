"""Time stamps of samples, on a board whose clock may be unset or be set while we run.

A sample is stamped with the time since the machine started, which never jumps. Its date follows
from that and the clock, once the clock can be believed.
"""

from __future__ import annotations

import ctypes
import logging
import time
from pathlib import Path

from monitor.core.clock import now_ms

log = logging.getLogger(__name__)

WRITTEN_MS = 1_793_491_200_000
"""2026-11-01 UTC, when this was written: a clock that says less was never set. [ms]"""
HOLD_MS = 300_000
"""So long after a start of the machine a clock that the kernel calls unsynchronised is not believed:
it may stand where it stood when the power went. After that it is the best there is. [ms]"""
JUMP_MS = 2_000
"""A clock that moves more than this against the time since the start was set anew. [ms]"""
_TIME_ERROR = 5


class Clock:
    """The machine's clocks. Times in ms: since 1970-01-01 UTC, and since the machine started."""

    def __init__(self, root: Path = Path("/")) -> None:
        file = root / "proc/sys/kernel/random/boot_id"
        try:
            self.start_id = file.read_text(encoding="ascii").strip()
        except OSError:  # no way to tell one start of the machine from another
            self.start_id = f"run {time.time_ns()}"

    def wall_ms(self) -> int:
        return now_ms()

    def since_start_ms(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def synchronised(self) -> bool:
        """True if the kernel calls the clock synchronised (`adjtimex(2)`)."""
        try:
            return bool(
                ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512)) != _TIME_ERROR
            )
        except (AttributeError, OSError):
            return True


class Timestamper:
    """Offset of the calendar from the time since the start, looked at once for each sample."""

    def __init__(self, clock: Clock) -> None:
        self.trouble = ""
        """Why samples cannot be dated now; empty if they can."""
        self.anew = False
        """Whether the last look found the clock set: first believed, or moved since the look before."""
        self._clock = clock
        self._offset_ms: int | None = None

    def look(self) -> int | None:
        """Add this to a time since the start for its date; None while there is none. [ms]"""
        wall, since_start = self._clock.wall_ms(), self._clock.since_start_ms()
        trouble = ""
        if wall < WRITTEN_MS:
            trouble = f"this machine's clock is not set: it says {_day(wall)}"
        elif since_start < HOLD_MS and not self._clock.synchronised():
            trouble = "this machine has just started and its clock is not synchronised yet"
        self._tell(trouble)
        offset, before = None if trouble else wall - since_start, self._offset_ms
        self.anew = offset is not None and (before is None or abs(offset - before) > JUMP_MS)
        if self.anew and offset is not None and before is not None:
            log.warning(
                "clock was set by_s=%+.1f what=unsent readings move with it",
                (offset - before) / 1e3,
            )
        self._offset_ms = offset
        return offset

    def _tell(self, trouble: str) -> None:
        if trouble and not self.trouble:
            log.warning("readings wait for a date reason=%s", trouble)
        elif self.trouble and not trouble:
            log.info("the clock is set, readings have their dates")
        self.trouble = trouble


def _day(ms: int) -> str:
    return time.strftime("%Y-%m-%d %H:%M", time.gmtime(ms / 1000))
