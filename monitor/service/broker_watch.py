"""Watch over our own broker by what it does: a message through it and back, not its process.

A broker that runs but passes nothing on, as after a full disk, is started again. What happened is
reported until a reading has come in again.
"""

from __future__ import annotations

import logging
import threading
import time
from dataclasses import replace

from monitor.core.backoff import Backoff
from monitor.core.clock import now_ms
from monitor.core.errors import BrokerFault, BrokerUnavailable
from monitor.mqtt import embedded_broker
from monitor.mqtt.client import Address, round_trip
from monitor.mqtt.embedded_broker import HEADROOM_MB, PROBE_TOPIC, EmbeddedBroker
from monitor.readings.ingest import Ingest
from monitor.runtime.child_process import RESTART_FIRST_S, RESTART_MAX_S
from monitor.runtime.disk_space import DiskSpace
from monitor.runtime.heartbeat import BrokerOutage

log = logging.getLogger(__name__)

LOOK_S = 0.25
"""Interval between looks at the process. [s]"""
PROBE_S, DOUBTED_PROBE_S = 30.0, 5.0
"""Period of the test message, and of asking the broker how it is; of both while something is wrong.
[s]  A test makes the broker write about 30 kB."""
PROBE_WAIT_S, SICK_PROBE_WAIT_S = 10.0, 3.0
"""Longest time for it to come back, and from a broker that reports a fault of itself. [s]  Ours; ten
is twice the broker's own limit for its disk."""
PROBES_LOST = 2
"""Number of lost test messages in a row after which the broker is started again."""


class BrokerWatch:
    """Starts a broker again when it has ended or passes no message on, in a thread of its own.

    Parameters
    ----------
    broker : EmbeddedBroker
        Started already.
    address : Address
        Where it is reached.
    ingest : Ingest
        The reader of its messages.
    disk : DiskSpace
        While it cannot be written, another start is of no use.
    """

    def __init__(
        self, broker: EmbeddedBroker, address: Address, ingest: Ingest, disk: DiskSpace
    ) -> None:
        self._broker, self._ingest, self._disk = broker, ingest, disk
        probe = broker.probe
        self._address = replace(address, user=probe.user, password=probe.password)
        self.outage: BrokerOutage | None = None
        """What went wrong; None from the first reading after it."""
        self._lost, self._stored_then, self._drop = 0, 0, False
        self._backoff = Backoff(RESTART_FIRST_S, RESTART_MAX_S)
        self._next_look = self._next_probe = self._next_start = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="broker watch", daemon=True)

    @property
    def failing(self) -> bool:
        """True while the broker is known to pass nothing on."""
        return self._lost > 0 or (self.outage is not None and not self.outage.answers)

    def start(self) -> None:
        self._thread.start()

    def stop(self, wait_s: float) -> None:
        """End the watch; the broker is left as it is. [s]"""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(wait_s)

    def _run(self) -> None:
        while not self._stop.wait(LOOK_S):
            try:
                self._look()
            except Exception:
                # The outermost loop of this thread: a fault of ours must not end the watch.
                log.exception("broker watch failed")

    def _look(self) -> None:
        now = time.monotonic()
        outage = self.outage
        if outage and outage.answers and self._ingest.stored > self._stored_then:
            log.warning("readings come in again restarts=%d", outage.restarts)
            self.outage = None
        self._follow_accounts()
        if not self._broker.running():
            self._fail("it ended")
        elif now >= self._next_look:
            self._next_look = now + DOUBTED_PROBE_S
            fault = self._broker.fault()
            if fault or self._lost or self._doubted() or now >= self._next_probe:
                self._probe(fault)
            self._count_retained()
        if self._lost >= PROBES_LOST and now >= self._next_start and self._may_start():
            self._start_again()

    def _count_retained(self) -> None:
        """Let a broker whose memory fills with retained messages start again without them.

        Our own states are published again at the next connection.
        """
        count = self._broker.retained()
        if count > embedded_broker.RETAINED_MAX:
            self._drop = True
            self._fail(f"a client left {count} retained messages, which fill its memory")

    def _probe(self, fault: str) -> None:
        """Send the test message, and note whether it came back. `fault` is the broker's own report."""
        wait_s = SICK_PROBE_WAIT_S if fault else PROBE_WAIT_S
        try:
            back = round_trip(
                self._address, PROBE_TOPIC, self._broker.probe.user, wait_s, self._stop.is_set
            )
        except BrokerUnavailable as exc:
            self._next_look = 0.0
            self._lost = PROBES_LOST if fault else self._lost + 1
            if self._lost >= PROBES_LOST:
                self._next_look = time.monotonic() + DOUBTED_PROBE_S
                self._fail(fault or str(exc))
            return
        if not back:
            return
        self._lost = 0
        self._next_probe = time.monotonic() + PROBE_S
        self._backoff.reset()
        if self.outage and not self.outage.answers:
            if not self.outage.restarts:
                self._stored_then = self._ingest.stored
            self.outage = self.outage._replace(answers=True)
            log.warning("broker answers again restarts=%d", self.outage.restarts)

    def _fail(self, reason: str) -> None:
        self._lost = PROBES_LOST
        if self.outage is None or self.outage.answers:
            log.error("broker passes nothing on reason=%s", reason)
            self.outage = BrokerOutage(now_ms(), reason)
        elif self.outage.reason != reason:
            self.outage = self.outage._replace(reason=reason)

    def _follow_accounts(self) -> None:
        try:
            self._broker.follow_accounts()
        except BrokerFault as exc:
            log.error("broker accounts cannot be renewed reason=%s", exc)

    def _doubted(self) -> bool:
        """True while the ingest is not connected or cannot store."""
        return bool(self._ingest.subscription.trouble or self._ingest.store_trouble)

    def _may_start(self) -> bool:
        """Return whether another start can help: the disk can be written, and a broker that is full
        can be emptied. Such a broker is given more room: it lets nobody in, also not the ingest."""
        if self._disk.fault:
            return False
        if self._broker.running() and self._broker.is_full():
            if self._ingest.store_trouble:
                self._next_start = time.monotonic() + DOUBTED_PROBE_S
                return False
            self._broker.store_mb += HEADROOM_MB
            log.error("broker was full and is given more room store_mb=%d", self._broker.store_mb)
        return True

    def _start_again(self) -> None:
        outage = self.outage
        log.error("broker ended or passes nothing on, starting it again")
        self._broker.stop()
        try:
            if self._drop:
                self._broker.drop_retained()
                self._drop = False
            self._broker.start()
        except (BrokerFault, OSError) as exc:
            log.error("broker cannot start reason=%s", exc)
            if outage:
                self.outage = outage._replace(reason=str(exc))
        else:
            self._lost, self._stored_then = 0, self._ingest.stored
            self._ingest.subscription.hurry()
            if outage:
                self.outage = outage._replace(restarts=outage.restarts + 1)
        self._next_look = self._next_probe = time.monotonic()
        self._next_start = self._next_look + self._backoff.wait_s()
