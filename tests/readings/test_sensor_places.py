"""A case probe that was away and uploads late: through the broker, seen where it stood then."""

from __future__ import annotations

import contextlib
import json

import paho.mqtt.client as paho
import pytest
from conftest import until

from monitor.core.clock import from_ms, now_ms
from monitor.core.measurements import Quantity, Series
from monitor.store import Reader

pytestmark = [pytest.mark.slow, pytest.mark.broker]
MIN, HOUR = 60_000, 3_600_000


def publish(port: int, times: list[int], rh_pct: float) -> None:
    pack = [{"n": "humidity", "u": "%RH", "v": rh_pct, "t": at / 1000} for at in times]
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.publish("benchweather/case/cp-1", json.dumps(pack), qos=1).wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def test_what_a_case_probe_uploads_late_is_seen_at_the_place_of_then(service):
    now = now_ms() // MIN * MIN
    publish(service.broker_port, [now - 9 * HOUR], 50.0)
    until(lambda: service.store.exists(), what="there is a store")
    with contextlib.closing(Reader(service.store)) as reader:
        until(lambda: reader.series(), what="the first reading is stored")
        for hours, place in ((8, "on-the-road"), (2, "case")):
            at = from_ms(now - hours * HOUR).isoformat()
            done = service.command("sensor", "move", "case/cp-1", place, "--at", at)
            assert done.returncode == 0, done.stderr
        times = [now - 9 * HOUR + i * 10 * MIN for i in range(1, 54)]  # brought home, read out
        publish(service.broker_port, times, 61.0)
        ids = {p: Series(p, "cp-1", Quantity.HUMIDITY) for p in ("case", "on-the-road")}

        def seen(place: str) -> list[int]:
            series_id = reader.series().get(ids[place])
            return [] if series_id is None else list(reader.readings(series_id, 0, now)[0])

        until(lambda: len(seen("case")) + len(seen("on-the-road")) == 54, what="all are stored")
        assert seen("on-the-road") == [t for t in times if now - 8 * HOUR <= t < now - 2 * HOUR]
        done = service.command("sensor", "move", "case/cp-1", "case")
    assert done.returncode == 1
    assert "case/cp-1 is already there" in done.stderr
