"""Batches of messages: decoded, and sorted by the part of the store that they go to."""

from __future__ import annotations

import hashlib
import logging
from collections import Counter
from typing import NamedTuple

from monitor.core.clock import AHEAD_MAX_MS, EVER_MS
from monitor.core.errors import BadPayload
from monitor.core.measurements import Reading, Refusal
from monitor.core.steady_clock import JUMP_MS, Moment, SteadyClock
from monitor.domain.topic_rules import command_about, forecast_source
from monitor.mqtt.client import BURST_MS, Arrival
from monitor.readings.newcomers import Newcomers, Visit
from monitor.readings.payload import Contract, reason_of
from monitor.science.sensor_clock import HOUR_MS
from monitor.store import Writer, newcomers
from monitor.store.aside import AsideMessage

log = logging.getLogger(__name__)

LATENESS_EVERY_MS = 60_000
"""Period of storing the lateness of messages. [ms]"""


class Batch(NamedTuple):
    """The content of a group of messages. `arrived` has readings dated by their arrival whose
    times may be those of others: a clock that is set back shows each time twice. `deliveries` has
    digests by packet id, and the group's mark; `singly` are commands and forecasts, each a transaction
    of its own; `lateness` is as `Writer.write` has it."""

    readings: list[Reading]
    arrived: list[Reading]
    refusals: list[Refusal]
    deliveries: dict[int, bytes]
    tallies: Counter[str]
    singly: list[Arrival]
    lateness: dict[tuple[str, str, int], int]
    aside: list[AsideMessage]
    visit: Visit


class Lateness:
    """The least lateness of each topic and hour of arrival, gathered over batches and stored once in
    `LATENESS_EVERY_MS`, so that it costs the ingest almost nothing. A crash loses what was not
    stored yet, but never a reading."""

    def __init__(self) -> None:
        self._least: dict[tuple[str, str, int], int] = {}
        self._now_ms = self._told_ms = 0

    def note(self, arrival: Arrival, readings: list[Reading]) -> None:
        """Note how long after its newest reading a message came, if none came sooner."""
        (place, sensor, _), newest, _ = readings[0]
        if len(readings) > 1:
            newest = max([reading.ts_ms for reading in readings])
        self._now_ms = now = arrival.received_ms
        hour = (place, sensor, now - now % HOUR_MS)
        known = self._least.get(hour)
        if known is None or now - newest < known:
            self._least[hour] = now - newest

    def due(self) -> dict[tuple[str, str, int], int]:
        """The values to be stored now; empty if some were stored a short while ago."""
        return self._least if abs(self._now_ms - self._told_ms) >= LATENESS_EVERY_MS else {}

    def stored(self) -> None:
        """Note that the values that were due are stored."""
        self._least, self._told_ms = {}, self._now_ms


