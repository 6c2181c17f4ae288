"""MQTT 3.1.1: a subscription whose messages are acknowledged only when they are stored, and a
publisher. The client library is known here alone.
"""

from __future__ import annotations

import logging
import secrets
import select
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

import paho.mqtt.client as paho

from monitor.core.backoff import Backoff
from monitor.core.clock import now_ms
from monitor.core.errors import BrokerUnavailable

log = logging.getLogger(__name__)

KEEPALIVE_S = 30
"""Time after which a silent connection is checked. [s]"""
RETRY_FIRST_S, RETRY_MAX_S = 1.0, 30.0
"""First and longest wait before another try to connect, doubled from try to try; each wait is drawn
between once and twice that, so that clients do not all come back at once. [s]"""

BURST_MS = 60_000
"""Most that arrival times may run ahead of the clock in a burst on one topic; further behind, the
clock has been set back. [ms]"""
TOPICS_REMEMBERED, TOPIC_REMEMBERED = 20_000, 300
"""Number of topics whose last arrival is remembered, and how much of each. [characters]"""
WAITING_MAX = 20_000
"""Messages held in memory while the store cannot take them."""
TURNS = 16
"""Number of clients that share a stream without giving two messages of a topic one arrival time."""


@dataclass(frozen=True)
class Address:
    """A broker and how to sign in."""

    host: str
    port: int
    user: str = ""
    password: str = field(default="", repr=False)
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    def at(self, url: str, cert_file: Path | None, key_file: Path | None) -> Address:
        """The same sign-in at `mqtt://host:port` or `mqtts://host:port`, with a client certificate
        if given; ports 1883 and 8883 if not said."""
        parts = urlsplit(url)
        tls = parts.scheme == "mqtts"
        return replace(
            self,
            host=parts.hostname or "",
            port=parts.port or (8883 if tls else 1883),
            tls=tls,
            cert_file=cert_file,
            key_file=key_file,
        )

    def __str__(self) -> str:
        return f"mqtt{'s' if self.tls else ''}://{self.host}:{self.port}"


class Arrival(NamedTuple):
    """A message as it arrived. `connection` counts connections: an acknowledgement is only of use
    on the one the message came by. `repeat` says that the broker sent it before. Of two messages
    on one topic the later has the later `received_ms`, even within one millisecond."""

    connection: int
    packet_id: int
    qos: int
    topic: str
    payload: bytes
    retained: bool
    repeat: bool
    received_ms: int


