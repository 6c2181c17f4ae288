"""Numbered readings published with QoS 1, and what became of those that were acknowledged."""

from __future__ import annotations

import json
import sqlite3
import threading
import time
from collections import Counter
from contextlib import closing

import paho.mqtt.client as paho
from conftest import until


def connected(port, client_id="", *, user="", password=""):
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id, protocol=paho.MQTTv311)
    client.max_inflight_messages_set(500)
    client.reconnect_delay_set(1, 1)
    if user:
        client.username_pw_set(user, password)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


class Load(threading.Thread):
    """Publishes numbered readings with QoS 1 and notes which the broker acknowledged."""

    def __init__(
        self, port: int, count: int, per_s: int, *, user: str = "", password: str = ""
    ) -> None:
        super().__init__(daemon=True)
        self.port, self.count, self.per_s = port, count, per_s
        self._user, self._password = user, password
        self._numbers: dict[int, int] = {}
        self._acknowledged: list[int] = []

    @property
    def acknowledged(self) -> set[int]:
        """Numbers of those that are acknowledged; an answer may come before `publish` returns."""
        return {self._numbers[mid] for mid in [*self._acknowledged] if mid in self._numbers}

    def run(self) -> None:
        client = connected(self.port, user=self._user, password=self._password)
        client.on_publish = lambda c, u, mid, code, p: self._acknowledged.append(mid)
        for i in range(self.count):
            # Two kinds: with a time of their own, and without one (known by their packet alone).
            if i % 4:
                pack = [{"n": "temperature", "u": "Cel", "t": 1.7e9 + i, "v": 20}]
                topic = "benchweather/bench/timed"
            else:
                pack = [{"n": "pressure", "u": "Pa", "v": 50_000 + i}]
                topic = "benchweather/bench/untimed"
            info = client.publish(topic, json.dumps(pack), qos=1)
            self._numbers[info.mid] = i
            time.sleep(1 / self.per_s)
        until(lambda: len(self.acknowledged) >= self.count * 0.9)
        client.disconnect()

    def goes_on(self, count: int) -> None:
        """Wait until so many more are acknowledged, or all are sent."""
        wanted = len(self.acknowledged) + count
        until(lambda: len(self.acknowledged) >= wanted or not self.is_alive())


def stored_numbers(path) -> Counter[int]:
    with closing(sqlite3.connect(path)) as connection:
        timed = connection.execute(
            "SELECT ts_ms FROM reading JOIN series USING (series_id) WHERE sensor = 'timed'"
        ).fetchall()
        untimed = connection.execute(
            "SELECT value FROM reading JOIN series USING (series_id) WHERE sensor = 'untimed'"
        ).fetchall()
    return Counter(
        [t // 1000 - 1_700_000_000 for (t,) in timed] + [round(v) - 50_000 for (v,) in untimed]
    )


def check_nothing_lost_or_doubled(service, load, *, untimed_too=True):
    wanted = load.acknowledged
    until(
        lambda: not wanted - set(stored_numbers(service.store)),
        what="every acknowledged reading is stored",
    )
    doubled = {
        n: k for n, k in stored_numbers(service.store).items() if k > 1 and (n % 4 or untimed_too)
    }
    assert not doubled
    with closing(sqlite3.connect(service.store)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert len(wanted) > load.count * 0.5
