"""Several ingests on one stream and one store: nothing is lost or doubled, whoever is killed."""

from __future__ import annotations

import json
import re
import select
import subprocess
import sys
from collections import Counter
from contextlib import ExitStack, closing
from dataclasses import replace

import pytest
from conftest import ROOT, benchweather, mosquitto_pub, until
from numbered_load import Load
from scripted_subscription import NOW, Script, arrival

from monitor.core.clock import EVER_MS
from monitor.core.steady_clock import SteadyClock
from monitor.mqtt.client import TURNS, Address, Publisher, Subscription, shared
from monitor.readings.ingest import Ingest
from monitor.readings.newcomers import Newcomers
from monitor.readings.payload import Contract
from monitor.service import ingest_worker
from monitor.service.ingest_session import IngestSession
from monitor.service.ingest_worker import IngestGroup, WaitingShare
from monitor.settings import load
from monitor.store import Reader, Writer, connection, ingest_workers, rollups
from monitor.store.ingest_workers import Share

FILTERS = shared("shop", Contract().filters)
UNTIMED = json.dumps([{"n": "pressure", "u": "Pa", "v": 50_000}]).encode()


def stored_numbers(address):
    """Numbers of the readings of a `Load` that are stored."""
    with closing(Reader(address)) as reader:
        rows = reader.connection.rows(
            "SELECT sensor, ts_ms, value FROM reading JOIN series USING (series_id)"
        )
    return Counter(
        ts_ms // 1000 - 1_700_000_000 if sensor == "timed" else round(value) - 50_000
        for sensor, ts_ms, value in rows
    )


def publish(address, numbers):
    """Send readings without times, and wait until the broker has them."""
    publisher = Publisher(address)
    publisher.connect()
    sent = [
        publisher.publish(
            "benchweather/bench/untimed",
            json.dumps([{"n": "pressure", "u": "Pa", "v": 50_000 + number}]).encode(),
        )
        for number in numbers
    ]
    for wait in sent:
        wait(60)
    publisher.close()


def test_no_two_of_a_group_give_messages_of_a_topic_one_arrival_time(moved_clock):
    of_each = []
    for turn in (3, 4):
        subscription = Subscription(Address("127.0.0.1", 1), FILTERS, "c", turn=turn)
        of_each.append([subscription._moment("t") for _ in range(200)])
    assert not set(of_each[0]) & set(of_each[1])
    assert {at % TURNS for at in of_each[0]} == {3}
    assert of_each[0] == sorted(set(of_each[0]))


class Unclaimed:
    """A share that nobody else claims, of a store in a file."""

    number, client_id, own, lost = 1, "c", False, False

    def check(self, run):
        pass


def test_what_the_store_keeps_waiting_is_not_taken_for_the_end(tmp_path, monkeypatch):
    monkeypatch.setattr(ingest_worker, "QUIET_S", 0.0)
    monkeypatch.setattr(connection, "BUSY_WAIT_S", 0.05)
    path, script = tmp_path / "readings.sqlite3", Script()
    script.connected = True
    with closing(Writer(path)) as writer, closing(Writer(path)) as other:
        ingest = Ingest(script, Contract(), writer, number=1)
        with other.connection.transaction():  # the store can not be written
            script.groups.append([arrival(1, UNTIMED)])
            share = WaitingShare(Unclaimed(), Address("127.0.0.1", 1), (), lambda *_: ingest)
            until(lambda: ingest.store_trouble, what="the store is away")
            assert share.waits()
        until(lambda: not share.waits(), what="nothing waits any more")
        assert share.end() == 1
        assert script.acknowledged == [1]
        assert not share.running()