class Subscription:
    """A persistent session on some topic filters, QoS 1, acknowledged by hand.

    Whoever calls `take` drives it: the connection, its checks and its renewal happen inside, in
    the caller's thread, so that reading, storing and acknowledging never wait for one another's
    turn. While nobody takes, messages wait in the broker. What is never acknowledged comes again,
    over any restart of ours.

    Parameters
    ----------
    address : Address
    filters : iterable of str
    client_id : str
        Fixed, since the broker keeps the session under it.
    lasting : bool
        False for a session that the broker forgets when the connection ends.
    ended : iterable of str
        Filters that the session had before and is to have no more.
    turn : int, optional
        Number of this client among those that share its stream: arrival times are rounded up to
        milliseconds of its own, by at most `TURNS`.
    """

    def __init__(
        self,
        address: Address,
        filters: Iterable[str],
        client_id: str,
        *,
        lasting: bool = True,
        ended: Iterable[str] = (),
        turn: int | None = None,
    ) -> None:
        self.address, self.filters, self._ended = address, tuple(filters), tuple(ended)
        self._turn = turn
        self._log_level = logging.INFO if lasting else logging.DEBUG
        self.trouble = "not connected yet"
        """Reason why there is no connection; empty while there is one."""
        self._rejected = False
        self._connection = 0
        self._arrived: list[Arrival] = []
        self._last_arrival: dict[str, int] = {}
        self._backoff, self._next_try = Backoff(RETRY_FIRST_S, RETRY_MAX_S, spread=1), 0.0
        self._client = _client(address, client_id, clean_session=not lasting, manual_ack=True)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self._client.on_subscribe = self._on_subscribe
        self._client.on_unsubscribe = self._on_unsubscribe
        self._client.connect_async(address.host, address.port, keepalive=KEEPALIVE_S)

    @property
    def connected(self) -> bool:
        return not self.trouble

    def take(self, at_most: int, wait_s: float) -> list[Arrival]:
        """The messages that have arrived, in order: up to `at_most`, or none after `wait_s`. [s]"""
        client, arrived = self._client, self._arrived
        if self._ready(0.0 if arrived else wait_s):
            while len(arrived) < at_most:
                before = len(arrived)
                if client.loop_read() != paho.MQTT_ERR_SUCCESS or len(arrived) == before:
                    break
        self._arrived = []
        return arrived

    def rest(self, wait_s: float, *, connects: bool = True) -> None:
        """Keep the connection alive, and make it if there is none and it `connects`. What arrives
        meanwhile waits for the next `take`, up to `WAITING_MAX` messages; then the connection may go,
        and the rest waits in the broker. [s]"""
        if not connects and self._client.socket() is None:
            time.sleep(wait_s)
        elif len(self._arrived) >= WAITING_MAX:
            self._client.loop_misc()
            time.sleep(min(wait_s, 1.0))
        elif self._ready(wait_s):
            self._client.loop_read()

    def acknowledge(self, arrivals: Iterable[Arrival]) -> None:
        """Tell the broker that these are safe. Those of an older connection come again anyway."""
        connection, ack = self._connection, self._client.ack
        for arrival in arrivals:
            if arrival.qos and arrival.connection == connection:
                ack(arrival.packet_id, arrival.qos)

    def ask_again(self) -> None:
        """Connect anew: what is not acknowledged comes again, as repeats."""
        self._arrived = [arrival for arrival in self._arrived if not arrival.qos]
        self._next_try = 0.0
        self._connect(0.0)

    def hurry(self) -> None:
        """Try to connect at once, since the broker is known to be up; from any thread."""
        self._next_try = 0.0

    def send(self, topic: str, payload: bytes) -> None:
        """Send a message, QoS 1, without waiting for its acknowledgement."""
        self._client.publish(topic, payload, qos=1)

    def close(self) -> None:
        """Leave the broker for good; a lasting session stays."""
        client = self._client
        client.disconnect()
        # The client closes its sockets once nobody holds it: it must not hold us, nor we it.
        client.on_connect = client.on_disconnect = client.on_message = client.on_subscribe = None
        client.on_unsubscribe = None

    def _ready(self, wait_s: float) -> bool:
        """Return whether data can be read within `wait_s`, after connecting if necessary. [s]"""
        client = self._client
        if client.socket() is None:
            wait_s = self._connect(wait_s)
        if (connection := client.socket()) is None:
            time.sleep(wait_s)
            return False
        writing = [connection] if client.want_write() else []
        pending = getattr(connection, "pending", int)()  # bytes that TLS has taken in already
        try:
            readable, writable, _ = select.select(
                [connection], writing, [], 0 if pending else wait_s
            )
        except (OSError, ValueError):  # closed under us; the next call sees it gone
            return False
        if writable:
            client.loop_write()
        client.loop_misc()
        return bool(readable or pending)

    def _connect(self, wait_s: float) -> float:
        """Try to connect if it is time to. Returns the time to wait for the result. [s]"""
        left_s = self._next_try - time.monotonic()
        if left_s > 0:
            return min(left_s, wait_s)
        self._next_try = time.monotonic() + self._backoff.wait_s()
        self._rejected = False
        try:
            self._client.reconnect()
        except OSError as exc:
            self._troubled(why_no_connection(exc))
            return 0.0
        return wait_s

    def _on_connect(self, client: paho.Client, _: Any, __: Any, code: Any, ___: Any) -> None:
        if code.is_failure:
            self._rejected = True
            self._troubled(f"rejected: {code}")
            return
        self._connection += 1
        if self.filters:
            client.subscribe([(topic_filter, 1) for topic_filter in self.filters])
        if self._ended:  # afterwards: no message may fall between
            client.unsubscribe(list(self._ended))
        log.log(
            self._log_level,
            "broker connected address=%s connection=%d",
            self.address,
            self._connection,
        )

    def _on_subscribe(self, _: Any, __: Any, ___: Any, codes: list[Any], ____: Any) -> None:
        refused = [f for f, code in zip(self.filters, codes, strict=False) if code.is_failure]
        self.trouble = f"may not read {', '.join(refused)}" if refused else ""
        self._backoff.reset()

    def _on_unsubscribe(self, *_: Any) -> None:
        if not self.filters:
            self.trouble = ""
            self._backoff.reset()

    def _on_disconnect(self, _: Any, __: Any, ___: Any, code: Any, ____: Any) -> None:
        if code.is_failure and not self._rejected:
            self._troubled(f"connection lost: {code}")

    def _troubled(self, text: str) -> None:
        if text != self.trouble:
            level = logging.WARNING if self._log_level == logging.INFO else logging.DEBUG
            log.log(level, "broker away address=%s reason=%s", self.address, text)
        self.trouble = text

    def _on_message(self, _: Any, __: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = message._topic.decode("utf-8", "backslashreplace")
        self._arrived.append(
            Arrival(
                self._connection,
                message.mid,
                message.qos,
                topic,
                bytes(message.payload),
                message.retain,
                message.dup,
                self._moment(topic),
            )
        )

    def _moment(self, topic: str) -> int:
        """Now, but later than the topic's last message, so that values without a time stay distinct."""
        now, topic = now_ms(), topic[:TOPIC_REMEMBERED]
        last = self._last_arrival.get(topic, 0)
        if 0 <= last - now < BURST_MS:
            now = last + 1
        if self._turn is not None:
            now += (self._turn - now) % TURNS
        if len(self._last_arrival) > TOPICS_REMEMBERED:
            self._last_arrival.clear()
        self._last_arrival[topic] = now
        return now


def shared(group: str, filters: Iterable[str]) -> tuple[str, ...]:
    """Filters of which each message goes to one session of a group (MQTT 5, section 4.8.2), or the
    filters themselves without a group."""
    return tuple(f"$share/{group}/{one}" if group else one for one in filters)


class Publisher:
    """Sends messages with QoS 1, and sends again after a lost connection, within one run.

    Raises
    ------
    BrokerUnavailable
        By `connect`, if no broker answers in time, or as soon as one rejects us.
    """

    def __init__(self, address: Address, client_id: str = "") -> None:
        self.address = address
        self._client = _client(address, client_id, clean_session=True, manual_ack=False)
        self._up, self._answered = threading.Event(), threading.Event()
        self._refused = ""
        self.connections = 0
        """Number of successful connections so far."""
        self._client.reconnect_delay_set(int(RETRY_FIRST_S), int(RETRY_MAX_S))
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = lambda *_: self._up.clear()

    @property
    def connected(self) -> bool:
        return self._up.is_set()

    def start(self) -> None:
        """Begin to connect, and keep trying, without waiting."""
        self._client.connect_async(self.address.host, self.address.port, keepalive=KEEPALIVE_S)
        self._client.loop_start()

    def connect(self, wait_s: float = 10.0) -> None:
        self._answered.clear()
        self.start()
        if not self._up.is_set() and (not self._answered.wait(wait_s) or not self._up.is_set()):
            raise BrokerUnavailable(f"{self.address}: {self._refused or 'no answer'}")

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False
    ) -> Callable[[float], None]:
        """Send one message. The function returned waits until the broker has it, up to some
        seconds, and raises `BrokerUnavailable` if it does not."""
        info = self._client.publish(topic, payload, qos=1, retain=retain)

        def wait(wait_s: float) -> None:
            try:
                info.wait_for_publish(wait_s)
            except (RuntimeError, ValueError) as exc:
                raise BrokerUnavailable(f"{self.address}: {exc}") from exc
            if not info.is_published():
                raise BrokerUnavailable(f"{self.address}: no acknowledgement in {wait_s:g} s")

        return wait

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, _: Any, __: Any, ___: Any, code: Any, ____: Any) -> None:
        if code.is_failure:
            self._refused = f"rejected: {code}"
        else:
            self.connections += 1
            self._up.set()
        self._answered.set()


