"""Requests to a service by a table of its database: once, with the change, or not at all."""

from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager

import pytest
from conftest import until
from one_schema import statements  # noqa: F401 - watches each test

from monitor.commands import Commands, ipc, link
from monitor.commands.settings import DecideSettings
from monitor.core.clock import now_ms
from monitor.core.errors import LeaseLost, Rejected, StoreUnavailable
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.events import About
from monitor.runtime import heartbeat
from monitor.runtime.heartbeat import Heartbeat
from monitor.settings import load
from monitor.settings.change import SettingsFile
from monitor.store import Reader, Writer, heartbeats, requests
from monitor.store.connection import Fence
from monitor.store.documents import documents_of
from monitor.store.journal import events_about

psycopg = pytest.importorskip("psycopg", reason="pip install '.[postgresql]'")
DEEP = '{"about": ' + "[" * 700 + "]" * 700 + "}"
"""Can be read, but not copied with all its parts."""
LONG_S = 60.0
"""Patience of who is answered in the end, however busy the computer is. [s]"""
REGISTER = {"about": "instrument", "do": "register", "kind": "violin", "place": "bench"}


@pytest.fixture
def shop(postgresql_server, tmp_path):
    """Settings of a shop in a database, on a computer without its service."""
    address = postgresql_server.emptied()
    with closing(Writer(address)) as writer:
        writer.write([Reading(Series("bench", "a1", Quantity.TEMPERATURE), now_ms(), 20.0)])
    return load(data=tmp_path, environ={"BENCHWEATHER_STORE__URL": address})


@contextmanager
def service(shop, places=lambda: ["bench"], beat=lambda: None, settings=None):
    """A service that carries out what is asked by the table, and how often it began to."""
    begun = []
    with closing(Writer(shop.store_address)) as writer:
        commands = Commands(writer, places=places, settings=settings)

        def handle(command, also):
            begun.append(command)
            return commands.carry_out(command, now_ms(), also)

        one = link.TableLink(writer, handle, beat)
        one.start()
        try:
            yield writer, begun
        finally:
            one.stop()


def references(shop):
    """Instruments by the journal, each as often as it was registered."""
    with closing(Reader(shop.store_address)) as reader:
        events, _ = events_about(reader.connection, About.INSTRUMENT)
    return sorted(event.body["reference"] for event in events)


def rows(shop):
    with closing(Writer(shop.store_address)) as writer:
        return writer.connection.rows("SELECT request_id, answer FROM request")


def test_a_request_is_carried_out_once_however_often_it_comes(shop):
    with service(shop):
        command = REGISTER | {"reference": "VN-1", "by": "anna", "id": "tap-1"}
        first = link.ask(shop, command, LONG_S)
        assert link.ask(shop, command, LONG_S) == first
        with pytest.raises(Rejected, match="one of bench") as refused:
            link.ask(shop, command | {"id": "tap-2", "place": "attic"}, LONG_S)
        assert refused.value.faults[0].field == "place"
        with ThreadPoolExecutor(8) as boards:
            wanted = [f"VN-{i}" for i in range(2, 10)]
            answers = list(
                boards.map(
                    lambda one: link.ask(shop, REGISTER | {"reference": one}, LONG_S), wanted
                )
            )
    assert len({answer["instrument"] for answer in [first, *answers]}) == 9
    assert references(shop) == ["VN-1", *wanted]
    with closing(Reader(shop.store_address)) as reader:
        assert events_about(reader.connection, About.INSTRUMENT)[0][0].by == "anna"
    assert rows(shop) == []


def test_without_a_service_a_request_is_never_carried_out(shop):
    with pytest.raises(ipc.ServiceUnavailable, match=r"no service answered within 0\.5 s"):
        link.ask(shop, REGISTER | {"reference": "VN-1"}, patience_s=0.5)
    with service(shop) as (_, begun):
        assert link.ask(shop, REGISTER | {"reference": "VN-2"}, LONG_S)
        assert len(begun) == 1
    assert references(shop) == ["VN-2"]


