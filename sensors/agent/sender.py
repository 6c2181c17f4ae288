"""Carries the backlog to the broker, in a thread of its own, over one connection after another."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Any

from monitor.core.backoff import Backoff
from monitor.core.errors import BrokerUnavailable
from monitor.mqtt.client import RETRY_FIRST_S, RETRY_MAX_S, Address
from sensors.agent import senml
from sensors.agent.backlog import Backlog
from sensors.agent.connection import WINDOW, Link, safe_client_id

log = logging.getLogger(__name__)

LOOK_S = 0.5
"""How soon a new pack is noticed. [s]"""
ACKNOWLEDGED_WITHIN_S = 60.0
"""A broker that takes messages for so long and acknowledges none is left and tried anew. [s]"""
STATE_S = 600.0
"""How often the state is told, if nothing in it asks for more. [s]"""
FAREWELL_S = 1.0
"""How long the last word may take. [s]"""


class BacklogSender(threading.Thread):
    """Thread that carries the backlog to the broker.

    Parameters
    ----------
    address : Address
    name : str
        Of the agent.
    backlog : Backlog
    report : callable
        The state to tell; its `trouble` and `packs_given_up` are told as soon as they change.
    """

    def __init__(
        self, address: Address, name: str, backlog: Backlog, report: Callable[[], dict[str, Any]]
    ) -> None:
        super().__init__(name="sender", daemon=True)
        self.trouble = "not connected yet"
        """Why there is no connection; empty while there is one."""
        self.beat = time.monotonic()
        """When it last showed a sign of life. [s]"""
        self._address, self._agent, self._backlog, self._report = address, name, backlog, report
        self._topic = senml.STATE_TOPIC.format(name)
        self._asked_to_stop = threading.Event()

    def stop(self, wait_s: float) -> None:
        """Say goodbye and end. [s]"""
        self._asked_to_stop.set()
        self.join(wait_s)

    def run(self) -> None:
        backoff = Backoff(RETRY_FIRST_S, RETRY_MAX_S, spread=1)
        while not self._asked_to_stop.is_set():
            self.beat = time.monotonic()
            began = self.beat
            try:
                link = Link(
                    self._address,
                    safe_client_id(f"benchweather-agent-{self._agent}"),
                    (self._topic, senml.state("gone", agent=self._agent)),
                )
                self._carry(link)
            except BrokerUnavailable as exc:
                self._tell(str(exc))
                if time.monotonic() - began > RETRY_MAX_S:  # it was good for a while
                    backoff.reset()
                self._asked_to_stop.wait(backoff.wait_s())

    def _carry(self, link: Link) -> None:
        """Send what waits, from the oldest on, until asked to stop or the connection fails."""
        self._tell("")
        on_the_way: dict[int, int] = {}
        last_sent = -1
        published, published_at, looked_at, moved_at = None, 0.0, 0.0, time.monotonic()
        while not self._asked_to_stop.is_set():
            now = self.beat = time.monotonic()
            if now - looked_at >= LOOK_S:
                state, looked_at = self._report(), now
                urgent = (state["trouble"], state["packs_given_up"])
                if urgent != published or now - published_at > STATE_S:
                    link.send(self._topic, senml.state("here", **state), retain=True)
                    published, published_at = urgent, now
            for number, pack in self._backlog.after(last_sent, WINDOW - len(on_the_way)):
                name = pack.topic.rpartition("/")[2]
                payload = senml.dated(name, pack.measured_ms or 0, pack.records)
                if not on_the_way:
                    moved_at = now
                on_the_way[link.send(pack.topic, payload)] = number
                last_sent = number
            if done := self._acknowledged(link, on_the_way):
                self._backlog.done(done)
                moved_at = now
            elif on_the_way and now - moved_at > ACKNOWLEDGED_WITHIN_S:
                link.abandon()
                raise BrokerUnavailable(
                    f"{self._address}: it acknowledged nothing for {ACKNOWLEDGED_WITHIN_S:g} s"
                )
        last = link.send(self._topic, senml.state("stopped", **self._report()), retain=True)
        end, came = time.monotonic() + FAREWELL_S, set[int]()
        while time.monotonic() < end and last not in came:
            came |= set(link.wait(0.1))
        self._backlog.done(on_the_way[n] for n in came & on_the_way.keys())
        link.close()

    def _acknowledged(self, link: Link, on_the_way: dict[int, int]) -> list[int]:
        """Wait for acknowledgements, but not until the broker has nothing more to do."""
        done: list[int] = []
        end = time.monotonic() + LOOK_S
        while True:
            came = link.wait(end - time.monotonic())
            done += [on_the_way.pop(n) for n in came if n in on_the_way]
            if time.monotonic() >= end or (done and len(on_the_way) <= WINDOW // 2):
                return done

    def _tell(self, trouble: str) -> None:
        if trouble and trouble != self.trouble:
            log.warning("broker away reason=%s waiting=%d", trouble, self._backlog.waiting)
        elif self.trouble and not trouble:
            log.info(
                "broker connected address=%s waiting=%d", self._address, self._backlog.waiting
            )
        self.trouble = trouble