def test_a_repeat_is_known_by_the_packet_id_of_its_own_client(tmp_path):
    with closing(Writer(tmp_path / "readings.sqlite3")) as writer:
        scripts = [Script(), Script()]
        ingests = [Ingest(s, Contract(), writer, number=n) for n, s in enumerate(scripts, 1)]
        for one in ingests:
            one.start()
        sent = [(0, False, NOW), (1, False, NOW + 1), (0, True, NOW + 2), (1, True, NOW + 3)]
        for number, repeat, at in sent:
            script = scripts[number]
            done = len(script.acknowledged) + 1
            script.groups.append([arrival(7, UNTIMED, repeat=repeat, at=at)])
            until(lambda script=script, done=done: len(script.acknowledged) == done)
        for one in ingests:
            one.stop(60)
        times = writer.connection.rows("SELECT ts_ms FROM reading ORDER BY ts_ms")
    assert times == [(NOW,), (NOW + 1,)]


def test_a_worker_cut_off_from_the_store_alone_stores_nothing_a_second_time(postgresql_server):
    store = postgresql_server.emptied()
    with closing(Writer(store)) as writer, closing(Writer(store)) as other, ExitStack() as parts:
        cut, by = (ingest_workers.number_of(writer, name) for name in ("cut", "by"))
        share, scripts = Share(writer, cut, "cut"), [Script(), Script()]
        share.note_seen("quay", 0.0)

        def made(script, writer, share):
            one = Ingest(script, Contract(), writer, number=cut, share=share)
            parts.callback(one.stop, 5)
            return one

        own = made(scripts[0], writer, share)
        right, writer.connection._url = writer.connection._url, "postgresql://127.0.0.1:1/none"
        postgresql_server.cut(writer.connection.raw.info.backend_pid)
        scripts[0].groups.append([arrival(7, UNTIMED), arrival(0, UNTIMED, qos=0, at=NOW + 1)])
        own.start()
        until(lambda: own.store_trouble, what="it is cut off")
        assert ingest_workers.claim_silent(other, by, 60_000) is None
        claimed = ingest_workers.claim_silent(other, by, -1)
        scripts[1].groups.append([arrival(7, UNTIMED, repeat=True, at=NOW + 60_000)])
        another = made(scripts[1], other, claimed)
        another.start()
        until(lambda: scripts[1].acknowledged == [7], what="another has stored it")
        writer.connection._url = right
        until(lambda: scripts[0].asked_again and scripts[0].acknowledged, what="it asks again")
        assert scripts[0].acknowledged == [0], "what the broker sends once is stored"
        scripts[0].groups.append([arrival(7, UNTIMED, repeat=True, at=NOW + 90_000)])
        until(lambda: scripts[0].acknowledged == [0, 7], what="the repeat is known")
        times = writer.connection.rows("SELECT ts_ms FROM reading ORDER BY ts_ms")
        assert times == [(NOW + 1,), (NOW + 60_000,)]
        assert not claimed.keep(), "the worker is back"
        scripts[1].groups.append([arrival(8, UNTIMED, at=NOW + 95_000)])
        until(lambda: not another.running(), what="the other ends by itself")
        assert writer.connection.row("SELECT count(*) FROM reading") == (2,)


def test_the_limits_for_newcomers_hold_for_all_ingests_together(tmp_path):
    with closing(Writer(tmp_path / "readings.sqlite3")) as writer:
        for number in range(6):
            script = Script()
            if number < 2:
                newcomers = [Newcomers(writer, places_a_day=3) for _ in range(2)]
                ingests = [Ingest(script, Contract(), writer, newcomers=n) for n in newcomers]
            pack = json.dumps([{"bt": NOW / 1000 - number, "u": "Cel", "v": 20}]).encode()
            one = arrival(number + 1, pack, topic=f"benchweather/place{number}/a")
            ingests[number % 2].subscription = script
            ingests[number % 2]._keep([one])
            assert script.acknowledged == [number + 1]
        places = writer.connection.rows("SELECT DISTINCT place FROM series ORDER BY place")
        assert places == [("place0",), ("place1",), ("place2",)]
        waiting = writer.connection.rows("SELECT name FROM waiting ORDER BY name")
        assert waiting == [("place3",), ("place4",), ("place5",)]


