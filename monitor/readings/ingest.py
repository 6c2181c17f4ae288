"""Store messages: decode, commit, and only then acknowledge.

All messages that wait when the writer is free are one transaction (group commit). A message that
cannot be read is stored with its reason and acknowledged. While the store cannot be written, messages
stay unacknowledged.
"""

from __future__ import annotations

import functools
import logging
import secrets
import threading
import time
from collections.abc import Callable, Iterable

from monitor.commands import Commands
from monitor.core.errors import BadPayload, MonitorError, StoreFault, StoreUnavailable
from monitor.core.measurements import Reading, Refusal, name_fault
from monitor.core.steady_clock import SteadyClock
from monitor.domain.events import About
from monitor.domain.topic_rules import command_about, forecast_source
from monitor.mqtt.client import Arrival, Subscription
from monitor.readings.batch import BatchReader, digest_of, refusal_of
from monitor.readings.newcomers import Newcomers, Visit, VisitOutdated
from monitor.readings.payload import FORECAST_MAX, PAYLOAD_MAX, Contract, json_object, reason_of
from monitor.store import Writer, newcomers, until_stored
from monitor.store.connection import Cursor
from monitor.store.ingest_workers import Share, ShareLost

log = logging.getLogger(__name__)

PRUNE_EVERY = 2_000
"""Number of rejected messages after which the oldest are deleted."""
BATCH_MAX = 1_000
"""Most messages in one transaction."""
PACKET_IDS = 1 << 16
"""Number of packet ids of an MQTT session. No message has the first: under it the store keeps the mark
of the last transaction that must not be repeated."""
MARK_BYTES = 16
"""Length of the random mark by which we know a transaction whose end we did not hear."""
IDLE_WAIT_S = 0.5
"""Longest wait for a message before checking for a stop. [s]"""


StoreForecast = Callable[[str, bytes, int, Iterable[tuple[int, bytes]]], None]
"""Stores a forecast: source, message, arrival [ms], and deliveries to be noted in the same
transaction. Raises `BadPayload` if it is rejected."""


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
        self._batches = BatchReader(contract, writer, self._clock, newcomers, self._first_packet)
        self._refused = 0
        self._came_ms = self._clock.moment().counter_ms
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
                share = self._share
                if share is not None and not self.subscription.connected:
                    self._until_stored(share.look, 0)  # or two take the session from each other
                if share is not None and share.lost:
                    self._claim_again(share)
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
        within_ms, self._came_ms = came.counter_ms - self._came_ms, came.counter_ms
        mark = secrets.token_bytes(MARK_BYTES)

        def store() -> None:
            batch = self._batches.read(arrivals, came, within_ms, mark)
            try:
                if not self._is_stored(mark):
                    self.writer.write(
                        batch.readings,
                        arrived=batch.arrived,
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
            self._batches.stored(batch)
            self.stored += len(batch.readings) + len(batch.arrived)
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
            handle = functools.partial(
                self._handle_singly, arrival, secrets.token_bytes(MARK_BYTES)
            )
            if not self._until_stored(handle, 1):
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

    def _is_stored(self, mark: bytes) -> bool:
        """Return whether a try that failed as it seemed has stored what has this mark."""
        return bool(self.store_trouble) and self.writer.delivered(self._first_packet) == mark

    def _handle_singly(self, arrival: Arrival, mark: bytes) -> None:
        """Carry out a command or store a forecast; otherwise store the message as rejected."""
        digest = digest_of(arrival)
        packet_id = self._first_packet + arrival.packet_id
        again = arrival.repeat and self.writer.delivered(packet_id) == digest
        if again or self._is_stored(mark):
            return
        deliveries = [(self._first_packet, mark)]
        if arrival.qos:
            deliveries.append((packet_id, digest))
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
        self.commands.carry_out(
            whole, arrival.received_ms, lambda run, _: self.writer.remember(run, deliveries)
        )

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
        self.writer.write([], refusals=[refusal_of(arrival, reason)], deliveries=deliveries)
        self._prune(1)

    def _prune(self, refused: int) -> None:
        """Limit the number of rejected messages, however fast they come."""
        self._refused += refused
        if self._refused >= PRUNE_EVERY:
            self._refused = 0
            self.writer.prune_refused(self.refused_max)

    def _rest(self, wait_s: float) -> bool:
        """Wait with the connection kept alive; False if asked to stop meanwhile. A connection that is
        lost is made again only if nobody may have taken it over. [s]"""
        self.moved_s = time.monotonic()
        until = self.moved_s + wait_s
        while (left_s := until - time.monotonic()) > 0 and not self._stop.is_set():
            wait = min(left_s, IDLE_WAIT_S)
            self.subscription.rest(wait, connects=self._share is None)
        return not self._stop.is_set()

    def _admit(self, admission: Newcomers) -> None:
        """Store the messages of newcomers that were admitted since."""
        admission.reload()
        while rows := newcomers.admitted(self.writer, BATCH_MAX):
            self.moved_s = time.monotonic()
            readings: list[Reading] = []
            arrived: list[Reading] = []
            refusals: list[Refusal] = []
            visit = Visit()
            for _, one in rows:
                try:
                    found, faults, timed = self.contract.decode(
                        one.topic, one.payload, one.received_ms
                    )
                except BadPayload as exc:  # the settings may have changed
                    found, faults, timed = [], [str(exc)], False
                message = (one.received_ms, one.topic, one.payload, len(found))
                if not found or not admission.held(visit, found[0].series, message):
                    (readings if timed else arrived).extend(found)
                if faults and not found:
                    reason = reason_of(faults)
                    refusals.append(Refusal.of(one.received_ms, one.topic, one.payload, reason))

            def finish(
                run: Cursor,
                visit: Visit = visit,
                numbers: tuple[int, ...] = tuple(n for n, _ in rows),
            ) -> None:
                if newcomers.forget(run, numbers) < len(numbers):
                    raise VisitOutdated("another ingest has stored some of them")
                visit.write(run)

            beyond = {newcomers.BEYOND: visit.beyond} if visit.beyond else {}
            try:
                self.writer.write(
                    readings,
                    arrived=arrived,
                    refusals=refusals,
                    tallies=beyond,
                    also=finish,
                    alone=bool(visit.states),
                )
            except VisitOutdated:
                admission.reload()
                continue
            admission.stored(visit)
            log.info(
                "newcomers admitted messages=%d readings=%d",
                len(rows),
                len(readings) + len(arrived),
            )
