"""The watch over our own broker and its disk: real brokers, real small file systems."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import threading
import urllib.request

import pytest
from conftest import free_port, needs, until
from numbered_load import connected
from small_disk import SmallDisk

from monitor.core.errors import SettingsFault
from monitor.mqtt import client, embedded_broker
from monitor.mqtt.accounts import AccessRules
from monitor.mqtt.client import Address, Publisher, Subscription
from monitor.mqtt.embedded_broker import EmbeddedBroker, ingest_account
from monitor.mqtt.mosquitto_broker import MosquittoBroker
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.runtime import disk_space, heartbeat
from monitor.runtime.disk_space import RESERVE_BYTES, DiskSpace, DiskTrouble
from monitor.service import broker_watch
from monitor.service.broker_watch import BrokerWatch
from monitor.settings import load
from monitor.store import Writer

HOUR_S = 3600.0


class Sender(threading.Thread):
    """Sends numbered readings until told to stop, and then until each is acknowledged."""

    def __init__(self, port: int, per_s: float = 20) -> None:
        super().__init__(daemon=True)
        self.port, self.pause_s = port, 1 / per_s
        self.ends, self.sent, self.acknowledged = threading.Event(), 0, 0

    def run(self) -> None:
        sender = connected(self.port)
        sender.on_publish = lambda *_: self._count()
        while not self.ends.wait(self.pause_s):
            pack = [{"n": "temperature", "u": "Cel", "t": 1.7e9 + self.sent, "v": 20}]
            sender.publish("benchweather/bench/numbered", json.dumps(pack), qos=1)
            self.sent += 1
        until(lambda: self.acknowledged == self.sent)
        sender.disconnect()
        sender.loop_stop()

    def _count(self) -> None:
        self.acknowledged += 1


def stored(path):
    with contextlib.closing(sqlite3.connect(path)) as store:
        return [t // 1000 - 1_700_000_000 for (t,) in store.execute("SELECT ts_ms FROM reading")]


def beat(service):
    return heartbeat.read(service.data / "heartbeat.json")


def board_text(service):
    """The frame and its banner as a browser gets them."""
    url = f"http://127.0.0.1:{service.board_port}/_dash-layout"
    with urllib.request.urlopen(url, timeout=60) as answer:
        return answer.read().decode()


@pytest.mark.slow
@pytest.mark.broker
def test_a_full_disk_is_said_and_everything_comes_back_by_itself_when_there_is_space(
    tmp_path, make_service
):
    with contextlib.ExitStack() as ends:
        disk = SmallDisk(tmp_path / "shop0", 160)
        ends.callback(disk.unmount)
        service = make_service()
        ends.callback(service.clear)
        service.start()
        reserve = service.data / "space.reserve"
        assert reserve.stat().st_size == RESERVE_BYTES
        assert reserve.stat().st_blocks * 512 >= RESERVE_BYTES
        sender = Sender(service.port)
        sender.start()
        until(lambda: sender.sent > 30 and stored(service.store))
        disk.fill()
        until(lambda: not reserve.exists(), what="the reserve is released")
        until(lambda: len(stored(service.store)) > sender.sent - 30, what="the reserve is of use")

        def wedged() -> bool:
            disk.fill()  # again: what the service itself frees, such as its log, is taken too
            now = beat(service)
            return bool(now.disk and now.disk.fault and now.outage)

        until(wedged)
        outage = beat(service).outage
        assert not outage.answers
        assert outage.restarts == 0, "no start can help while the disk is full"
        checked = service.command("check")
        assert checked.returncode == 1
        for said in (checked.stdout, service.command("now").stderr, board_text(service)):
            assert "The disk cannot be written: No space left on device" in said
            assert "The broker has not passed messages on since" in said
        disk.empty()
        until(lambda: beat(service).outage is None and beat(service).disk is None)
        until(reserve.exists)
        assert reserve.stat().st_size == RESERVE_BYTES
        sender.ends.set()
        sender.join(60)
        assert sender.acknowledged == sender.sent
        until(lambda: sorted(stored(service.store)) == list(range(sender.sent)))
        assert "not passed messages on" not in board_text(service)
        service.stop()


class Watched:
    """A broker, its ingest and its watch, in this process and with short periods."""

    def __init__(self, folder, **more) -> None:
        self.folder, door = folder, ingest_account()
        kind = MosquittoBroker if "program" in more else EmbeddedBroker
        self.broker = kind(
            folder / "broker",
            "127.0.0.1",
            free_port(),
            ingest=door,
            rules=AccessRules(Contract().filters),
            anonymous=True,
            **more,
        )
        self.address = Address("127.0.0.1", self.broker.port, door.user, door.password)
        self.writer = Writer(folder / "readings.sqlite3")
        self.disk = DiskSpace(folder)

    def begin(self) -> None:
        """Let the ingest and the watch work; the broker is started first."""
        subscription = Subscription(self.address, Contract().filters, "ingest")
        self.ingest = Ingest(subscription, Contract(), self.writer)
        self.ingest.start()
        self.watch = BrokerWatch(self.broker, self.address, self.ingest, self.disk)
        self.watch.start()
        until(lambda: subscription.connected)

    def send(self, seconds: float = 1.7e9) -> None:
        publisher = Publisher(Address("127.0.0.1", self.broker.port))
        publisher.connect(60)
        pack = json.dumps([{"u": "Cel", "v": 20, "t": seconds}]).encode()
        publisher.publish("benchweather/bench/a1", pack)(10)
        publisher.close()

    def is_probed(self) -> None:
        """Wait until two more test messages have come back."""
        for _ in range(2):
            before = self.watch._next_probe
            until(lambda before=before: self.watch._next_probe > before, what="a probe")

    def end(self) -> None:
        self.watch.stop(60)
        self.ingest.stop(60)
        self.broker.stop()
        self.writer.close()


@pytest.fixture
def make_watched(tmp_path, monkeypatch):
    monkeypatch.setattr(broker_watch, "PROBE_S", 0.5)
    monkeypatch.setattr(broker_watch, "DOUBTED_PROBE_S", 0.2)
    monkeypatch.setattr(broker_watch, "PROBE_WAIT_S", 5.0)  # what works has answered by then
    monkeypatch.setattr(broker_watch, "SICK_PROBE_WAIT_S", 10.0)
    monkeypatch.setattr(embedded_broker, "STATE_WAIT_S", 0.5)
    made = []

    def make(**more):
        made.append(Watched(tmp_path, **more))
        return made[-1]

    yield make
    for one in made:
        one.end()


@pytest.mark.broker
@pytest.mark.parametrize("name", ["nats-server", "mosquitto"])
def test_a_broker_that_runs_but_answers_nobody_is_started_again(make_watched, name):
    """It is reported until a reading has come in, not only until the broker is up."""
    mosquitto = {"program": needs(name, name)} if name == "mosquitto" else {}
    shop = make_watched(**mosquitto)
    shop.broker.start()
    shop.begin()
    shop.send(1.7e9)
    until(lambda: shop.ingest.stored == 1)
    shop.is_probed()
    assert shop.watch.outage is None
    wedged = shop.broker.pid
    os.kill(wedged, signal.SIGSTOP)
    assert shop.broker.running()
    until(lambda: shop.watch.outage and shop.watch.outage.answers)
    assert shop.broker.pid != wedged
    assert shop.watch.outage.restarts == 1
    until(lambda: shop.ingest.subscription.connected)
    shop.is_probed()
    assert shop.watch.outage is not None, "no reading has come in since"
    shop.send(1.7e9 + 60)
    until(lambda: shop.watch.outage is None)
    assert shop.ingest.stored == 2


@pytest.mark.broker
def test_a_broker_started_again_is_tested_at_once(make_watched, monkeypatch):
    """Also where the ingest was connected again before the watch looked at it."""
    monkeypatch.setattr(broker_watch, "PROBE_S", 600)
    monkeypatch.setattr(BrokerWatch, "_doubted", lambda _: False)
    shop = make_watched()
    shop.broker.start()
    shop.begin()
    until(lambda: shop.watch._next_probe > 0, what="the first test message came back")
    os.kill(shop.broker.pid, signal.SIGKILL)
    until(lambda: shop.watch.outage and shop.watch.outage.answers)
    assert shop.watch.outage.restarts == 1


@pytest.mark.broker
def test_retained_messages_of_a_stranger_are_dropped_before_they_fill_the_memory(
    make_watched, monkeypatch
):
    """What the broker holds for the ingest is not lost with them."""
    monkeypatch.setattr(embedded_broker, "RETAINED_MAX", 50)
    shop = make_watched()
    shop.broker.start()
    absent = Subscription(shop.address, Contract().filters, "ingest")
    until(lambda: absent.take(1, 0.05) is None or absent.connected)
    absent.close()
    shop.send(1.7e9)
    publisher = Publisher(Address("127.0.0.1", shop.broker.port))
    publisher.connect(60)
    for number in range(60):
        publisher.publish(f"benchweather/x{number}/s", b"?", retain=True)
    until(lambda: shop.broker.retained() == 60)
    publisher.close()
    flooded = shop.broker.pid
    shop.begin()
    until(lambda: shop.broker.pid not in (flooded, None) and shop.broker.retained() == 0)
    until(lambda: shop.ingest.stored == 1)
    shop.send(1.7e9 + 60)
    until(lambda: shop.watch.outage is None and shop.ingest.stored == 2)


@pytest.mark.broker
def test_a_broker_at_the_limit_of_its_own_store_lets_the_ingest_in_again(make_watched):
    """At its limit it lets nobody in; nothing that it has acknowledged is lost."""
    shop = make_watched(store_mb=2)
    shop.broker.start()
    absent = Subscription(shop.address, Contract().filters, "ingest")
    until(lambda: absent.take(1, 0.05) is None or absent.connected)
    absent.close()
    publisher = Publisher(Address("127.0.0.1", shop.broker.port))
    publisher.connect(60)
    acknowledged = 0
    with contextlib.suppress(client.BrokerUnavailable):
        while True:
            pack = [{"u": "Cel", "v": 20, "t": 1.7e9 + acknowledged}]
            body = json.dumps(pack).encode().ljust(20_000)
            publisher.publish("benchweather/bench/a1", body)(5)
            acknowledged += 1
    publisher.close()
    assert acknowledged > 50
    assert shop.broker.is_full()
    shop.begin()
    until(lambda: shop.ingest.stored >= acknowledged)
    numbers = sorted(stored(shop.folder / "readings.sqlite3"))
    assert numbers[:acknowledged] == list(range(acknowledged))
    assert len(numbers) == len(set(numbers))
    until(lambda: not shop.broker.is_full())


def test_a_disk_that_fills_up_is_said_a_day_ahead(tmp_path):
    free = 20_000_000_000
    disk = DiskSpace(tmp_path, lambda: free)
    for minute in range(120):  # 0.5 GB an hour: full in 38 hours
        disk.look(doubted=False, now_s=60.0 * minute)
        assert disk.trouble is None
        free -= 500_000_000 // 60
    for minute in range(120, 181):  # 2 GB an hour: full in about 8 hours
        disk.look(doubted=False, now_s=60.0 * minute)
        free -= 2_000_000_000 // 60
    assert disk.trouble is not None
    assert not disk.trouble.fault
    assert disk.trouble.full_in_h == pytest.approx(8, abs=2)
    for minute in range(181, 200):  # no more
        disk.look(doubted=False, now_s=60.0 * minute)
    assert disk.trouble is None


def test_a_disk_without_space_for_the_reserve_counts_as_nearly_full(tmp_path):
    disk = DiskSpace(tmp_path, lambda: 51_000_000)
    disk.look(doubted=False)
    assert disk.trouble == DiskTrouble("", 50)
    assert not (tmp_path / disk_space.RESERVE_NAME).exists()


def test_a_disk_that_is_mounted_for_reading_only_is_said(tmp_path):
    mounted = SmallDisk(tmp_path / "disk", 160)
    try:
        disk = DiskSpace(mounted.folder)
        disk.look(doubted=False)
        assert (mounted.folder / disk_space.RESERVE_NAME).exists()
        subprocess.run(["mount", "-o", "remount,ro", str(mounted.folder)], check=True)
        disk.look(doubted=True)
        assert disk.fault == "Read-only file system"
        subprocess.run(["mount", "-o", "remount,rw", str(mounted.folder)], check=True)
        disk.look(doubted=True)
        assert disk.trouble is None
        assert (mounted.folder / disk_space.RESERVE_NAME).exists(), "it was not given up"
    finally:
        mounted.unmount()


@pytest.mark.slow
@pytest.mark.broker
def test_a_mosquitto_of_this_machine_is_our_broker_if_the_settings_name_it(make_service):
    service = make_service(board=False)
    service.environment["BENCHWEATHER_BROKER__PROGRAM"] = needs("mosquitto", "mosquitto")
    service.start()
    until(lambda: "answers and accepts our sign-in" in service.command("check").stdout)
    found = subprocess.run(
        ["pgrep", "-P", str(service.pid), "-x", "mosquitto"], capture_output=True, text=True
    )
    (pid,) = found.stdout.split()
    folder = service.data / "broker"
    for path in (folder, *folder.iterdir()):
        assert path.stat().st_mode & 0o077 == 0, path
    sender = Sender(service.port)
    sender.start()
    until(lambda: sender.sent > 20)
    os.kill(int(pid), signal.SIGKILL)
    killed = sender.sent
    until(lambda: "starting it again" in service.log.read_text())
    goes_on = lambda: beat(service).outage is None and sender.acknowledged > killed + 20  # noqa: E731 - asked again
    until(goes_on, within_s=90)
    sender.ends.set()
    sender.join(60)
    # mosquitto acknowledges before it writes: what it had at the kill can be lost (upkeep.md)
    until(lambda: set(stored(service.store)) >= set(range(killed, sender.sent)))
    assert len(stored(service.store)) == len(set(stored(service.store)))
    service.stop()


def test_a_broker_program_that_is_unknown_or_absent_is_refused_with_what_is_allowed(tmp_path):
    def faults(program):
        environ = {"BENCHWEATHER_BROKER__PROGRAM": program}
        with pytest.raises(SettingsFault) as told:
            load(data=tmp_path, environ=environ)
        return str(told.value)

    assert "must be mosquitto or nats-server, a path to one of them, or empty" in faults("other")
    missing = "/nowhere/mosquitto"
    assert f"broker.program = {missing!r}" in faults(missing)
    assert "there is no such program on this machine" in faults(missing)
