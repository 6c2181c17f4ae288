"""An ingest on its own, beside the service: several share one stream and one store.

Each has a session of its own at the broker, which gives each message to one of them. What waits for a
worker that is silent is stored by another; what it had not acknowledged comes again.
"""

from __future__ import annotations

import contextlib
import functools
import logging
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.core.clock import now_ms
from monitor.core.errors import SettingsFault, StoreUnavailable
from monitor.core.signals import signals_call
from monitor.core.steady_clock import SteadyClock
from monitor.core.systemd import Notifier
from monitor.mqtt.accounts import make_session_keys
from monitor.mqtt.client import TURNS, Subscription, shared
from monitor.readings.aside import AsideMessages
from monitor.readings.ingest import IDLE_WAIT_S, Ingest
from monitor.readings.newcomers import Newcomers
from monitor.readings.payload import Contract
from monitor.runtime.child_process import STOP_WAIT_S
from monitor.runtime.health import INGEST
from monitor.runtime.heartbeat import WorkerSign
from monitor.service.clock_watch import LOOK_S as LOOK_AT_CLOCK_S
from monitor.service.clock_watch import ClockWatch, newest_known_ms
from monitor.service.ingest_session import IngestSession
from monitor.service.sole_use import ServiceFault, sole_use
from monitor.service.vital_signs import HANGS_S
from monitor.settings.shop_broker import broker_address, group
from monitor.store import Reader, Writer, ingest_workers
from monitor.store.ingest_workers import Share

if TYPE_CHECKING:
    from monitor.mqtt.client import Address
    from monitor.settings import Settings

log = logging.getLogger(__name__)

LOOK_S = 1
"""Period of looking at what waits for another. [s]"""
SEEN_S = 5.0
"""Period of noting that a worker is seen, and of looking for others that are not. [s]"""
SILENT_S = 60.0
"""Time after which another stores what waits for a worker that is not seen. [s]  Ours: systemd starts
one that was killed again after 5 s."""
LOOKS = 13
"""Number of looks over which messages a minute are counted: a minute."""
WORKER_KEPT_MS = 7 * 86_400_000
"""Time after which a worker that is not seen any more is forgotten. [ms]"""
WORKER_NAME_MAX = 60
"""Longest part of a worker's name in the heartbeat, which has to fit. [characters]"""
QUIET_S = 5.0
"""Time without a message after which nothing waits any more. [s]"""


class WaitingShare:
    """Share of the stream that waits for a silent worker: a thread stores it, under its number."""

    def __init__(
        self,
        share: Share,
        address: Address,
        filters: tuple[str, ...],
        another: Callable[[Subscription, Share], Ingest],
    ) -> None:
        self.share = share
        self._ingest = another(
            Subscription(address, (), share.client_id, ended=filters, turn=share.number), share
        )
        self._messages, self._moved_s = 0, time.monotonic()
        self._ingest.start()

    def running(self) -> bool:
        return self._ingest.running()

    def waits(self) -> bool:
        """Return whether something may still wait: an ingest that the store keeps waiting is not
        done."""
        one, now = self._ingest, time.monotonic()
        busy = bool(one.store_trouble) or now - one.moved_s > 2 * IDLE_WAIT_S
        if busy or not one.subscription.connected or one.messages != self._messages:
            self._messages, self._moved_s = one.messages, now
            return True
        return now - self._moved_s < QUIET_S

    def end(self) -> int:
        """Stop. Returns the number of messages stored."""
        self._ingest.stop(STOP_WAIT_S)
        return self._ingest.messages


class IngestGroup:
    """Ingests that share a stream, as one of them sees them. For one thread.

    Parameters
    ----------
    ingest : Ingest
        Our own.
    number : int
        Its number.
    filters : tuple of str
        Filters that all of them share.
    another : callable
        Makes a further ingest on a subscription, with a share.
    share : Share, optional
        Our own, if another may store what waits for us while we are silent. What waits for the service
        does not: it has commands too.
    name : str
        Our name for the owner.
    """

    def __init__(
        self,
        ingest: Ingest,
        number: int,
        filters: tuple[str, ...],
        another: Callable[[Subscription, Share], Ingest],
        *,
        share: Share | None = None,
        name: str = "",
    ) -> None:
        self._ingest, self._number, self._filters, self._name = ingest, number, filters, name
        self._another, self._own = another, share
        self._counts: deque[tuple[float, int]] = deque(maxlen=LOOKS)
        self.workers: tuple[WorkerSign, ...] = ()
        """The workers, for the service's heartbeat."""
        self._share: WaitingShare | None = None
        self._next_s = 0.0
        self._since_s: float | None = None
        """Since when every look succeeded. [s]"""

    def look(self) -> None:
        """Note that we are seen, and store what waits for a worker that is not.

        A worker is silent if it was not seen while we saw the store. After the store was away, or we
        were frozen, the others have time to be seen again.
        """
        now = time.monotonic()
        try:
            if now >= self._next_s:
                late = now - self._next_s > SILENT_S / 2
                self._next_s = now + SEEN_S
                self._note_seen(now)
                if late or self._since_s is None:
                    self._since_s = now
                settled = now - self._since_s > SILENT_S
                if self._own is None:
                    self._look_at_workers(settled=settled)
                if self._share is None and settled:
                    self._claim()
            if (share := self._share) is not None:
                done = not share.waits()
                kept = share.running() and share.share.keep(done=done)
                if done or not kept:
                    self.stop()
        except StoreUnavailable as exc:  # the ingest reports it; the next look tries again
            self._since_s = None
            log.debug("other workers cannot be seen reason=%s", exc)

    def _note_seen(self, now_s: float) -> None:
        self._counts.append((now_s, self._ingest.messages))
        if self._own is not None and now_s - self._ingest.moved_s < HANGS_S[INGEST]:
            began_s, before = self._counts[0]
            messages = self._ingest.messages - before
            self._own.note_seen(self._name, 60 * messages / max(now_s - began_s, 1.0))

    def _look_at_workers(self, *, settled: bool) -> None:
        """Look at who was seen; nobody is silent before everybody had time to be seen."""
        self.workers = tuple(
            WorkerSign(
                one.name[:WORKER_NAME_MAX],
                now_ms() - round(1000 * one.unseen_s),
                round(one.per_minute),
                settled and one.unseen_s > SILENT_S,
            )
            for one in ingest_workers.workers(self._ingest.writer, WORKER_KEPT_MS)[:TURNS]
        )

    def _claim(self) -> None:
        silent_ms = round(1000 * SILENT_S)
        silent = ingest_workers.claim_silent(self._ingest.writer, self._number, silent_ms)
        if silent is not None:
            log.warning("worker is silent number=%d: storing its share", silent.number)
            address = self._ingest.subscription.address
            self._share = WaitingShare(silent, address, self._filters, self._another)

    def stop(self) -> None:
        """Store no more for others; one that is still silent is found again."""
        share, self._share = self._share, None
        if share is not None:
            log.info("stored for a worker number=%d messages=%d", share.share.number, share.end())


