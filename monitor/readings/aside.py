"""Messages kept aside taken in, with the times that a person chose, or dismissed."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from monitor.commands.asides import AsideWork
from monitor.core.clock import AHEAD_MAX_MS
from monitor.core.errors import BadPayload, Rejected
from monitor.core.formats import duration
from monitor.core.measurements import Reading, Refusal
from monitor.core.steady_clock import SteadyClock
from monitor.domain.aside import AsideAction
from monitor.domain.events import About, Event
from monitor.readings.payload import Contract, reason_of
from monitor.store import Writer, aside, journal
from monitor.store.aside import AsideMessage
from monitor.store.connection import Cursor

log = logging.getLogger(__name__)

ENTER_AT_ONCE = 1_000
"""Most messages that are taken in by one transaction."""


class AsideMessages:
    """The messages kept aside, read again when they are taken in."""

    def __init__(self, writer: Writer, contract: Contract, clock: SteadyClock) -> None:
        self._writer, self._contract, self._clock = writer, contract, clock

    def sensors(self) -> Sequence[str]:
        return [one.sensor for one in aside.by_sensor(self._writer)]

    def take(self, sensor: str, now_ms: int, *, as_dated: bool) -> AsideWork:
        """Take all of a sensor in.

        With `as_dated` the machine's clock was right, and is followed from now on; else each
        message is read as if it came at the time of the steady clock.
        """
        if self._clock.unknown() and not as_dated:
            raise Rejected("the time is not known: set the clock or confirm it first")
        waiting = aside.waiting(self._writer, sensor)
        numbers = [number for number, _ in waiting]
        dated = [(m, m.received_ms if as_dated else m.steady_ms) for _, m in waiting]
        readings, arrived, refusals = self._decoded(dated)
        newest = max((reading.ts_ms for reading in (*readings, *arrived)), default=0)
        if newest > now_ms + AHEAD_MAX_MS:
            raise Rejected(
                f"readings of {sensor} would be dated {duration(newest - now_ms)} ahead of the "
                "clock: take them in with corrected times, or dismiss them"
            )
        if as_dated:
            self._clock.accept()

        def write(run: Cursor) -> None:
            aside.end(run, numbers, aside.TAKEN, self._clock.now_ms())
            self._writer.put(run, readings, arrived=arrived, refusals=refusals)

        return AsideWork(len(numbers), len(readings) + len(arrived), write)

    def dismiss(self, sensor: str) -> AsideWork:
        waiting = aside.waiting(self._writer, sensor)
        numbers = [number for number, _ in waiting]

        def write(run: Cursor) -> None:
            aside.end(run, numbers, aside.DISMISSED, self._clock.now_ms())

        return AsideWork(len(numbers), sum(one.readings for _, one in waiting), write)

    def enter_dated(self) -> int:
        """Take in, once the time is known, what came since the machine started: each message at the
        time that the counter gives it. Returns the number of messages.

        Those of earlier starts wait for a person: nothing tells when they came.
        """
        total = 0
        while (zero_ms := self._clock.time_of(0)) is not None:
            found = aside.waiting_since(self._writer, self._clock.boot, ENTER_AT_ONCE)
            if not found:
                break
            # One zero for all: the clock is corrected meanwhile, and they would change places.
            dated = [(one, zero_ms + one.counter_ms) for _, one in found]
            readings, arrived, refusals = self._decoded(dated)
            numbers = [number for number, _ in found]
            try:
                with self._writer.connection.transaction() as run:
                    aside.end(run, numbers, aside.TAKEN, self._clock.now_ms())
                    _, fresh = self._writer.put(run, readings, arrived=arrived, refusals=refusals)
            except Rejected:  # a person was faster with some
                continue
            self._writer.note_series(fresh)
            total += len(found)
        if total:
            log.warning("messages kept aside are taken in, dated by the counter count=%d", total)
        return total

    def prune(self, most: int, kept_days: int) -> None:
        """Delete old and surplus messages, as `aside.prune` does, with a note in the history."""
        now_ms = self._clock.now_ms()
        with self._writer.connection.transaction() as run:
            dropped = aside.prune(run, now_ms, most, kept_days * 86_400_000)
            if dropped.messages:
                body = dropped._asdict()
                journal.append(run, [Event(About.ASIDE, "", now_ms, "", AsideAction.DROP, body)])
        if dropped.messages:
            log.error(
                "messages kept aside were dropped, the oldest first messages=%d readings=%d",
                *dropped,
            )

    def _decoded(
        self, dated: Sequence[tuple[AsideMessage, int]]
    ) -> tuple[list[Reading], list[Reading], list[Refusal]]:
        """Readings with times of their own, readings dated by their arrival, and rejections, of messages
        that came at those times. [ms]"""
        readings: list[Reading] = []
        arrived: list[Reading] = []
        refusals: list[Refusal] = []
        for one, came_ms in dated:
            try:
                found, faults, timed = self._contract.decode(one.topic, one.payload, came_ms)
            except BadPayload as exc:
                found, faults, timed = [], [str(exc)], False
            (readings if timed else arrived).extend(found)
            if faults:
                refusals.append(Refusal.of(came_ms, one.topic, one.payload, reason_of(faults)))
        return readings, arrived, refusals