class BatchReader:
    """Decodes groups of messages for an ingest, whose packet ids begin at `first_packet`."""

    def __init__(
        self,
        contract: Contract,
        writer: Writer,
        clock: SteadyClock,
        newcomers: Newcomers | None = None,
        first_packet: int = 0,
    ) -> None:
        self._contract, self._writer, self._clock = contract, writer, clock
        self._newcomers, self._first_packet = newcomers, first_packet
        self.lateness = Lateness()
        self._last_ms, self._passed_ms = 0, clock.now_ms() + AHEAD_MAX_MS
        """The last arrival, and the time before which the clock may show a time for a second time.
        [ms]"""

    def read(
        self,
        arrivals: list[Arrival],
        came: Moment | None = None,
        within_ms: int = 0,
        mark: bytes = b"",
    ) -> Batch:
        """Decode a group of messages that came in the `within_ms` before a moment, or before now;
        nothing is stored yet. If a second try would store something twice, the group's `mark` is
        among the deliveries, under our first packet id. [ms]"""
        batch = Batch([], [], [], {}, Counter(), [], {}, [], Visit())
        came, unknown = came or self._clock.moment(), self._clock.unknown()
        doubted = unknown or came.wall_ms != came.steady_ms
        latest_ms = came.steady_ms + AHEAD_MAX_MS
        batch.tallies["messages"] = len(arrivals)
        note_lateness, with_care = self.lateness.note, False
        for arrival in arrivals:
            if command_about(arrival.topic) or forecast_source(arrival.topic):
                batch.singly.append(arrival)
                continue
            kept = None
            if doubted or arrival.received_ms > latest_ms:
                at_ms = arrival.received_ms
                ago_ms = came.wall_ms - at_ms
                if not -BURST_MS <= ago_ms <= within_ms + JUMP_MS:  # the clock stepped in between
                    ago_ms = 0
                at = Moment(at_ms, came.steady_ms - ago_ms, came.counter_ms - ago_ms)
                readings, faults, timed, kept = self._decode_doubted(arrival, at, unknown=unknown)
            else:
                readings, faults, timed = self._decode(arrival, arrival.received_ms)
            known = (
                self._newcomers is None
                or not readings
                or (self._newcomers.is_known(readings[0].series))
            )
            if timed and not faults and not kept and known:
                batch.readings.extend(readings)
                if readings and not arrival.retained and not unknown:
                    note_lateness(arrival, readings)
            else:
                with_care = True
                self._read_with_care(
                    arrival, readings, faults, timed=timed, batch=batch, kept=kept
                )
        if batch.visit.beyond:
            batch.tallies[newcomers.BEYOND] += batch.visit.beyond
        if with_care:
            batch.deliveries[self._first_packet] = mark
        batch.lateness.update(self.lateness.due())
        return batch

    def stored(self, batch: Batch) -> None:
        """Note that the group that was read last is stored."""
        if batch.lateness:
            self.lateness.stored()

    def _decode_doubted(
        self, arrival: Arrival, at: Moment, *, unknown: bool
    ) -> tuple[list[Reading], list[str], bool, AsideMessage | None]:
        """`_decode` for a message that came at a moment of a doubted clock, and what is kept aside.

        While the time is unknown, only readings are taken that have times of their own which have
        passed for certain; a message that is sound otherwise is kept aside.
        """
        readings, faults, timed = self._decode(arrival, EVER_MS if unknown else at.wall_ms)
        if not unknown and at.wall_ms < at.steady_ms and faults:  # set back: it may be right
            again = self._decode(arrival, at.steady_ms)
            if again[2] and not again[1]:
                readings, faults, timed = again
        latest_ms = at.steady_ms + AHEAD_MAX_MS
        ahead = any(reading.ts_ms > latest_ms for reading in readings)
        if not readings or not (ahead or (unknown and not timed)):
            return readings, faults, timed, None
        if not unknown and at.wall_ms <= latest_ms:
            return readings, faults, timed, None
        sensor = f"{readings[0].series.place}/{readings[0].series.sensor}"
        sent = (sensor, arrival.topic, arrival.payload, len(readings))
        boot = self._clock.boot
        kept = AsideMessage(at.wall_ms, at.steady_ms, *sent, at.counter_ms, boot, int(unknown))
        return readings, faults, timed, kept

    def _decode(self, arrival: Arrival, came_ms: int) -> tuple[list[Reading], list[str], bool]:
        """Readings, faults, and whether each reading has a time of its own."""
        try:
            return self._contract.decode(arrival.topic, arrival.payload, came_ms)
        except BadPayload as exc:
            return [], [str(exc)], False
        except Exception as exc:
            # Our own fault; but a message that came again for ever would stop everything.
            log.exception("message could not be decoded topic=%s", arrival.topic)
            return [], [f"could not be read: {exc!r}"], False

    def _read_with_care(
        self,
        arrival: Arrival,
        readings: list[Reading],
        faults: list[str],
        *,
        timed: bool,
        batch: Batch,
        kept: AsideMessage | None,
    ) -> None:
        """Read a message whose repeat cannot be recognised by its readings alone; `kept` is the form
        in which it is kept aside, if it is."""
        if arrival.retained:
            known_bad = self._writer.refused_before(arrival.topic, arrival.payload)
            if known_bad or (readings and not timed):  # an old value of unknown age
                batch.tallies["repeats"] += len(readings)
                if faults and not known_bad:
                    _reject(batch, arrival, faults)
                return
        if arrival.qos:
            digest = digest_of(arrival)
            packet_id = self._first_packet + arrival.packet_id
            if arrival.repeat and digest == (
                batch.deliveries.get(packet_id) or self._writer.delivered(packet_id)
            ):
                batch.tallies["repeats"] += len(readings)
                return
            batch.deliveries[packet_id] = digest
        came_ms = kept.steady_ms if kept else arrival.received_ms
        message = (came_ms, arrival.topic, arrival.payload, len(readings))
        if (
            readings
            and self._newcomers is not None
            and self._newcomers.held(batch.visit, readings[0].series, message)
        ):
            readings = []
        elif kept is not None:
            batch.aside.append(kept)
            return
        if arrival.received_ms < self._last_ms:  # set back: the last time may come again too
            self._passed_ms = max(self._passed_ms, self._last_ms + 1)
        self._last_ms = arrival.received_ms
        anew = not timed and arrival.received_ms < self._passed_ms
        (batch.arrived if anew else batch.readings).extend(readings)
        if faults:
            _reject(batch, arrival, faults)


def _reject(batch: Batch, arrival: Arrival, faults: list[str]) -> None:
    reason = reason_of(faults)
    log.debug("message rejected topic=%s reason=%s", arrival.topic, reason)
    batch.refusals.append(refusal_of(arrival, reason))


def digest_of(arrival: Arrival) -> bytes:
    """Digest by which a message is recognised, beside its packet id."""
    text = arrival.topic.encode("utf-8", "replace") + b"\0" + arrival.payload
    return hashlib.blake2b(text, digest_size=16).digest()


def refusal_of(arrival: Arrival, reason: str) -> Refusal:
    """Message as it is stored if it is rejected."""
    return Refusal.of(arrival.received_ms, arrival.topic, arrival.payload, reason)