def client_id_fault(client_id: str) -> str | None:
    """Reason why the embedded broker would refuse a client id, or None."""
    if any(c in ".*>" or c.isspace() or not c.isprintable() for c in client_id):
        return "must not have '.', '*', '>', a space or a control character"
    return None


def round_trip(
    address: Address,
    topic: str,
    client_id: str,
    wait_s: float,
    stopped: Callable[[], bool] = lambda: False,
) -> bool:
    """Send a message through a broker, QoS 1, by a new connection, and wait until it is back. [s]

    Returns False if `stopped` says so first.

    Raises
    ------
    BrokerUnavailable
        If it is not back in time; with the reason.
    """
    payload, sent, deadline = secrets.token_bytes(8), False, time.monotonic() + wait_s
    subscription = Subscription(address, [topic], client_id, lasting=False)
    try:
        while time.monotonic() < deadline:
            if stopped():
                return False
            arrived = subscription.take(10, 0.1)
            subscription.acknowledge(arrived)
            if any(one.payload == payload for one in arrived):
                return True
            if subscription.connected and not sent:
                subscription.send(topic, payload)
                sent = True
    finally:
        subscription.close()
    reason = subscription.trouble
    if sent:
        reason = "a test message did not come back" + (f" ({reason})" if reason else "")
    raise BrokerUnavailable(reason)