def test_a_worker_is_refused_where_there_cannot_be_several(tmp_path):
    environment = {"BENCHWEATHER_DATA": str(tmp_path), "COLUMNS": "300"}
    alone = benchweather("ingest", environment=environment)
    assert alone.returncode == 2
    assert "broker.group is not set: an ingest worker needs a database (store.url)" in alone.stderr
    assert benchweather("ingest", "--demo", environment=environment).returncode == 2
    environment["BENCHWEATHER_BROKER__GROUP"] = "shop"
    half = benchweather("ingest", environment=environment)
    assert half.returncode == 2
    assert "broker.group" in half.stderr
    assert "(broker.url) and a database (store.url)" in half.stderr
    environment["BENCHWEATHER_BROKER__GROUP"] = "shop/+"
    assert "must be letters" in benchweather("ingest", environment=environment).stderr


@pytest.mark.broker
def test_a_session_that_joins_a_group_ends_its_own_subscription(mosquitto, tmp_path):
    address, mark = Address("127.0.0.1", mosquitto.port), tmp_path / "session.json"
    alone = IngestSession(mark, mosquitto.url, "service", tuple(Contract().filters))
    first = Subscription(address, alone.filters, "service")
    until(lambda: first.take(1, 0.05) or first.connected)
    first.close()
    alone.note()
    mosquitto_pub(mosquitto.port, "benchweather/bench/a1", "before")
    joined = replace(alone, filters=FILTERS)
    assert joined.ended() == alone.filters
    got, subscriptions = [], []
    for name, ended in (("service", joined.ended()), ("worker", ())):
        subscriptions.append(Subscription(address, FILTERS, name, ended=ended))
        until(lambda: got.extend(subscriptions[-1].take(10, 0.05)) or subscriptions[-1].connected)
    until(lambda: got.extend(subscriptions[0].take(10, 0.05)) or got)
    for number in range(6):
        mosquitto_pub(mosquitto.port, "benchweather/bench/a1", str(number))
    until(lambda: [got.extend(one.take(10, 0.05)) for one in subscriptions] and len(got) >= 7)
    got += [one for subscription in subscriptions for one in subscription.take(10, 0.3)]
    assert sorted(one.payload for one in got) == [*(b"%d" % n for n in range(6)), b"before"]
    for one in subscriptions:
        one.close()


@pytest.mark.broker
def test_a_worker_that_asks_again_gets_repeats_of_what_it_was_sent(mosquitto):
    address = Address("127.0.0.1", mosquitto.port)
    one = Subscription(address, FILTERS, "frozen", turn=1)
    until(lambda: one.take(1, 0.05) or one.connected)
    publish(address, [1])
    select.select([one._client.socket()], [], [], 10)  # it is there, and not read yet
    one.ask_again()
    got = []
    until(lambda: got.extend(one.take(10, 0.05)) or got)
    assert [arrival.repeat for arrival in got] == [True]
    one.acknowledge(got)
    one.close()


