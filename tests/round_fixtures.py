"""A shop with a store, and the service's rounds over it."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np

from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Commands
from monitor.core.measurements import Quantity, Reading, Series
from monitor.service.evaluation_cycle import EvaluationCycle
from monitor.service.state_publisher import StatePublisher
from monitor.settings import load
from monitor.store import Reader, Writer, outbox

MINUTE = 60_000
HOUR = 60 * MINUTE
NOON = int(datetime(2026, 1, 20, 12, tzinfo=UTC).timestamp() * 1000)
CONFIG = """
[shop]
name = "Quillon Lane Violin Repair, Marrowick"
time_zone = "Europe/Paris"
[[places]]
id = "bench"
[[places]]
id = "corner"
kind = "varnish"
[[channels]]
id = "hook"
url = "{url}"
[[channels]]
id = "loud"
url = "{url}"
least = 3
brief = false
[[reservoirs]]
id = "tank"
lasts_h = 20
"""


class Paper:
    """A publisher that keeps what it would have sent."""

    def __init__(self):
        self.connected, self.connections, self.sent = True, 1, {}

    def publish(self, topic, payload, *, retain=False):
        self.sent[topic] = json.loads(payload or b"null")


class Shop:
    """A store, what writes it, and the rounds over it."""

    config = CONFIG

    def __init__(self, folder, url):
        (folder / "c.toml").write_text(self.config.format(url=url), encoding="utf-8")
        self.settings = load(data=folder, config=folder / "c.toml", environ={})
        self.writer = Writer(self.settings.store_path)
        self.reader = Reader(self.settings.store_path)
        self.paper, self.troubles, self.woken = Paper(), ServiceTroubles(), 0
        self.begin()

    def begin(self):
        """What a start of the service makes."""
        tanks = {tank.id: tank for tank in self.settings.reservoirs}
        self.commands = Commands(self.writer, limits=self.settings.limits, reservoirs=tanks)
        self.cycle = EvaluationCycle(
            self.settings,
            Reader(self.settings.store_path),
            self.writer,
            StatePublisher(self.settings, self.paper),
            lambda: self.troubles,
            self.wake,
        )

    def wake(self):
        self.woken += 1

    def air(self, start, end, rh, temp=20.0, place="bench", sensor="a1", every=MINUTE):
        """Readings from start to end; RH a figure or a function of the time."""
        at = np.arange(start, end, every)
        values = rh(at) if callable(rh) else np.full(len(at), float(rh))
        wobble = 0.05 * (np.arange(len(at)) % 2)  # air never stands quite still
        self.writer.write(
            [
                Reading(Series(place, sensor, quantity), int(t), float(v))
                for quantity, column in (
                    (Quantity.TEMPERATURE, np.full(len(at), temp)),
                    (Quantity.HUMIDITY, values + wobble),
                )
                for t, v in zip(at, column, strict=True)
            ]
        )

    def go(self, start, end, every=30 * MINUTE):
        for now in range(start, end + 1, every):
            self.cycle.run(now)

    @property
    def alerts(self):
        return self.commands.journal.alerts

    @property
    def told(self):
        return [(e.notice.title, e.channel) for e in reversed(outbox.recent(self.reader, 99))]

    def open(self):
        return {a.rule: a for a in self.alerts.values() if a.open}