def worker_faults(settings: Settings) -> list[str]:
    """Reasons why no worker can run with these settings."""
    if settings.demo:
        return ["The demo has no ingest workers: start the worker without --demo."]
    if not group(settings):
        return [
            "broker.group is not set: an ingest worker needs a database (store.url), an outside "
            "broker (broker.url) and the name of its group (broker.group), the same on every "
            "computer. `benchweather run` stores readings without a worker."
        ]
    return []


def run_worker(
    settings: Settings, on_ready: Callable[[int], None], notifier: Notifier | None = None
) -> None:
    """Store readings beside the service until asked to stop.

    Parameters
    ----------
    on_ready : callable
        Called with the worker's number when the broker lets it read.

    Raises
    ------
    SettingsFault
        If the settings are not those of several ingests.
    MonitorError
        If it cannot start or go on.
    """
    if faults := worker_faults(settings):
        raise SettingsFault(faults)
    stop, notifier = threading.Event(), notifier or Notifier({})
    with contextlib.ExitStack() as parts, signals_call(stop.set):
        try:
            parts.enter_context(sole_use(settings.data))
        except ServiceFault as exc:
            raise ServiceFault(f"{exc}. Give each worker a folder of its own: --data") from None
        contract, address = Contract(settings.topics), broker_address(settings)
        filters = shared(group(settings), contract.filters)
        client_id = make_session_keys(settings.broker_keys_path).client_id
        session = IngestSession(
            settings.data / "session.json", settings.broker.url, client_id, filters
        )
        writer = Writer(settings.store_address)
        parts.callback(writer.close)
        reader = Reader(settings.store_address)
        parts.callback(reader.close)
        number = ingest_workers.number_of(writer, client_id)
        clock = SteadyClock(known_ms=newest_known_ms(settings, reader))
        watch = ClockWatch(settings, writer, clock, AsideMessages(writer, contract, clock))
        parts.callback(watch.keep_time)
        another = functools.partial(new_ingest, settings, contract, writer, clock)
        subscription = Subscription(
            address, filters, client_id, ended=session.ended(), turn=number
        )
        share = Share(writer, number, client_id)
        ingest = another(subscription, share)
        ingest.start()
        parts.callback(ingest.stop, STOP_WAIT_S)
        name = f"{socket.gethostname()}:{settings.data.absolute()}"
        others = IngestGroup(ingest, number, filters, another, share=share, name=name)
        parts.callback(others.stop)
        next_clock = next_sign = 0.0
        ready = False
        while not stop.wait(LOOK_S if ready else 0.02):
            now = time.monotonic()
            if not ingest.running():
                raise ServiceFault("the ingest ended: see the log; nothing is recorded any more")
            if not ready and subscription.connected:
                ready = True
                session.note()
                notifier.ready("Stores readings.")
                on_ready(number)
            others.look()
            if now >= next_clock:
                next_clock = now + LOOK_AT_CLOCK_S
                watch.look()
            hangs = now - ingest.moved_s > HANGS_S[INGEST]
            if notifier.watchdog_s and now >= next_sign and not hangs:
                next_sign = now + notifier.watchdog_s
                notifier.alive(subscription.trouble or ingest.store_trouble or "Stores readings.")
        notifier.stopping()
        with contextlib.suppress(StoreUnavailable):
            share.note_ended()
        log.info("worker ends number=%d messages=%d", number, ingest.messages)


def new_ingest(
    settings: Settings,
    contract: Contract,
    writer: Writer,
    clock: SteadyClock,
    subscription: Subscription,
    share: Share,
) -> Ingest:
    """An ingest of readings alone, with its share of the stream."""
    return Ingest(
        subscription,
        contract,
        writer,
        refused_max=settings.keep.refused_max,
        clock=clock,
        newcomers=shared_newcomers(settings, writer),
        number=share.number,
        share=share,
    )


def shared_newcomers(settings: Settings, writer: Writer) -> Newcomers:
    """The new places and sensors, judged also by other ingests if several share the stream."""
    return Newcomers(
        writer,
        [place.id for place in settings.places],
        places_a_day=settings.sensor.new_places_a_day,
        sensors_a_day=settings.sensor.new_sensors_a_day,
        shared=bool(group(settings)),
    )
