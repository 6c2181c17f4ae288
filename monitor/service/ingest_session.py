"""The ingest's session at the broker: made before any sensor can publish, and moved to another client id
with all that waits in it.

A session whose client id has changed would collect messages for ever, and what waited in it would
never be stored.
"""

from __future__ import annotations

import contextlib
import json
import logging
import time
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.core.errors import BrokerFault, BrokerUnavailable, MonitorError
from monitor.core.ports import spare_port
from monitor.mqtt.accounts import write_private
from monitor.mqtt.client import Address, Publisher, Subscription
from monitor.mqtt.embedded_broker import EmbeddedBroker
from monitor.readings.ingest import Ingest
from monitor.settings.shop_broker import reachable

log = logging.getLogger(__name__)

FORMER_ID = "benchweather-ingest"
"""Client id of every shop before each had one of its own."""
ADMIT_WAIT_S = 30.0
"""Longest time for the ingest to subscribe for the first time. [s]"""
TAKE_OVER_WAIT_S = 10.0
"""Longest time for a connection to a former session. [s]"""
STARTS = 3
"""Most spare ports that are tried. [-]"""
LOOK_S = 0.25
"""Interval between looks at a connection. [s]"""


class SessionFault(MonitorError):
    """The ingest cannot subscribe."""


@dataclass(frozen=True)
class IngestSession:
    """Session of the ingest at a broker, and the file that keeps its last state.

    Attributes
    ----------
    mark : Path
        The file.
    broker : str
        The broker: an address, or empty for our own.
    client_id : str
    filters : tuple of str
    """

    mark: Path
    broker: str
    client_id: str
    filters: tuple[str, ...]

    def former_id(self, *, used_before: bool, configured_id: str) -> str:
        """Client id of a session at this broker that may still hold messages; empty if there is
        none, or if it is the same.

        Parameters
        ----------
        used_before : bool
            True if this shop has stored readings before.
        configured_id : str
            The owner's own client id, in the settings.
        """
        before = self._before()
        if before is not None:
            same = before.get("broker") == self.broker
            former = str(before.get("client_id", "")) if same else ""
        else:
            former = (configured_id or FORMER_ID) if used_before else ""
        return former if former != self.client_id else ""

    def ended(self) -> tuple[str, ...]:
        """Filters that this session had in its last state and is to have no more."""
        before = self._before() or {}
        if (before.get("broker"), before.get("client_id")) != (self.broker, self.client_id):
            return ()
        had = before.get("filters")
        return tuple(
            one
            for one in (had if isinstance(had, list) else ())
            if isinstance(one, str) and one and one not in self.filters
        )

    def is_known(self) -> bool:
        """True if its last state is the same."""
        return self._before() == self._now()

    def note(self) -> None:
        """Note this state in the file."""
        write_private(self.mark, json.dumps(self._now()))

    def _now(self) -> dict[str, object]:
        return {
            "broker": self.broker,
            "client_id": self.client_id,
            "filters": sorted(self.filters),
        }

    def _before(self) -> dict[str, object] | None:
        """Last state in the file; None if it is not known."""
        with contextlib.suppress(OSError, ValueError, RecursionError):
            found = json.loads(self.mark.read_text(encoding="utf-8"))
            return found if isinstance(found, dict) else None
        return None


def admit_first(broker: EmbeddedBroker, address: Address, session: IngestSession) -> None:
    """Let the ingest subscribe before any sensor can reach the broker. A broker acknowledges and
    drops messages while nobody has subscribed.

    Raises
    ------
    SessionFault, BrokerFault
        If that cannot be done.
    """
    port = _start_apart(broker)
    subscription = Subscription(replace(address, port=port), session.filters, session.client_id)
    give_up = time.monotonic() + ADMIT_WAIT_S
    while not subscription.connected:
        if time.monotonic() > give_up:
            raise SessionFault(f"the ingest cannot subscribe: {subscription.trouble}")
        subscription.rest(LOOK_S)
    subscription.close()
    broker.stop()
    session.note()


def _start_apart(broker: EmbeddedBroker) -> int:
    """Start the broker on a port that no sensor knows, and return it. Another program may be faster
    to take a spare one."""
    tries = STARTS
    while True:
        port = spare_port(reachable(broker.host))
        try:
            broker.start(port)
        except BrokerFault:
            tries -= 1
            if not tries:
                raise
        else:
            return port


def take_over(ingest: Ingest, address: Address, session: IngestSession, former_id: str) -> None:
    """Store what waits in a former session, subscribe under the new client id, and remove it.

    The new session begins before the former one ends, so that no message falls between them. One of
    those few moments can come by both; it counts once if it has a time of its own.
    """
    former = Subscription(address, session.filters, former_id)
    give_up = time.monotonic() + TAKE_OVER_WAIT_S
    if not _connected(former, give_up):
        log.error("former session cannot be read reason=%s", former.trouble)
        former.close()
        return
    stored = ingest.drain(former)
    new = Subscription(address, session.filters, session.client_id, ended=session.ended())
    subscribed = _connected(new, give_up + TAKE_OVER_WAIT_S)
    new.close()
    former.close()
    if subscribed:
        former = Subscription(address, (), former_id, ended=session.filters)
        if _connected(former, give_up + 2 * TAKE_OVER_WAIT_S):
            stored += ingest.drain(former, LOOK_S)
        former.close()
        remove(address, former_id)
        session.note()
        log.warning("session moved to another client id messages=%d", stored)


def _connected(subscription: Subscription, give_up_s: float) -> bool:
    """Return whether a subscription connects before a time of the steady clock. [s]"""
    while not subscription.connected and time.monotonic() < give_up_s:
        subscription.rest(LOOK_S)
    return subscription.connected


def remove(address: Address, client_id: str) -> None:
    """Remove a session and what waits in it, by a connection that wants none."""
    publisher = Publisher(address, client_id)
    try:
        publisher.connect(TAKE_OVER_WAIT_S)
    except BrokerUnavailable as exc:
        log.error("former session cannot be removed reason=%s", exc)
    finally:
        publisher.close()
