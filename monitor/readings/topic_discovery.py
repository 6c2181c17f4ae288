"""Listens to the broker and reports each topic: what arrives, and whether the shop reads it.

At an outside broker it is one more subscriber. Our own lets in only what a rule takes and lets
nobody listen but the service; so it is opened while the service is stopped, on its own folder,
where the ingest's session lies and what the service would take waits for it.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

from monitor.core.errors import BadPayload, BrokerFault, BrokerUnavailable
from monitor.core.ports import becomes_free
from monitor.domain.topic_rules import (
    AGENT_FILTER,
    TopicRule,
    command_about,
    forecast_source,
    matches,
)
from monitor.mqtt.accounts import AccessRules
from monitor.mqtt.client import Address, Arrival, Subscription
from monitor.mqtt.embedded_broker import PROBE_TOPIC, ingest_account
from monitor.readings.payload import PAYLOAD_MAX, Contract, reason_of
from monitor.readings.payload.detect import PayloadFormat, kind_of
from monitor.readings.payload.rule_suggestions import Proposal, proposal
from monitor.settings import Settings
from monitor.settings.shop_broker import embedded_broker

TOPICS_MAX = 200
"""Most topics listed; messages on further ones are only counted."""
BATCH_MAX = 500
CONNECT_S = 10.0
_FINAL = ("rejected", "no answer", "may not", "its certificate", "no TLS", "no such host")
"""Troubles of a subscription that waiting does not cure."""
_BENCH_FILTER = "benchweather/bench/#"


@dataclass
class TopicReport:
    """Report on a topic: the number of messages, the newest, and how the shop reads it."""

    topic: str
    messages: int
    payload: bytes
    taken: bool
    outcome: str
    ruled: bool
    """True if a rule of the settings is for this topic; the first such rule counts."""
    first_ms: int
    received_ms: int

    @property
    def kind(self) -> PayloadFormat:
        """Format of its newest message."""
        return kind_of(self.payload)

    @property
    def every_s(self) -> float | None:
        """Mean interval between its messages; None if there was only one. [s]"""
        if self.messages < 2:
            return None
        return (self.received_ms - self.first_ms) / 1000 / (self.messages - 1)

    def proposed(self) -> Proposal:
        """A rule for it, tried on its newest message.

        Of a topic that a rule is for already there is none: the first rule counts.
        """
        if self.ruled:
            return Proposal(
                None, ("a rule for this topic exists: correct that rule, or the sender",)
            )
        found = proposal(self.topic, self.payload[:PAYLOAD_MAX], self.received_ms)
        if found.rule is None:
            return found
        try:
            Contract((found.rule,)).decode(self.topic, self.payload, self.received_ms)
        except BadPayload as exc:
            return Proposal(None, (*found.reasons, str(exc)))
        return found


class TopicListener:
    """Collects the messages of at most `TOPICS_MAX` topics."""

    def __init__(self, rules: Iterable[TopicRule]) -> None:
        self.rules = tuple(rules)
        self.contract = Contract(self.rules)
        self.heard: dict[str, TopicReport] = {}
        self.beyond = 0
        """Messages on topics beyond the first `TOPICS_MAX`."""

    def hear(self, arrival: Arrival) -> None:
        if arrival.topic == PROBE_TOPIC:  # the broker watch's own, each half minute
            return
        before = self.heard.get(arrival.topic)
        if before is None and len(self.heard) >= TOPICS_MAX:
            self.beyond += 1
            return
        taken, words = self._judged(arrival)
        ruled = any(matches(rule.filter, arrival.topic) for rule in self.rules)
        self.heard[arrival.topic] = TopicReport(
            arrival.topic,
            before.messages + 1 if before else 1,
            arrival.payload[: PAYLOAD_MAX + 1],
            taken,
            words,
            ruled,
            before.first_ms if before else arrival.received_ms,
            arrival.received_ms,
        )

    def _judged(self, arrival: Arrival) -> tuple[bool, str]:
        topic = arrival.topic
        if command_about(topic):
            return True, "a command; it is not checked here whether it can be carried out"
        if forecast_source(topic):
            return True, "a forecast; it is not checked here whether it can be used"
        if matches(AGENT_FILTER, topic) or matches(_BENCH_FILTER, topic):
            return True, "Benchweather's own"
        try:
            readings, faults, _ = self.contract.decode(topic, arrival.payload, arrival.received_ms)
        except BadPayload as exc:
            return False, str(exc)
        said = ", ".join(f"{r.series.quantity} {r.value:.4g}" for r in readings[:4])
        where = f"{readings[0].series.place}/{readings[0].series.sensor}: {said}"
        return True, f"{where}; rejected: {reason_of(faults)}" if faults else where


def listen(
    address: Address,
    topic_filter: str,
    rules: Iterable[TopicRule],
    for_s: float,
    each: Callable[[TopicListener], None] = lambda _: None,
) -> TopicListener:
    """Listen for `for_s` from when the broker lets us in [s], or until interrupted from the
    keyboard. `each` is called about twice a second.

    Raises
    ------
    BrokerUnavailable
        If no broker lets us in, or the filter may not be read.
    """
    ear = TopicListener(rules)
    subscription = Subscription(address, (topic_filter,), "", lasting=False)
    try:
        until = time.monotonic() + CONNECT_S
        while not subscription.connected:
            if time.monotonic() > until or subscription.trouble.startswith(_FINAL):
                raise BrokerUnavailable(f"{address}: {subscription.trouble}")
            subscription.rest(0.2)
        until = time.monotonic() + for_s
        while (left_s := until - time.monotonic()) > 0:
            arrivals = subscription.take(BATCH_MAX, min(left_s, 0.5))
            for arrival in arrivals:
                ear.hear(arrival)
            subscription.acknowledge(arrivals)
            each(ear)
    except KeyboardInterrupt:
        return ear
    finally:
        subscription.close()
    return ear


@contextlib.contextmanager
def opened(settings: Settings, address: Address) -> Iterator[Address]:
    """Our own broker on its port, taking any topic from whoever may send readings; yields where
    to listen at it.

    Raises
    ------
    BrokerFault
        If something is on the port, or it cannot start.
    """
    broker = settings.broker
    if not becomes_free(address.host, broker.port):
        raise BrokerFault(
            f"port {broker.port} is in use: if that is `benchweather run`, stop it first. Its "
            "broker accepts only known topics; listening opens it to all for that time"
        )
    door = ingest_account()
    rules = AccessRules(("#",), agent_states=(AGENT_FILTER,))
    own = embedded_broker(settings, door, rules)
    own.start()
    try:
        yield replace(address, user=door.user, password=door.password)
    finally:
        own.stop()
