"""Vital signs: what a part that hangs does to them, and a whole service that systemd watches."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import time
import urllib.request
from pathlib import Path

import pytest
from conftest import until
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from scripted_subscription import NOW, Script, arrival

from monitor.core.systemd import VARIABLES, Notifier, is_journal
from monitor.mqtt.client import Address, Publisher
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.runtime.health import INGEST, ROUNDS
from monitor.service.vital_signs import HANGS_S, stuck
from monitor.store import Writer


def test_a_part_without_progress_hangs_after_its_time():
    ingest_s, rounds_s = HANGS_S[INGEST], HANGS_S[ROUNDS]
    assert stuck(100, 100, 100 + ingest_s) == ()
    assert stuck(100, 100, 101 + ingest_s) == (INGEST,)
    assert stuck(100 + rounds_s, 100, 101 + rounds_s) == (ROUNDS,)
    assert stuck(100, 100, 101 + rounds_s) == (INGEST, ROUNDS)


@pytest.mark.slow
def test_a_write_that_never_returns_hangs_and_a_store_that_refuses_does_not(tmp_path):
    script, writer = Script(), Writer(tmp_path / "readings.sqlite3")
    ingest = Ingest(script, Contract(()), writer)
    ingest.start()
    try:
        with writer.connection.alone():  # nobody can write, and nobody is told so
            script.groups.append([arrival(1, b'[{"u":"Cel","v":20}]', at=NOW)])
            until(lambda: not script.groups, what="the message is taken")
            still = ingest.moved_s
            until(lambda: time.monotonic() > still + 0.2)  # twenty turns of a loop that goes on
            assert ingest.moved_s == still
            assert stuck(ingest.moved_s, still, still + HANGS_S[INGEST] + 1) == (INGEST,)
        until(lambda: ingest.moved_s > still and script.acknowledged == [1], what="it goes on")
        (tmp_path / "readings.sqlite3").rename(tmp_path / "aside")
        script.groups.append([arrival(2, b'[{"u":"Cel","v":21}]', at=NOW)])
        until(lambda: ingest.store_trouble, what="the store is away")
        still = ingest.moved_s
        until(lambda: ingest.moved_s > still, what="it tries again")
    finally:
        ingest.stop(60)
        writer.close()


def test_the_variables_of_systemd_are_not_handed_on():
    environ = {"NOTIFY_SOCKET": "/x", "WATCHDOG_USEC": "60000000", "PATH": "/bin"}
    assert Notifier.taken_from(environ).watchdog_s == 30
    assert environ == {"PATH": "/bin"}


class Manager:
    """What systemd is to a service: a socket that takes its datagrams."""

    def __init__(self, name):
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + name)
        self.socket.setblocking(False)
        self.heard: list[str] = []

    def close(self):
        self.socket.close()

    def hear(self, start):
        """True once a message came that begins so."""
        try:
            while True:
                self.heard.append(self.socket.recv(4096).decode())
        except BlockingIOError:
            return any(one.startswith(start) for one in self.heard)


def answer(service, path, **headers):
    url = f"http://127.0.0.1:{service.board_port}{path}"
    asked = urllib.request.Request(url, headers=headers)
    with urllib.request.urlopen(asked, timeout=60) as got:
        return got.read().decode()


@pytest.mark.broker
def test_a_service_under_systemd_says_how_it_is_in_every_form(make_service):
    service = make_service()
    name = f"benchweather-{service.board_port}"
    with contextlib.closing(Manager(name)) as manager:
        _watch(service, name, manager)


def _watch(service, name, manager):
    service.environment |= {
        "NOTIFY_SOCKET": f"@{name}",
        "WATCHDOG_USEC": "4000000",
        "BENCHWEATHER_LOG__FORMAT": "json",
        "BENCHWEATHER_BOARD__PASSWORD": "horse hair bow",
    }
    service.start()
    until(lambda: manager.hear("READY=1\nSTATUS=All parts work."), what="READY")
    until(lambda: manager.hear("WATCHDOG=1\nSTATUS=All parts work."), what="a sign of life")
    publisher = Publisher(Address("127.0.0.1", service.broker_port))
    publisher.connect(60)
    pack = b'[{"u":"Cel","v":20.5},{"u":"%RH","v":48}]'
    publisher.publish("benchweather/bench/a1", pack)(10)
    publisher.close()

    def metrics():
        text = answer(service, "/metrics")
        families = list(text_string_to_metric_families(text))
        return {(s.name, *s.labels.values()): s.value for f in families for s in f.samples}

    until(lambda: metrics()["benchweather_readings_stored_total",] == 2, what="two readings")
    found = metrics()
    assert 0 <= found["benchweather_newest_reading_age_seconds", "bench"] < 60
    assert found["benchweather_process_memory_bytes", "service"] > 10_000_000
    until(lambda: metrics()["benchweather_round_duration_seconds_count",] >= 1, what="a round")
    state = json.loads(answer(service, "/health"))
    assert state["status"] == "ok", state
    assert all(one["sentence"] and one["since"] for one in state["parts"].values())
    passed_on = json.loads(answer(service, "/health", **{"X-Forwarded-For": "127.0.0.1"}))
    assert set(passed_on["parts"]["store"]) == {"verdict"}
    for child in Path(f"/proc/{service.pid}/task/{service.pid}/children").read_text().split():
        given = Path(f"/proc/{child}/environ").read_bytes()
        assert not any(variable.encode() in given for variable in VARIABLES)
    service.interrupt()
    until(lambda: manager.hear("STOPPING=1"), what="STOPPING")
    log = [json.loads(one) for one in service.log.read_text().splitlines() if one[:1] == "{"]
    assert {"service", "board"} <= {one["part"] for one in log}
    assert "horse hair" not in service.log.read_text()


def test_a_stream_of_the_journal_is_known_by_device_and_inode():
    """As systemd.exec(5) says of JOURNAL_STREAM."""
    reading, writing = os.pipe()
    found = os.fstat(writing)
    assert is_journal(writing, {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"})
    assert not is_journal(writing, {"JOURNAL_STREAM": "1:2"})  # a terminal of a desktop has it too
    assert not is_journal(writing, {})
    os.close(reading)
    os.close(writing)
