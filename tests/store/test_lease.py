"""The lease of a store: one service at a time holds it, and who lost it writes and sends nothing."""

from __future__ import annotations

import threading
from contextlib import ExitStack, closing

import pytest
from conftest import until
from pydantic import SecretStr
from receivers import Webhook

from monitor.alerting.notifications.outbox_worker import OutboxWorker
from monitor.core.errors import LeaseLost, SettingsFault, StoreUnavailable
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.events import About, Event
from monitor.domain.notification import Notice
from monitor.service.standby import Standby
from monitor.settings import load
from monitor.settings.outside_groups import NoticeChannel
from monitor.store import Writer, connection, journal, lease, outbox
from monitor.store.connection import Fence

T0 = 1_790_000_000_000
READING = Reading(Series("bench", "a1", Quantity.HUMIDITY), T0, 26.0)


@pytest.fixture
def two(postgresql_server):
    """Writers of two services with one store, of which each may take the lease."""
    address = postgresql_server.address()
    with closing(Writer(address)) as first, closing(Writer(address)) as second:
        yield first, second


def take(writer, name):
    """Take the lease and write under its number."""
    writer.connection.fence = None  # a service takes it by a connection of its own
    held = lease.take(writer.connection, name, f"{name}-session")
    if held is not None:
        writer.claim(Fence(held.number))
    return held


def expire(monkeypatch, writer):
    """Let the lease run out at once, as its holder does not renew it."""
    monkeypatch.setattr(lease, "LEASE_MS", -1)
    assert lease.renew(writer.connection, writer.connection.fence.number)
    monkeypatch.undo()


def test_one_service_holds_the_lease_and_its_session_passes_with_it(two, monkeypatch):
    first, second = two
    assert take(first, "a") == (1, "a-session")
    assert take(second, "b") is None
    assert lease.holder(second.connection) == "a"
    assert lease.renew(first.connection, 1)
    expire(monkeypatch, first)
    assert take(second, "b") == (2, "a-session")
    assert not lease.renew(first.connection, 1)
    lease.give_back(first.connection, 1)  # of no use to who lost it
    assert take(first, "a") is None
    lease.give_back(second.connection, 2)
    assert take(first, "a").number == 3


def test_who_lost_the_lease_writes_nothing(two, monkeypatch):
    first, second = two
    take(first, "a")
    first.write([READING])
    expire(monkeypatch, first)
    take(second, "b")
    event = Event(About.ALERT, "1", T0, "", "raise", {})
    notice = Notice("n1", T0, T0, 2, "Dry", "26 % RH")
    with pytest.raises(LeaseLost, match="another service has taken over"):
        first.write([READING._replace(ts_ms=T0 + 1)])

    def tell():
        with first.connection.transaction() as run:
            journal.append(run, [event])
            outbox.add(run, [notice], ["mail"])

    with pytest.raises(LeaseLost):
        tell()
    assert first.connection.fence.lost
    counts = "SELECT (SELECT count(*) FROM reading), (SELECT count(*) FROM event)"
    assert second.connection.row(counts) == (1, 0)
    assert outbox.tally(second) == {}
    with second.connection.transaction() as run:
        journal.append(run, [event])
    assert second.connection.row(counts) == (1, 1)


def test_a_notice_is_not_sent_by_who_lost_the_lease(two, monkeypatch):
    first, second = two
    take(first, "a")
    with Webhook().open() as hook:
        channel = NoticeChannel(id="hook", url=SecretStr(hook.url))
        with first.connection.transaction() as run:
            outbox.add(run, [Notice("n1", T0, T0, 2, "Dry", "26 % RH")], ["hook"])
        expire(monkeypatch, first)
        take(second, "b")
        with pytest.raises(LeaseLost):
            OutboxWorker(first, [channel]).send_next(T0)
        assert hook.posts == []
        assert OutboxWorker(second, [channel]).send_next(T0)
        assert len(hook.posts) == 1


def test_the_lease_does_not_pass_while_a_transaction_of_its_holder_is_open(two, monkeypatch):
    first, second = two
    take(first, "a")
    expire(monkeypatch, first)
    inside, go_on = threading.Event(), threading.Event()

    def frozen():
        with first.connection.transaction() as run:
            inside.set()
            assert go_on.wait(60)
            journal.append(run, [Event(About.ALERT, "1", T0, "", "raise", {})])

    thread = threading.Thread(target=frozen)
    thread.start()
    assert inside.wait(60)
    second.connection.raw.execute("SET lock_timeout = 200")
    with pytest.raises(StoreUnavailable):
        take(second, "b")
    go_on.set()
    thread.join(60)
    assert take(second, "b").number == 2
    assert second.connection.row("SELECT count(*) FROM event") == (1,), "it was still the holder's"


def test_services_that_standby_keep_others_away(two, postgresql_server):
    first, second = two
    take(first, "a")
    second.claim(Fence(1))  # of the same kind
    with closing(Writer(first.address)) as third:
        with pytest.raises(StoreUnavailable, match="start both with --standby"):
            third.claim()
        first.close()
        second.close()
        postgresql_server.until_left(first.address)
        third.claim()
        with (
            closing(connection.opened(first.address, read_only=False)) as fourth,
            pytest.raises(StoreUnavailable),
        ):
            fourth.claim(standby=True)


def test_a_service_waits_for_the_lease_and_gives_it_back(postgresql_server, monkeypatch, tmp_path):
    monkeypatch.setattr("monitor.service.standby.ASK_S", 0.02)
    environ = {
        "BENCHWEATHER_STORE__URL": postgresql_server.address(),
        "BENCHWEATHER_BROKER__URL": "mqtt://127.0.0.1:1",
    }
    told = type("Told", (), {"ready": lambda *_: None, "alive": lambda *_: None})()
    stop, done = threading.Event(), []
    with ExitStack() as parts:
        services = [
            Standby(load(data=tmp_path / name, environ=environ)) for name in ("one", "two")
        ]
        for one in services:
            parts.callback(one.release)
        assert services[0].wait(stop, told)
        thread = threading.Thread(target=lambda: done.append(services[1].wait(stop, told)))
        thread.start()
        with closing(Writer(environ["BENCHWEATHER_STORE__URL"])) as writer:
            assert lease.holder(writer.connection).endswith("/one")
            services[0].release()
            until(lambda: done == [True], what="the second holds it")
            assert lease.holder(writer.connection).endswith("/two")
        assert services[1].client_id == services[0].client_id
        thread.join()


def test_a_service_without_a_shared_store_and_broker_cannot_standby(tmp_path):
    for environ in ({}, {"BENCHWEATHER_BROKER__URL": "mqtt://127.0.0.1:1"}):
        with pytest.raises(SettingsFault, match="needs a database"):
            Standby(load(data=tmp_path, environ=environ))