def why_no_connection(exc: OSError) -> str:
    """Reason why a broker could not be reached, in words with what to check."""
    match exc:
        case ssl.SSLCertVerificationError():
            return (
                f"its certificate is not accepted, {exc.verify_message}: see broker.ca_file, the "
                "host in broker.url and this machine's clock"
            )
        case ssl.SSLError():
            return f"no TLS at that port ({exc.reason})"
        case socket.gaierror():
            return f"no such host, {exc.strerror}"
        case TimeoutError():
            return "no answer in time"
        case _:
            return f"no answer, {exc.strerror or exc}"


def tls_context(address: Address) -> ssl.SSLContext:
    """The TLS context of a connection to a broker.

    Raises
    ------
    BrokerUnavailable
        If a certificate file cannot be read, or is none.
    """
    try:
        context = ssl.create_default_context(cafile=address.ca_file)
        if address.cert_file:
            context.load_cert_chain(address.cert_file, address.key_file)
    except OSError as exc:  # also what the library cannot read as a certificate
        files = [str(f) for f in (address.ca_file, address.cert_file, address.key_file) if f]
        reason = exc.strerror if not isinstance(exc, ssl.SSLError) else exc.reason
        raise BrokerUnavailable(
            f"{address}: certificate files {', '.join(files)}: {reason}"
        ) from exc
    return context


def _client(
    address: Address, client_id: str, *, clean_session: bool, manual_ack: bool
) -> paho.Client:
    client = paho.Client(
        paho.CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=paho.MQTTv311,
        clean_session=clean_session,
        manual_ack=manual_ack,
    )
    if address.user:
        client.username_pw_set(address.user, address.password)
    if address.tls:
        client.tls_set_context(tls_context(address))
    return client
