"""A subscription without a broker: the test hands over what arrives."""

from __future__ import annotations

import threading

from monitor.mqtt.client import Arrival

NOW = 1_790_000_000_000
TOPIC = "benchweather/bench/a1"


class Script:
    """A subscription that hands over what the test gives it and notes what was acknowledged."""

    connected = True

    def __init__(self) -> None:
        self.groups: list[list[Arrival]] = []
        self.acknowledged: list[int] = []
        self.asked_again = 0
        self._ready = threading.Event()

    def take(self, at_most, wait_s):
        if not self.groups:
            self._ready.wait(0.01)
            return []
        return self.groups.pop(0)

    def rest(self, wait_s, *, connects=True):
        self._ready.wait(wait_s)

    def ask_again(self):
        self.asked_again += 1

    def close(self):
        pass

    def acknowledge(self, arrivals):
        self.acknowledged += [arrival.packet_id for arrival in arrivals]


def arrival(packet_id, payload, *, topic=TOPIC, qos=1, retained=False, repeat=False, at=NOW):
    return Arrival(1, packet_id, qos, topic, payload, retained, repeat, at)