def test_a_request_of_a_board_that_died_is_not_begun_late(shop):
    with closing(Writer(shop.store_address)) as writer:
        store = writer.connection

        def age(name, by_ms):
            with store.transaction() as run:
                run.execute(
                    "UPDATE request SET made_ms = made_ms - ? WHERE request_id = ?", (by_ms, name)
                )

        for name in ("old", "new"):
            requests.put(store, name, json.dumps(REGISTER | {"reference": name}))
        age("old", 11_000)
        with service(shop):
            until(lambda: requests.answer_to(store, "new"), what="the new one is answered")
        assert requests.answer_to(store, "old") is None
        age("old", 3_600_000)
        with store.transaction() as run:
            requests.forget(run)
    assert references(shop) == ["new"]
    assert [name for name, _ in rows(shop)] == ["new"]


def test_a_request_that_nobody_waits_for_any_more_changes_nothing(shop):
    gate, reached = threading.Event(), threading.Event()

    def places():
        reached.set()
        gate.wait(60)
        return ["bench"]

    with service(shop, places) as (_, begun):
        with pytest.raises(ipc.ServiceUnavailable):
            link.ask(shop, REGISTER | {"reference": "VN-1", "id": "tap-1"}, patience_s=0.2)
        assert reached.wait(60)
        gate.set()
        assert link.ask(shop, REGISTER | {"reference": "VN-2"}, LONG_S)
        assert references(shop) == ["VN-2"]
        link.ask(shop, REGISTER | {"reference": "VN-1", "id": "tap-1"}, LONG_S)
        assert len(begun) == 3
    assert references(shop) == ["VN-1", "VN-2"]


def test_no_file_is_changed_for_a_request_that_nobody_waits_for_any_more(shop):
    file = SettingsFile(shop)
    one = {"path": ["shop", "name"], "value": "Quay"}
    command = {"about": "settings", "do": "change", "version": shop.version, "set": [one]}
    gate, reached = threading.Event(), threading.Event()

    def places():
        reached.set()
        gate.wait(60)
        return ["bench"]

    with service(shop, places, settings=DecideSettings(file)):
        with pytest.raises(ipc.ServiceUnavailable):
            link.ask(shop, command, patience_s=0.2)
        assert reached.wait(60)
        gate.set()
        link.ask(shop, REGISTER | {"reference": "VN-1"}, LONG_S)
        assert not file.path.exists()
        assert link.ask(shop, command, LONG_S)["change"] == 1
    assert "Quay" in file.path.read_text()


def test_who_lost_the_lease_neither_carries_out_nor_answers(shop):
    gate, reached = threading.Event(), threading.Event()

    def places():
        reached.set()
        gate.wait(60)
        return ["bench"]

    with service(shop, places) as (writer, _), ThreadPoolExecutor(1) as board:
        asked = board.submit(link.ask, shop, REGISTER | {"reference": "VN-1"})
        assert reached.wait(60)
        writer.connection.fence = Fence(1)  # of a lease that nobody has: as after a takeover
        gate.set()
        with pytest.raises(LeaseLost):
            writer.connection.check_lease()
        assert references(shop) == []
        with service(shop):
            assert asked.result(LONG_S)["instrument"]
    assert references(shop) == ["VN-1"]


@pytest.mark.parametrize(
    "body", ["", "[]", "{", '"x"', "[" * 100_000, '{"about": 3}', DEEP, '{"about": NaN}']
)
def test_what_is_not_a_command_is_rejected(shop, body):
    with service(shop) as (writer, _):
        requests.put(writer.connection, "odd", body)
        until(lambda: requests.answer_to(writer.connection, "odd"), what="it is answered")
        assert "rejected" in json.loads(requests.withdraw(writer.connection, "odd"))
        assert link.ask(shop, REGISTER | {"reference": "VN-1"}, LONG_S)


def test_an_answer_that_cannot_be_written_keeps_nobody_else_waiting(shop, monkeypatch):
    ours = json.dumps

    def dumps(value):
        if "odd" in repr(value):
            raise RecursionError
        return ours(value)

    monkeypatch.setattr(link.json, "dumps", dumps)
    with service(shop) as (writer, begun):
        requests.put(writer.connection, "odd", '{"about": "odd"}')
        until(lambda: begun, what="it is begun")
        assert link.ask(shop, REGISTER | {"reference": "VN-1"}, LONG_S)
        assert len(begun) == 2


