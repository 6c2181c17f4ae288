"""The service's care for time: the newest time known, jumps in the history, and what was kept aside
until the time was known."""

from __future__ import annotations

import logging
import time

from monitor.core.errors import StoreFault
from monitor.core.steady_clock import ClockJump, SteadyClock
from monitor.domain.events import About, Event
from monitor.domain.shop_clock import CLOCK_ID, ClockAction
from monitor.readings.aside import AsideMessages
from monitor.runtime import known_time
from monitor.settings import Settings
from monitor.store import Reader, Writer, journal

log = logging.getLogger(__name__)

LOOK_S = 10
"""Period of looking at the clock. [s]"""
NOTED_A_DAY = 24
"""Most jumps a day that the history notes. Ours: a clock that jumps all day is one matter."""


def newest_known_ms(settings: Settings, reader: Reader) -> int | None:
    """The newest time that is known to have passed: kept by the last run, or else of the newest reading
    or command in the store; None in a new shop. [ms since 1970-01-01 UTC]"""
    kept = known_time.read(settings.known_time_path)
    return kept if kept is not None else reader.newest_ms()


class ClockWatch:
    """Looks at the clock every `LOOK_S`. For one thread."""

    def __init__(
        self, settings: Settings, writer: Writer, clock: SteadyClock, kept: AsideMessages
    ) -> None:
        self._path, self._writer, self._clock, self._kept = (
            settings.known_time_path,
            writer,
            clock,
            kept,
        )
        self._noted: ClockJump | None = None
        self._days: list[float] = []
        self._saved_s = -known_time.KEEP_EVERY_S

    def look(self) -> None:
        """Note a jump, take in what can be dated now, and keep the time."""
        if time.monotonic() - self._saved_s >= known_time.KEEP_EVERY_S:
            self.keep_time()
        try:
            self._note_jump()
            self._kept.enter_dated()
        except StoreFault as exc:  # the next look tries again
            log.warning("clock cannot be noted reason=%s", exc)

    def keep_time(self) -> None:
        """Keep the time for the next start."""
        self._saved_s = time.monotonic()
        known_time.keep(self._path, self._clock.now_ms())

    def _note_jump(self) -> None:
        jump = self._clock.jump()
        if jump is None or jump == self._noted:
            return
        self._days = [at for at in self._days if time.monotonic() - at < 86_400]
        if len(self._days) >= NOTED_A_DAY:
            return
        body = {
            "by_ms": jump.by_ms,
            "at_ms": jump.at_ms,
            "state": str(jump.state),
            "at_start": jump.at_start,
        }
        event = Event(
            About.CLOCK, CLOCK_ID, self._clock.now_ms(), "", str(ClockAction.JUMPED), body
        )
        with self._writer.connection.transaction() as run:
            journal.append(run, [event])
        self._noted = jump
        self._days.append(time.monotonic())
        self.keep_time()
