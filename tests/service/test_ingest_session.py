"""The ingest's session moves to another client id with all that waits in it, at a real broker."""

from __future__ import annotations

import contextlib
import json
import socket

import pytest
from conftest import free_port, until

from monitor.mqtt.accounts import AccessRules
from monitor.mqtt.client import Address, Publisher, Subscription
from monitor.mqtt.embedded_broker import EmbeddedBroker, ingest_account
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.service import ingest_session
from monitor.service.ingest_session import FORMER_ID, IngestSession, take_over
from monitor.store import Reader, Writer

pytestmark = pytest.mark.broker
FILTERS = tuple(Contract().filters)


@pytest.fixture
def at_broker(request, tmp_path):
    """The ingest's address, and one for a sensor."""
    if request.param == "mosquitto":
        running = request.getfixturevalue("mosquitto")
        yield (Address("127.0.0.1", running.port),) * 2
        return
    door = ingest_account()
    broker = EmbeddedBroker(
        tmp_path / "broker",
        "127.0.0.1",
        free_port(),
        ingest=door,
        rules=AccessRules(FILTERS),
        anonymous=True,
    )
    broker.start()
    yield (
        Address("127.0.0.1", broker.port, door.user, door.password),
        Address("127.0.0.1", broker.port),
    )
    broker.stop()


def publish(address, numbers):
    publisher = Publisher(address)
    publisher.connect(60)
    for number in numbers:
        pack = json.dumps([{"u": "Cel", "v": 20, "t": 1.7e9 + number}]).encode()
        publisher.publish("benchweather/bench/a1", pack)(10)
    publisher.close()


def waiting(address, client_id):
    """Messages that wait in a session."""
    subscription, got = Subscription(address, FILTERS, client_id), []
    until(lambda: got.extend(subscription.take(1000, 0.1)) or subscription.connected)
    got += subscription.take(1000, 1)
    subscription.close()
    return got


def test_a_spare_port_that_another_program_takes_first_is_not_the_end(tmp_path, monkeypatch):
    door = ingest_account()
    rules = AccessRules(FILTERS)
    broker = EmbeddedBroker(tmp_path / "b", "127.0.0.1", free_port(), ingest=door, rules=rules)
    address = Address("127.0.0.1", broker.port, door.user, door.password)
    session = IngestSession(tmp_path / "session.json", "", "of-its-own", FILTERS)
    with socket.socket() as faster:  # it has the port, though nothing answers there
        faster.bind(("127.0.0.1", 0))
        ports = iter([faster.getsockname()[1], free_port()])
        monkeypatch.setattr(ingest_session, "spare_port", lambda _: next(ports))
        ingest_session.admit_first(broker, address, session)
    assert session.mark.exists()
    assert not broker.running()


@pytest.mark.parametrize("at_broker", ["embedded", "mosquitto"], indirect=True)
def test_what_waits_under_the_former_client_id_is_stored_and_its_session_ends(at_broker, tmp_path):
    own, sensor = at_broker
    assert waiting(own, FORMER_ID) == []
    publish(sensor, range(1200))  # while the service is being renewed; more than are in flight
    session = IngestSession(tmp_path / "session.json", "", "of-its-own", FILTERS)
    assert session.former_id(used_before=False, configured_id="") == ""
    former = session.former_id(used_before=True, configured_id="")
    assert former == FORMER_ID
    with contextlib.closing(Writer(tmp_path / "readings.sqlite3")) as writer:
        ingest = Ingest(Subscription(own, FILTERS, "of-its-own"), Contract(), writer)
        take_over(ingest, own, session, former)
        with contextlib.closing(Reader(tmp_path / "readings.sqlite3")) as reader:
            assert reader.tallies()["readings"] == 1200
        ingest.subscription.close()
    assert session.is_known()
    assert session.former_id(used_before=True, configured_id="") == ""
    publish(sensor, [5000])
    assert len(waiting(own, "of-its-own")) == 1, "the new session has all that comes now"
    assert waiting(own, FORMER_ID) == [], "nothing is collected for the former one"


def test_another_id_in_the_settings_moves_the_session_at_the_same_broker_only(tmp_path):
    mark = tmp_path / "session.json"
    IngestSession(mark, "mqtt://a:1883", "first", FILTERS).note()
    same = IngestSession(mark, "mqtt://a:1883", "second", FILTERS)
    other = IngestSession(mark, "mqtt://b:1883", "second", FILTERS)
    assert same.former_id(used_before=True, configured_id="second") == "first"
    assert other.former_id(used_before=True, configured_id="second") == ""
    assert mark.stat().st_mode & 0o077 == 0
    mark.write_text("[[[")
    assert same.former_id(used_before=True, configured_id="second") == ""