@pytest.mark.slow
def test_what_an_asker_was_told_holds_also_when_the_database_was_restarted(
    shop, postgresql_server
):
    with ThreadPoolExecutor(1) as board:
        asked = board.submit(link.ask, shop, REGISTER | {"reference": "VN-1"}, LONG_S)
        with closing(Writer(shop.store_address)) as writer:
            until(lambda: requests.open_ones(writer.connection), what="it is asked")
        postgresql_server.stop()
        postgresql_server.start()
        with service(shop):
            assert asked.result(LONG_S)["instrument"] == "vn-1"
    assert references(shop) == ["VN-1"]
    assert rows(shop) == []


def test_a_request_whose_database_stays_away_is_not_called_undone(
    shop, postgresql_server, monkeypatch
):
    monkeypatch.setattr(ipc, "PATIENCE_S", 0.5)
    with ThreadPoolExecutor(1) as board, closing(Writer(shop.store_address)) as writer:
        asked = board.submit(link.ask, shop, REGISTER | {"reference": "VN-1"}, 0.5)
        until(lambda: requests.open_ones(writer.connection), what="it is asked")
        postgresql_server.stop()
        try:
            with pytest.raises(StoreUnavailable, match="not known whether the change was stored"):
                asked.result(LONG_S)
        finally:
            postgresql_server.start()


def test_who_hangs_while_removing_a_request_holds_nobody_up(shop):
    with psycopg.connect(shop.store_address) as hanging, service(shop) as (writer, begun):
        link.ask(shop, REGISTER | {"reference": "VN-1"}, LONG_S)
        with writer.connection.alone():  # so that it does not begin before it is removed
            with closing(Writer(shop.store_address)) as board:
                requests.put(board.connection, "odd", json.dumps(REGISTER | {"reference": "VN-2"}))
            hanging.execute("SELECT request_answer('odd', true)")
        until(lambda: len(begun) == 2, what="it is begun")
        assert link.ask(shop, REGISTER | {"reference": "VN-3"}, LONG_S)
        assert link.ask(shop, REGISTER | {"reference": "VN-4"}, LONG_S)
    assert references(shop) == ["VN-1", "VN-3", "VN-4"]


def test_requests_are_answered_again_after_the_connection_was_cut(shop, postgresql_server):
    with service(shop) as (writer, _):
        assert link.ask(shop, REGISTER | {"reference": "VN-1"}, LONG_S)
        for (pid,) in writer.connection.rows(
            "SELECT pid FROM pg_stat_activity WHERE usename = 'owner' AND pid <> pg_backend_pid()"
        ):
            postgresql_server.cut(pid)
        assert link.ask(shop, REGISTER | {"reference": "VN-2"}, LONG_S)
    assert references(shop) == ["VN-1", "VN-2"]


def test_the_heartbeat_is_seen_from_another_computer_with_its_age(shop, tmp_path):
    assert heartbeats.last(shop) is None
    assert link.is_down(shop)
    beat = Heartbeat(beat_ms=1, started_ms=1, pid=7, demo=False, store_trouble="full")
    with service(shop, beat=lambda: beat):
        until(lambda: heartbeats.last(shop), what="the heartbeat is there")
        seen = heartbeats.last(shop)
        assert (seen.pid, seen.store_trouble, seen.late()) == (7, "full", False)
        assert not link.is_down(shop)
    near = Heartbeat(beat_ms=now_ms(), started_ms=1, pid=8)
    heartbeat.write(shop.heartbeat_path, near)
    assert heartbeats.last(shop).pid == 8, "that of the service beside it"
    heartbeat.write(shop.heartbeat_path, Heartbeat(beat_ms=1, started_ms=1, pid=8))
    assert heartbeats.last(shop).pid == 7


def test_documents_of_a_database_and_of_a_folder_are_alike(shop, tmp_path):
    for home in (documents_of(shop), documents_of(load(data=tmp_path / "b", environ={}))):
        (tmp_path / "b").mkdir(exist_ok=True)
        assert home.stamp("plan.json") == 0
        with pytest.raises(FileNotFoundError):
            home.read("plan.json")
        stamps = []
        for body in ("one", "", "é\n"):
            home.put("plan.json", body)
            assert home.read("plan.json") == body
            stamps.append(home.stamp("plan.json"))
        assert stamps == sorted(stamps)
        assert stamps[0] > 0