@pytest.mark.broker
def test_what_waits_for_a_silent_worker_is_stored_by_another(
    mosquitto, postgresql_server, monkeypatch, tmp_path
):
    monkeypatch.setattr(ingest_worker, "SEEN_S", 0.0)
    monkeypatch.setattr(ingest_worker, "SILENT_S", 0.5)
    monkeypatch.setattr(ingest_worker, "QUIET_S", 1.0)
    address, store = Address("127.0.0.1", mosquitto.port), postgresql_server.address()
    with ExitStack() as parts:
        writer = parts.enter_context(closing(Writer(store)))
        numbers = [ingest_workers.number_of(writer, name) for name in ("dead", "live")]
        assert numbers == [1, 2]
        assert ingest_workers.number_of(writer, "live") == 2
        settings = load(data=tmp_path)
        Share(writer, 1, "dead").note_seen("quay", 0.0)
        own = Share(writer, 2, "live")

        def another(subscription, share):
            return ingest_worker.new_ingest(
                settings, Contract(), writer, SteadyClock(), subscription, share
            )

        dead = Subscription(address, FILTERS, "dead", turn=1)
        until(lambda: dead.take(1, 0.05) or dead.connected)
        live = another(Subscription(address, FILTERS, "live", turn=2), own)
        live.start()
        parts.callback(live.stop, 5)
        group = IngestGroup(live, 2, FILTERS, another, share=own, name="mill")
        until(lambda: live.subscription.connected)
        publish(address, range(100))
        got = []
        until(lambda: got.extend(dead.take(5, 0.05)) or got)  # delivered, never acknowledged
        dead._client.socket().close()
        publish(address, range(100, 200))
        assert set(stored_numbers(store)) != set(range(200)), "some wait for the dead one"
        until(lambda: group.look() or set(stored_numbers(store)) == set(range(200)), what="all")
        seen = "SELECT seen_ms FROM ingest_worker WHERE worker_id = 1"
        until(lambda: group.look() or writer.connection.row(seen) == (None,), what="it is done")
        assert set(stored_numbers(store).values()) == {1}
        publish(address, [998, 999])
        until(
            lambda: {998, 999} <= set(stored_numbers(store)), what="nothing goes to the dead one"
        )
        with closing(Reader(store)) as reader:
            assert rollups.recount(reader, 0, EVER_MS).disagreements == []


@pytest.mark.broker
@pytest.mark.parametrize("busy", [True, False])
def test_a_worker_cut_off_from_the_store_leaves_its_session_to_who_stands_in(
    mosquitto, postgresql_server, tmp_path, busy
):
    address, store = Address("127.0.0.1", mosquitto.port), postgresql_server.emptied()
    settings = load(data=tmp_path)
    with closing(Writer(store)) as writer, closing(Writer(store)) as other, ExitStack() as parts:

        def made(writer, share):
            subscription = Subscription(address, FILTERS, "cut", turn=1)
            one = ingest_worker.new_ingest(
                settings, Contract(), writer, SteadyClock(), subscription, share
            )
            one.start()
            parts.callback(one.stop, 5)
            until(lambda: subscription.connected, what="it is connected")
            return one

        number = ingest_workers.number_of(writer, "cut")
        ingest_workers.number_of(writer, "by")
        own = made(writer, share := Share(writer, number, "cut"))
        share.note_seen("quay", 0.0)
        right, writer.connection._url = writer.connection._url, "postgresql://127.0.0.1:1/none"
        postgresql_server.cut(writer.connection.raw.info.backend_pid)
        if busy:
            publish(address, [1])
            until(lambda: own.store_trouble, what="it is cut off")
        stand_in = made(other, ingest_workers.claim_silent(other, 2, -1))
        publish(address, range(2, 30))
        until(lambda: len(stored_numbers(store)) == 28 + busy, what="all is stored")
        until(lambda: own.store_trouble and not own.subscription.connected, what="it gives way")
        assert stand_in.subscription._connection == 1, "nobody took the session from it"
        writer.connection._url = right
        until(lambda: own.subscription.connected, what="it is back")
        until(lambda: not stand_in.running(), what="the other ends by itself")
        publish(address, [31])
        until(lambda: 31 in stored_numbers(store), what="it stores again")
        assert set(stored_numbers(store).values()) == {1}


