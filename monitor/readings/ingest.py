"""Store messages: decode, commit, and only then acknowledge.

All messages that wait when the writer is free are one transaction (group commit). A message that
cannot be read is stored with its reason and acknowledged. While the store cannot be written, messages
stay unacknowledged.
"""

from __future__ import annotations

import functools
import hashlib
import logging
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from typing import NamedTuple

from monitor.commands import Commands
from monitor.core.clock import AHEAD_MAX_MS, EVER_MS
from monitor.core.errors import BadPayload, MonitorError, StoreFault, StoreUnavailable
from monitor.core.measurements import REFUSED_PAYLOAD_MAX, Reading, Refusal, name_fault
from monitor.core.steady_clock import Moment, SteadyClock
from monitor.domain.events import About
from monitor.domain.topic_rules import command_about, forecast_source
from monitor.mqtt.client import Arrival, Subscription
from monitor.readings.newcomers import Newcomers, Visit, VisitOutdated
from monitor.readings.payload import FORECAST_MAX, PAYLOAD_MAX, Contract, json_object, reason_of
from monitor.science.sensor_clock import HOUR_MS
from monitor.store import Writer, newcomers, until_stored
from monitor.store.aside import AsideMessage
from monitor.store.connection import Cursor
from monitor.store.ingest_workers import Share, ShareLost

log = logging.getLogger(__name__)

PRUNE_EVERY = 2_000
"""Number of rejected messages after which the oldest are deleted."""
REFUSED_TEXT_MAX = 500
"""Longest part of a rejected message's topic, and of the reason, that is stored. [characters]"""
BATCH_MAX = 1_000
"""Most messages in one transaction."""
PACKET_IDS = 1 << 16
"""Number of packet ids of an MQTT session."""
LATENESS_EVERY_MS = 60_000
"""Period of storing the lateness of messages. [ms]"""
IDLE_WAIT_S = 0.5
"""Longest wait for a message before checking for a stop. [s]"""


class Batch(NamedTuple):
    """The content of a group of messages. `deliveries` has digests by packet id; `singly` are
    commands and forecasts, each a transaction of its own; `lateness` is as `Writer.write` has it."""

    readings: list[Reading]
    refusals: list[Refusal]
    deliveries: dict[int, bytes]
    tallies: Counter[str]
    singly: list[Arrival]
    lateness: dict[tuple[str, str, int], int]
    aside: list[AsideMessage]
    visit: Visit


StoreForecast = Callable[[str, bytes, int, Iterable[tuple[int, bytes]]], None]
"""Stores a forecast: source, message, arrival [ms], and deliveries to be noted in the same
transaction. Raises `BadPayload` if it is rejected."""


class _Lateness:
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


