"""Listening to every message for a while, in the running service, for rules that would read them.

Our own broker is opened to every topic of readings meanwhile, but not to commands and forecasts.
Nothing that is heard here is stored.
"""

from __future__ import annotations

import logging
import threading
import time

from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError
from monitor.domain.listening import LISTEN_S
from monitor.mqtt.client import Address, Subscription
from monitor.mqtt.embedded_broker import EmbeddedBroker
from monitor.readings import heard_topics
from monitor.readings.topic_discovery import BATCH_MAX, TopicListener
from monitor.settings import Settings
from monitor.store.documents import documents_of

log = logging.getLogger(__name__)

WRITE_S = 0.3
"""Period of writing what was heard. [s]"""
STOP_WAIT_S = 5.0
CLOSE_AGAIN_S = 5.0
"""Period of trying to close the broker. [s]"""
NOT_YET = "may not read"
"""Trouble of a subscription that the broker does not allow."""


class LiveDiscovery:
    """Listens in a thread of its own, from `start` on for `LISTEN_S`."""

    def __init__(
        self, settings: Settings, address: Address, broker: EmbeddedBroker | None
    ) -> None:
        self._settings, self._address, self._broker = settings, address, broker
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._until = 0.0
        self._ended = threading.Event()

    def can_listen(self) -> bool:
        """True at an outside broker, and at one of ours that can be opened while it runs."""
        return self._broker is None or self._broker.opens_while_running

    def start(self) -> None:
        """Begin, or go on for longer."""
        with self._lock:
            self._until = time.monotonic() + LISTEN_S
            if not self.listening():
                self._thread = threading.Thread(target=self._run, name="discovery", daemon=True)
                self._thread.start()

    def listening(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def stop(self) -> None:
        self._ended.set()
        if self._thread is not None:
            self._thread.join(STOP_WAIT_S)

    def _run(self) -> None:
        try:
            if self._broker is not None:
                self._broker.open_topics(True)
            self._listen()
        except (MonitorError, OSError) as exc:
            log.error("listening failed reason=%s", exc)
        except Exception:
            # The outermost loop of this thread: the service goes on without it.
            log.exception("listening stopped")
        finally:
            if self._broker is not None:
                self._close(self._broker)

    def _close(self, broker: EmbeddedBroker) -> None:
        """Close our broker again; where a file cannot be used, try until it can."""
        while not self._ended.is_set():
            try:
                broker.open_topics(False)
                break
            except (MonitorError, OSError) as exc:
                log.error("the broker still takes any topic reason=%s", exc)
                self._ended.wait(CLOSE_AGAIN_S)

    def _listen(self) -> None:
        ear = TopicListener(self._settings.topics)
        subscription = self._subscription()
        log.info("listening to every topic for_s=%d", LISTEN_S)
        next_write = 0.0
        try:
            while (left_s := self._until - time.monotonic()) > 0 and not self._ended.is_set():
                arrivals = subscription.take(BATCH_MAX, min(left_s, WRITE_S))
                if subscription.trouble.startswith(NOT_YET):  # the broker reads its rules just now
                    subscription.close()
                    subscription = self._subscription()
                    self._ended.wait(WRITE_S)
                for arrival in arrivals:
                    ear.hear(arrival)
                subscription.acknowledge(arrivals)
                if time.monotonic() >= next_write:
                    next_write = time.monotonic() + WRITE_S
                    until_ms = now_ms() + round(1000 * left_s)
                    self._write(ear, until_ms, subscription.trouble)
        finally:
            subscription.close()
        self._write(ear, now_ms(), "")

    def _subscription(self) -> Subscription:
        return Subscription(self._address, ("#",), "", lasting=False)

    def _write(self, ear: TopicListener, until_ms: int, trouble: str) -> None:
        heard = heard_topics.heard_topics(ear, until_ms // 1000 * 1000, trouble)
        heard_topics.write(documents_of(self._settings), heard)