def test_the_service_sees_each_worker_until_it_is_stopped_on_purpose(
    postgresql_server, monkeypatch
):
    monkeypatch.setattr(ingest_worker, "SEEN_S", 0.0)
    with closing(Writer(postgresql_server.emptied())) as writer:
        shares = {
            name: Share(writer, ingest_workers.number_of(writer, name), name)
            for name in ("quay", "mill")
        }
        service = IngestGroup(Ingest(Script(), Contract(), writer), 9, FILTERS, lambda *_: None)
        for name, share in shares.items():
            worker = Ingest(Script(), Contract(), writer, number=share.number, share=share)
            worker.messages = 30
            IngestGroup(worker, 1, FILTERS, lambda *_: None, share=share, name=name).look()
        service.look()
        seen = {one.name: (one.per_minute, one.silent) for one in service.workers}
        assert seen == {"mill": (0, False), "quay": (0, False)}
        monkeypatch.setattr(ingest_worker, "SILENT_S", 0.5)
        monkeypatch.setattr(service, "_claim", lambda: None)
        until(lambda: service.look() or any(one.silent for one in service.workers))
        shares["quay"].note_ended()
        service.look()
        assert [one.name for one in service.workers] == ["mill"]


def test_nobody_is_taken_for_silent_because_the_store_was_away(
    postgresql_server, monkeypatch, tmp_path
):
    monkeypatch.setattr(ingest_worker, "SEEN_S", 0.0)
    monkeypatch.setattr(ingest_worker, "SILENT_S", 0.5)
    with closing(Writer(postgresql_server.address())) as writer:
        for name in ("other", "own"):
            ingest_workers.number_of(writer, name)
        ingest = Ingest(Script(), Contract(), writer, number=2)
        claims = []
        group = IngestGroup(ingest, 2, FILTERS, lambda *_: None, share=Share(writer, 2, "own"))
        monkeypatch.setattr(group, "_claim", lambda: claims.append(1))
        Share(writer, 1, "other").note_seen("quay", 0.0)
        until(lambda: group.look() or claims, what="it may claim")
        postgresql_server.stop()
        group.look()
        postgresql_server.start()
        claims.clear()
        group.look()
        assert claims == []
        until(lambda: group.look() or claims, what="it may claim again")


class Worker:
    """`benchweather ingest` in a process of its own."""

    def __init__(self, folder, environment):
        self.log = folder.with_suffix(".log")
        self._environment = environment | {"BENCHWEATHER_DATA": str(folder)}

    def start(self):
        with self.log.open("w") as log:
            self.child = subprocess.Popen(
                [sys.executable, "-m", "monitor", "ingest"],
                cwd=ROOT,
                env=self._environment,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        until(self._ready, what="the worker is ready")

    def _ready(self):
        text = self.log.read_text()
        assert self.child.poll() is None, text
        return "of the group shop" in text


@pytest.mark.broker
@pytest.mark.slow
def test_a_worker_killed_in_mid_stream_loses_nothing_and_doubles_nothing(
    mosquitto, postgresql_server, make_service, tmp_path
):
    environment = make_service(broker_url=mosquitto.url).environment
    store = postgresql_server.address()
    environment |= {"BENCHWEATHER_STORE__URL": store, "BENCHWEATHER_BROKER__GROUP": "shop"}
    workers = [Worker(tmp_path / name, environment) for name in ("one", "two")]
    with ExitStack() as parts:
        for one in workers:
            one.start()
            parts.callback(lambda one=one: one.child.poll() is None and one.child.kill())
        load_ = Load(mosquitto.port, count=1600, per_s=600)
        load_.start()
        load_.goes_on(300)
        workers[0].child.kill()
        workers[0].child.wait()
        load_.goes_on(300)
        workers[0].start()
        load_.join()
        wanted = load_.acknowledged - {-1}
        until(lambda: wanted <= set(stored_numbers(store)), what="all are stored")
        assert len(wanted) > 1400
        assert {n: k for n, k in stored_numbers(store).items() if k > 1} == {}
        with closing(Reader(store)) as reader:
            assert rollups.recount(reader, 0, EVER_MS).disagreements == []
        for one in workers:
            one.child.terminate()
            assert one.child.wait(60) == 0, one.log.read_text()
            (messages,) = re.findall(r"messages=(\d+)", one.log.read_text())
            assert int(messages) > 100, "both took part"