class Ingest:
    """Takes messages from a subscription into a store, in a thread of its own.

    Among several that share a stream each has a `number` of its own, and stores only while it holds
    its `share`.
    """

    def __init__(
        self,
        subscription: Subscription,
        contract: Contract,
        writer: Writer,
        commands: Commands | None = None,
        store_forecast: StoreForecast | None = None,
        *,
        refused_max: int = 100_000,
        clock: SteadyClock | None = None,
        newcomers: Newcomers | None = None,
        number: int = 0,
        share: Share | None = None,
    ) -> None:
        self.subscription, self.contract, self.writer = subscription, contract, writer
        self._first_packet, self._share = PACKET_IDS * number, share
        self.refused_max = refused_max
        self._clock = clock or SteadyClock()
        self._newcomers = newcomers
        self._refused = 0
        self._lateness = _Lateness()
        self.commands = commands or Commands(writer)
        self._store_forecast = store_forecast
        self.store_trouble = ""
        """Reason why the store cannot be written; empty while it can."""
        self.stored = 0
        """Number of readings stored since the start."""
        self.messages = 0
        """Number of messages acknowledged since the start."""
        self.moved_s = time.monotonic()
        """When it last came further, or tried again, by the steady clock. [s]"""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="ingest", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def running(self) -> bool:
        return self._thread.is_alive()

    def stop(self, wait_s: float) -> None:
        """Finish the transaction under way and end. [s]"""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(wait_s)

    def drain(self, former: Subscription, quiet_s: float = 1.0) -> int:
        """Store what waits in another session until none comes for a while, before `start`. [s]

        Returns the number of messages.
        """
        mine, self.subscription, messages = self.subscription, former, 0
        try:
            while arrivals := former.take(BATCH_MAX, quiet_s):
                self._keep(arrivals)
                messages += len(arrivals)
        finally:
            self.subscription = mine
        return messages

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self.moved_s = time.monotonic()
                if self._share is not None and self._share.lost:
                    self._claim_again(self._share)
                if arrivals := self.subscription.take(BATCH_MAX, IDLE_WAIT_S):
                    self._keep(arrivals)
                if self._newcomers is not None and self._newcomers.outdated():
                    self._until_stored(functools.partial(self._admit, self._newcomers), 0)
        except Exception:
            # The outermost loop: the service sees the thread gone and ends with an error.
            log.exception("ingest stopped")
        finally:
            self.subscription.close()

    def _keep(self, arrivals: list[Arrival]) -> None:
        """Store a group of messages, however long it takes, then acknowledge them."""
        singly: list[Arrival] = []
        came = self._clock.moment()

        def store() -> None:
            batch = self.read(arrivals, came)
            try:
                self.writer.write(
                    batch.readings,
                    refusals=batch.refusals,
                    deliveries=batch.deliveries.items(),
                    tallies=batch.tallies,
                    lateness=batch.lateness,
                    messages_aside=batch.aside,
                    also=functools.partial(self._also, batch.visit),
                    alone=bool(batch.visit.states),
                )
            except VisitOutdated:  # another ingest has met somebody new: decide again
                if self._newcomers is not None:
                    self._newcomers.reload()
                store()
                return
            if self._newcomers is not None:
                self._newcomers.stored(batch.visit)
            if batch.lateness:
                self._lateness.stored()
            self.stored += len(batch.readings)
            singly[:] = batch.singly
            self._prune(len(batch.refusals))

        try:
            if not self._until_stored(store, len(arrivals)):
                return  # unacknowledged: the broker sends them again
        except ShareLost:
            sent_once = [arrival for arrival in arrivals if not arrival.qos]
            if self._share is not None and self._claim_again(self._share) and sent_once:
                self._keep(sent_once)
            return
        for arrival in singly:
            if not self._until_stored(functools.partial(self._handle_singly, arrival), 1):
                return
        self.subscription.acknowledge(arrivals)
        self.messages += len(arrivals)

    def _claim_again(self, share: Share) -> bool:
        """Ask for our share again, of which others may have stored a part; end if it was another's.
        Returns whether we go on."""
        if not (share.own and self._until_stored(share.claim, 0)):
            self._stop.set()
            return False
        log.warning("share claimed again: what is not acknowledged is asked for again")
        self.subscription.ask_again()
        return True

    def _also(self, visit: Visit, run: Cursor) -> None:
        if self._share is not None:
            self._share.check(run)
        visit.write(run)

    def _until_stored(self, write: Callable[[], object], waiting: int) -> bool:
        """Try a write until the store takes it; False if asked to stop before it does."""

        def work() -> bool:
            write()
            return True

        def away(exc: StoreUnavailable, failures: int) -> None:
            if not failures:
                log.error("store cannot be written waiting=%d reason=%s", waiting, exc)
            self.store_trouble = str(exc)

        if not until_stored(work, self._rest, away):
            return False
        if self.store_trouble:
            log.info("store can be written again")
            self.store_trouble = ""
        return True

    def _handle_singly(self, arrival: Arrival) -> None:
        """Carry out a command or store a forecast; otherwise store the message as rejected."""
        digest = _digest(arrival)
        packet_id = self._first_packet + arrival.packet_id
        if arrival.repeat and self.writer.delivered(packet_id) == digest:
            return
        deliveries = [(packet_id, digest)] if arrival.qos else []
        try:
            source = forecast_source(arrival.topic)
            most = PAYLOAD_MAX if source is None else FORECAST_MAX
            if len(arrival.payload) > most:
                raise BadPayload(f"{len(arrival.payload)} bytes: must be at most {most}")
            if source:
                self._forecast(source, arrival, deliveries)
            else:
                self._carry_out(arrival, deliveries)
        except StoreFault:
            raise
        except MonitorError as exc:
            log.warning("message rejected topic=%.100r reason=%.300r", arrival.topic, str(exc))
            self._reject(arrival, str(exc), deliveries)
        except Exception as exc:
            # Our own fault; but a message that came again for ever would stop everything.
            log.exception("message could not be handled topic=%s", arrival.topic)
            self._reject(arrival, f"could not be carried out: {exc!r}", deliveries)

    def _carry_out(self, arrival: Arrival, deliveries: list[tuple[int, bytes]]) -> None:
        if arrival.retained:
            raise BadPayload(
                "a command must not be retained, or it would be carried out repeatedly"
            )
        command = json_object(arrival.payload)
        about = command_about(arrival.topic)
        if command.get("about", about) != about:
            raise BadPayload(f"about = {command['about']!r:.40}: the topic says {about}")
        if about == About.SETTINGS:  # an account for a button is not the owner's
            raise BadPayload("settings cannot be changed by a message: change them on the board")
        whole = {"by": "mqtt", "about": about} | command
        self.commands.carry_out(whole, arrival.received_ms, deliveries)

    def _forecast(
        self, source: str, arrival: Arrival, deliveries: list[tuple[int, bytes]]
    ) -> None:
        if self._store_forecast is None:
            raise BadPayload("forecasts are not accepted here")
        if fault := name_fault(source):
            raise BadPayload(f"source {source!r} in the topic {fault}")
        self._store_forecast(source, arrival.payload, arrival.received_ms, deliveries)

    def _reject(self, arrival: Arrival, reason: str, deliveries: list[tuple[int, bytes]]) -> None:
        if arrival.retained and self.writer.refused_before(arrival.topic, arrival.payload):
            return
        self.writer.write([], refusals=[_refusal(arrival, reason)], deliveries=deliveries)
        self._prune(1)

    def _prune(self, refused: int) -> None:
        """Limit the number of rejected messages, however fast they come."""
        self._refused += refused
        if self._refused >= PRUNE_EVERY:
            self._refused = 0
            self.writer.prune_refused(self.refused_max)

    def _rest(self, wait_s: float) -> bool:
        """Wait with the connection kept alive; False if asked to stop meanwhile. [s]"""
        self.moved_s = time.monotonic()
        until = self.moved_s + wait_s
        while (left_s := until - time.monotonic()) > 0 and not self._stop.is_set():
            self.subscription.rest(min(left_s, IDLE_WAIT_S))
        return not self._stop.is_set()

    def read(self, arrivals: list[Arrival], came: Moment | None = None) -> Batch:
        """Decode a group of messages that `came` at a moment, or now; nothing is stored yet."""
        batch = Batch([], [], {}, Counter(), [], {}, [], Visit())
        came, unknown = came or self._clock.moment(), self._clock.unknown()
        doubted = unknown or came.wall_ms != came.steady_ms
        latest_ms = came.steady_ms + AHEAD_MAX_MS
        newest_ms = max((arrival.received_ms for arrival in arrivals), default=0)
        batch.tallies["messages"] = len(arrivals)
        note_lateness = self._lateness.note
        for arrival in arrivals:
            if command_about(arrival.topic) or forecast_source(arrival.topic):
                batch.singly.append(arrival)
                continue
            kept = None
            if doubted or arrival.received_ms > latest_ms:
                at_ms = arrival.received_ms
                at = Moment(at_ms, *(ms - newest_ms + at_ms for ms in came[1:]))
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
                self._read_with_care(
                    arrival, readings, faults, timed=timed, batch=batch, kept=kept
                )
        if batch.visit.beyond:
            batch.tallies[newcomers.BEYOND] += batch.visit.beyond
        batch.lateness.update(self._lateness.due())
        return batch

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
            return self.contract.decode(arrival.topic, arrival.payload, came_ms)
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
        if arrival.retained and (
            (readings and not timed)  # an old value of unknown age
            or self.writer.refused_before(arrival.topic, arrival.payload)
        ):
            batch.tallies["repeats"] += len(readings)
            return
        if arrival.qos:
            digest = _digest(arrival)
            packet_id = self._first_packet + arrival.packet_id
            known = batch.deliveries.get(packet_id) or self.writer.delivered(packet_id)
            if arrival.repeat and known == digest:
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
        batch.readings.extend(readings)
        if faults:
            reason = reason_of(faults)
            log.debug("message rejected topic=%s reason=%s", arrival.topic, reason)
            batch.refusals.append(_refusal(arrival, reason))

    def _admit(self, admission: Newcomers) -> None:
        """Store the messages of newcomers that were admitted since."""
        admission.reload()
        while rows := newcomers.admitted(self.writer, BATCH_MAX):
            self.moved_s = time.monotonic()
            readings: list[Reading] = []
            refusals: list[Refusal] = []
            visit = Visit()
            for _, one in rows:
                try:
                    found, faults, _ = self.contract.decode(
                        one.topic, one.payload, one.received_ms
                    )
                except BadPayload as exc:  # the settings may have changed
                    found, faults = [], [str(exc)]
                message = (one.received_ms, one.topic, one.payload, len(found))
                if not found or not admission.held(visit, found[0].series, message):
                    readings += found
                if faults and not found:
                    kept = one.payload[:REFUSED_PAYLOAD_MAX]
                    reason = reason_of(faults)
                    refusals.append(
                        Refusal(one.received_ms, one.topic, kept, len(one.payload), reason)
                    )

            def finish(
                run: Cursor,
                visit: Visit = visit,
                numbers: tuple[int, ...] = tuple(n for n, _ in rows),
            ) -> None:
                newcomers.forget(run, numbers)
                visit.write(run)

            beyond = {newcomers.BEYOND: visit.beyond} if visit.beyond else {}
            try:
                self.writer.write(
                    readings,
                    refusals=refusals,
                    tallies=beyond,
                    also=finish,
                    alone=bool(visit.states),
                )
            except VisitOutdated:
                admission.reload()
                continue
            admission.stored(visit)
            log.info("newcomers admitted messages=%d readings=%d", len(rows), len(readings))


def _digest(arrival: Arrival) -> bytes:
    """Digest by which a message is recognised, beside its packet id."""
    text = arrival.topic.encode("utf-8", "replace") + b"\0" + arrival.payload
    return hashlib.blake2b(text, digest_size=16).digest()


def _refusal(arrival: Arrival, reason: str) -> Refusal:
    return Refusal(
        arrival.received_ms,
        arrival.topic[:REFUSED_TEXT_MAX],
        arrival.payload[:REFUSED_PAYLOAD_MAX],
        len(arrival.payload),
        reason[:REFUSED_TEXT_MAX],
    )
