"""Connection to the broker: MQTT 3.1.1, QoS 1, with a last will. The client library is known here
alone."""

from __future__ import annotations

import hashlib
import re
import select
import time
from typing import Any

import paho.mqtt.client as paho

from monitor.core.errors import BrokerUnavailable
from monitor.mqtt.client import (
    KEEPALIVE_S,
    Address,
    client_id_fault,
    tls_context,
    why_no_connection,
)

ANSWER_WAIT_S = 10.0
"""How long the broker may take to let us in. [s]"""
WINDOW = 100
"""Messages on their way at once."""


def safe_client_id(name: str) -> str:
    """A client id for an agent's name that every broker takes; different names have different ids."""
    if client_id_fault(name) is None:
        return name
    digest = hashlib.blake2b(name.encode(), digest_size=4).hexdigest()
    return f"{re.sub(r'[^A-Za-z0-9_-]', '-', name)}-{digest}"


class Link:
    """A connection from when it is made to when it fails; then it is of no more use.

    Whoever calls `wait` drives it.

    Parameters
    ----------
    address : Address
    client_id : str
        Fixed: a broker that still holds our last connection drops it for this one.
    will : tuple of str and bytes
        Topic and payload that the broker publishes, retained, if we go without a word.

    Raises
    ------
    BrokerUnavailable
        By every method, if there is no connection or no more, with why in plain words.
    """

    def __init__(self, address: Address, client_id: str, will: tuple[str, bytes]) -> None:
        self._address = address
        self._acknowledged: list[int] = []
        self._answer: Any = None
        self._lost: Any = None
        client = self._client = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=paho.MQTTv311,
            reconnect_on_failure=False,
        )
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.max_inflight_messages_set(WINDOW)
        client.will_set(will[0], will[1], qos=1, retain=True)
        if address.user:
            client.username_pw_set(address.user, address.password)
        if address.tls:
            client.tls_set_context(tls_context(address))
        self._connect()

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Begin to send a message; the number returned comes back from `wait`."""
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        if info.rc != paho.MQTT_ERR_SUCCESS:
            raise self._unavailable(f"connection lost: {paho.error_string(info.rc)}")
        return info.mid

    def wait(self, wait_s: float) -> list[int]:
        """Numbers of the messages acknowledged within `wait_s`, or as soon as there are any. [s]"""
        end = time.monotonic() + wait_s
        while True:
            self._drive(max(0.0, end - time.monotonic()))
            if self._lost is not None:
                raise self._unavailable(f"connection lost: {self._lost}")
            if self._acknowledged or time.monotonic() >= end:
                done, self._acknowledged = self._acknowledged, []
                return done

    def close(self) -> None:
        """Leave in good order, so that the will is not published."""
        self._client.disconnect()

    def abandon(self) -> None:
        """Drop the connection without a word."""
        if (connection := self._client.socket()) is not None:
            connection.close()

    def _connect(self) -> None:
        host, port = self._address.host, self._address.port
        try:
            self._client.connect(host, port, keepalive=int(KEEPALIVE_S))
        except OSError as exc:
            raise self._unavailable(why_no_connection(exc)) from exc
        end = time.monotonic() + ANSWER_WAIT_S
        while self._answer is None and self._lost is None and time.monotonic() < end:
            self._drive(end - time.monotonic())
        if self._answer is None:
            self.abandon()
            raise self._unavailable(
                "it closed the connection without an answer: does that port want TLS (mqtts)?"
                if self._lost is not None
                else "what answers there is not an MQTT broker"
            )
        if self._answer.is_failure:
            self.abandon()
            raise self._unavailable(
                f"it rejected the sign-in, {self._answer}: see broker.user and its password"
            )

    def _drive(self, wait_s: float) -> None:
        """Read, write and keep alive for up to `wait_s`, once. [s]"""
        client = self._client
        if (connection := client.socket()) is None:
            self._lost = self._lost or "closed"
            return
        writing = [connection] if client.want_write() else []
        pending = getattr(connection, "pending", int)()  # what TLS has taken in already
        try:
            readable, writable, _ = select.select(
                [connection], writing, [], 0 if pending else min(wait_s, 1.0)
            )
        except (OSError, ValueError):  # closed under us
            self._lost = self._lost or "closed"
            return
        if writable:
            client.loop_write()
        if readable or pending:
            client.loop_read()
        client.loop_misc()

    def _unavailable(self, why: str) -> BrokerUnavailable:
        return BrokerUnavailable(f"{self._address}: {why}")

    def _on_connect(self, _: Any, __: Any, ___: Any, code: Any, ____: Any) -> None:
        self._answer = code

    def _on_disconnect(self, _: Any, __: Any, ___: Any, code: Any, ____: Any) -> None:
        self._lost = code

    def _on_publish(self, _: Any, __: Any, number: int, ___: Any, ____: Any) -> None:
        self._acknowledged.append(number)
