"""The embedded broker as it runs here: who may do what, and what it keeps."""

from __future__ import annotations

import random
import shutil
import socket
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from conftest import free_port, needs, until

from monitor.core.errors import BrokerFault, BrokerUnavailable
from monitor.domain.topic_rules import AGENT_FILTER, COMMAND_FILTER, FORECAST_FILTER
from monitor.mqtt import broker_program, client
from monitor.mqtt.accounts import AccessRules, May, add_account, change_password, remove_account
from monitor.mqtt.broker_log import broker_refusals, log_size
from monitor.mqtt.client import Address, Publisher, Subscription
from monitor.mqtt.embedded_broker import BrokerAccount, EmbeddedBroker, ingest_account, subjects_of
from monitor.mqtt.mosquitto_broker import MosquittoBroker
from monitor.mqtt.stream_index import drop_false_indexes
from monitor.readings.payload import Contract
from sensors.agent.connection import Link, safe_client_id

pytestmark = pytest.mark.broker
RULES = AccessRules(
    (*Contract().filters, "gate/#", "büro/+"),
    (COMMAND_FILTER, FORECAST_FILTER),
    ("benchweather/bench/wait/+/state",),
    (AGENT_FILTER,),
)


BOTH = pytest.mark.parametrize("make", ["nats-server", "mosquitto"], indirect=True)


@pytest.fixture
def make(request, tmp_path):
    """Starts brokers: of the program that is installed with us, or a mosquitto of this machine."""
    made, mosquitto = [], getattr(request, "param", "") == "mosquitto"
    kind = MosquittoBroker if mosquitto else EmbeddedBroker
    more = {"program": needs("mosquitto", "mosquitto")} if mosquitto else {}

    def start(*accounts, anonymous=True, port=None, door=None):
        door = door or ingest_account()
        broker = kind(
            tmp_path / "broker",
            "127.0.0.1",
            port or free_port(),
            **more,
            ingest=door,
            rules=RULES,
            accounts=accounts,
            anonymous=anonymous,
            accounts_file=tmp_path / "accounts.json",
        )
        broker.start()
        made.append(broker)
        return broker, Address("127.0.0.1", broker.port, door.user, door.password)

    yield start
    for broker in made:
        broker.stop()


def listening(address, filters=("benchweather/+/+", "gate/#", "büro/+"), client_id="ingest"):
    subscription = Subscription(address, filters, client_id)
    early = []
    until(lambda: early.extend(subscription.take(1000, 0.05)) or subscription.connected)
    subscription.early = early
    return subscription


def gather(subscription, count):
    got = list(getattr(subscription, "early", []))
    until(lambda: got.extend(subscription.take(1000, 0.05)) or len(got) >= count)
    return got


def send(port, topic, payload=b"x", user="", password=""):
    publisher = Publisher(Address("127.0.0.1", port, user, password))
    publisher.connect(60)
    publisher.publish(topic, payload)(5)
    publisher.close()


@pytest.mark.parametrize(
    ("topic_filter", "subjects"),
    [
        ("a/b", ["a.b"]),
        ("benchweather/+/+", ["benchweather.*.*"]),
        ("gate/#", ["gate.>", "gate"]),
        ("v1.2/x", ["v1//2.x"]),
    ],
)
def test_a_topic_filter_becomes_the_brokers_subjects(topic_filter, subjects):
    # Source: the broker's own documentation of its MQTT topic mapping. From memory, and shown to
    # hold by the tests below, which publish under such filters.
    assert subjects_of(topic_filter) == subjects


@BOTH
def test_anyone_on_this_machine_may_publish_under_the_contract(make):
    broker, address = make()
    subscription = listening(address)
    send(broker.port, "benchweather/bench/a.1", b"dotted")
    send(broker.port, "gate/x/y", b"gate")
    send(broker.port, "büro/x", b"letters beyond ASCII")
    got = gather(subscription, 3)
    assert {a.topic: a.payload for a in got} == {
        "benchweather/bench/a.1": b"dotted",
        "gate/x/y": b"gate",
        "büro/x": b"letters beyond ASCII",
    }
    subscription.close()


@BOTH
@pytest.mark.parametrize("topic", ["elsewhere/x", "$JS/API/STREAM/NAMES", "benchweather/a/b/c"])
def test_nothing_is_carried_outside_the_contract(make, topic):
    broker, address = make()
    subscription = listening(address)
    send(broker.port, topic)
    send(broker.port, "benchweather/bench/a1", b"last")
    (arrival,) = gather(subscription, 1)
    assert arrival.payload == b"last"
    subscription.close()


def test_a_sensor_may_not_listen(make):
    broker, _ = make()
    subscription = Subscription(Address("127.0.0.1", broker.port), ["benchweather/+/+"], "nosy")
    until(lambda: subscription.take(1, 0.05) or "may not read" in subscription.trouble)
    subscription.close()


@BOTH
def test_a_sensor_with_a_wrong_password_is_not_let_in(make):
    broker, _ = make(BrokerAccount("shop", "right"), anonymous=False)
    for user, password in (("shop", "wrong"), ("", ""), ("ingest", "guess")):
        with pytest.raises(BrokerUnavailable, match=r"rejected|no answer"):
            Publisher(Address("127.0.0.1", broker.port, user, password)).connect(1.5)
    send(broker.port, "benchweather/a/b", user="shop", password="right")


COMMAND = "benchweather/bench/wait/do"


def stops(broker, user, password):
    with pytest.raises(BrokerUnavailable, match=r"rejected|no answer"):
        Publisher(Address("127.0.0.1", broker.port, user, password)).connect(1.5)


def test_only_an_account_for_commands_may_send_them_and_read_states(make):
    broker, address = make(
        BrokerAccount("shop", "right"), BrokerAccount("button", "pressed", May.COMMANDS)
    )
    subscription = listening(address, (*RULES.readings, *RULES.commands))
    for user, password in (("", ""), ("shop", "right")):
        for topic in (
            COMMAND,
            "benchweather/weather/x/forecast",
            "benchweather/bench/wait/1/state",
        ):
            send(broker.port, topic, b"forged", user=user, password=password)
    will = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    will.will_set(COMMAND, b"forged", qos=1)
    will.connect("127.0.0.1", broker.port)
    will.loop_start()
    until(will.is_connected)
    will.socket().close()  # without a word: the broker publishes its will
    will.loop_stop()
    send(broker.port, COMMAND, b"pressed", user="button", password="pressed")
    assert [a.payload for a in gather(subscription, 1)] == [b"pressed"]
    send(broker.port, "benchweather/bench/a1", b"last", user="shop", password="right")
    assert [a.payload for a in gather(subscription, 1)][-1:] == [b"last"]
    for user, password, allowed in (
        ("", "", False),
        ("shop", "right", False),
        ("button", "pressed", True),
    ):
        nosy = Subscription(
            Address("127.0.0.1", broker.port, user, password), RULES.states, f"nosy{user}"
        )
        until(lambda n=nosy: n.take(1, 0.05) or n.connected or "may not read" in n.trouble)
        assert nosy.connected is allowed
        nosy.close()
    subscription.close()


def test_accounts_are_followed_while_the_broker_runs_and_the_ingest_stays(make, tmp_path):
    broker, address = make(anonymous=False)
    subscription = listening(address)
    accounts = tmp_path / "accounts.json"
    stops(broker, "", "")
    password = add_account(accounts, "attic", May.READINGS)
    broker.follow_accounts()
    until(lambda: "Reloaded server" in broker._log.read_text())
    send(broker.port, "benchweather/attic/a1", b"1", user="attic", password=password)
    assert [a.payload for a in gather(subscription, 1)] == [b"1"]
    changed = change_password(accounts, "attic")
    broker.follow_accounts()
    until(lambda: broker._log.read_text().count("Reloaded server") == 2)
    stops(broker, "attic", password)
    send(broker.port, "benchweather/attic/a1", b"2", user="attic", password=changed)
    remove_account(accounts, "attic")
    broker.follow_accounts()
    until(lambda: broker._log.read_text().count("Reloaded server") == 3)
    stops(broker, "attic", changed)
    subscription.early = []
    assert [a.payload for a in gather(subscription, 1)] == [b"2"]
    assert subscription._connection == 1
    assert accounts.stat().st_mode & 0o077 == 0
    subscription.close()


@pytest.mark.parametrize("make", ["mosquitto"], indirect=True)
def test_mosquitto_follows_accounts_too(make, tmp_path):
    broker, address = make(anonymous=False)
    subscription = listening(address)
    accounts = tmp_path / "accounts.json"
    password = add_account(accounts, "attic", May.READINGS)
    broker.follow_accounts()
    until(lambda: may_sign_in(broker, "attic", password))
    send(broker.port, "benchweather/attic/a1", b"1", user="attic", password=password)
    assert [a.payload for a in gather(subscription, 1)] == [b"1"]
    remove_account(accounts, "attic")
    broker.follow_accounts()
    until(lambda: not may_sign_in(broker, "attic", password))
    assert subscription._connection == 1
    subscription.close()


def may_sign_in(broker, user, password):
    publisher = Publisher(Address("127.0.0.1", broker.port, user, password))
    try:
        publisher.connect(3)
    except BrokerUnavailable:
        return False
    finally:
        publisher.close()
    return True


@BOTH
def test_what_nobody_acknowledged_survives_a_kill_of_the_broker(make):
    door, port = ingest_account(), free_port()
    broker, address = make(port=port, door=door)
    listening(address).close()
    for i in range(20):
        send(port, "benchweather/bench/a1", str(i).encode())
    if isinstance(broker, MosquittoBroker):  # writes some ms after it has acknowledged
        until(lambda: broker.kept.read_bytes().count(b"benchweather/bench/a1") >= 20)
    broker._child.kill()
    broker._child.wait()
    make(port=port, door=door)
    subscription = listening(address)
    got = gather(subscription, 20)
    assert [int(a.payload) for a in got] == list(range(20))
    subscription.close()


def test_after_a_torn_write_nothing_is_lost_that_waits_or_comes(make):
    def sent(numbers):
        publisher = Publisher(Address("127.0.0.1", port))
        publisher.connect(60)
        for number in numbers:
            publisher.publish("benchweather/bench/a1", str(number).encode())(60)
        publisher.close()

    door, port = ingest_account(), free_port()
    broker, address = make(port=port, door=door)
    listening(address).close()
    broker.stop()  # writes the index of each stream while it is empty
    broker, _ = make(port=port, door=door)
    sent(range(40))
    broker._child.kill()
    broker._child.wait()
    indexes = sorted(broker.kept.glob("*/streams/*/msgs/index.db"))
    drop_false_indexes(broker.kept)
    assert len(indexes) == 5, "each stream has one"
    assert all(index.exists() for index in indexes), "none is false without a torn write"
    (block,) = broker.kept.glob("*/streams/$MQTT_msgs/msgs/1.blk")
    with block.open("r+b") as file:
        record = file.read(40)
        file.seek(0, 2)
        file.write(record + bytes(84))  # the rest of it never reached the disk
    broker, _ = make(port=port, door=door)
    sent(range(40, 80))
    subscription = listening(address)
    got = gather(subscription, 80)
    assert [int(a.payload) for a in got] == list(range(80))
    subscription.close()


@BOTH
def test_a_taken_port_is_told_with_what_to_do(make):
    broker, _ = make()
    with pytest.raises(BrokerFault, match=rf"port {broker.port} .* is taken .* set broker.port"):
        make(port=broker.port)


def failing(tmp_path, **more):
    return EmbeddedBroker(
        tmp_path / "broker",
        "127.0.0.1",
        free_port(),
        ingest=ingest_account(),
        rules=AccessRules(()),
        **more,
    )


def test_a_broker_that_cannot_start_is_told_with_its_last_words(tmp_path):
    (tmp_path / "broker").mkdir()
    (tmp_path / "broker" / "jetstream").write_text("a file where its folder should be")
    with pytest.raises(BrokerFault, match=r"did not start: .*not a directory"):
        failing(tmp_path).start()


def test_its_last_words_are_of_this_start_and_no_earlier_one(tmp_path, monkeypatch):
    (tmp_path / "broker").mkdir()
    log = tmp_path / "broker" / "broker.log"
    log.write_text("[1] 2026/01/01 00:00:00 [FTL] an older matter\n")
    bad = tmp_path / "cert.pem"
    bad.write_text("no certificate")
    with pytest.raises(BrokerFault, match=r"did not start: .*certificate") as told:
        failing(tmp_path, cert_file=bad, key_file=bad).start()
    assert "older matter" not in str(told.value)
    assert "older matter" in log.read_text()
    monkeypatch.setattr(
        "monitor.mqtt.embedded_broker.shipped_program", lambda: needs("true", "coreutils")
    )
    with pytest.raises(BrokerFault, match="did not start: it wrote nothing into its log"):
        failing(tmp_path).start()


def test_its_password_file_is_private(make, tmp_path):
    _, address = make(BrokerAccount("shop", "secret"))
    file = tmp_path / "broker" / "broker.conf"
    assert file.stat().st_mode & 0o077 == 0
    assert '"secret"' not in file.read_text()
    assert address.password not in file.read_text()


def test_passwords_do_not_show_when_an_address_is_printed():
    assert "secret" not in repr(Address("h", 1, "u", "secret")) + repr(
        BrokerAccount("u", "secret")
    )
    assert "secret" not in str(Address("h", 1, "u", "secret"))


@BOTH
def test_malformed_packets_leave_it_running(make):
    broker, address = make()
    subscription = listening(address)
    source = random.Random(20261125)
    for _ in range(200):
        with socket.create_connection(("127.0.0.1", broker.port)) as raw:
            raw.sendall(bytes(source.randrange(256) for _ in range(source.randrange(1, 60))))
    send(broker.port, "benchweather/bench/a1", b"alive")
    assert [a.payload for a in gather(subscription, 1)] == [b"alive"]
    assert broker.running()
    subscription.close()


@BOTH
def test_the_subscription_comes_back_after_the_broker_was_away(make):
    door, port = ingest_account(), free_port()
    broker, address = make(port=port, door=door)
    subscription = listening(address)
    broker.stop()
    until(lambda: subscription.take(1, 0.05) or not subscription.connected)
    make(port=port, door=door)
    until(lambda: subscription.take(1, 0.05) or subscription.connected)
    send(port, "benchweather/bench/a1", b"again")
    assert [a.payload for a in gather(subscription, 1)] == [b"again"]
    subscription.close()


def test_a_rest_while_the_store_is_full_keeps_the_connection_and_what_arrives(
    mosquitto, monkeypatch
):
    monkeypatch.setattr(client, "KEEPALIVE_S", 1)
    address = Address("127.0.0.1", mosquitto.port)
    subscription = Subscription(address, ["benchweather/#"], "rests")
    until(lambda: subscription.take(10, 0.1) is not None and subscription.connected)
    sender = Publisher(address)
    sender.connect()
    ends = time.monotonic() + 5  # well over what an unanswered ping is given
    sent = 0
    while time.monotonic() < ends:
        sender.publish("benchweather/a/b", str(sent).encode())(60)
        sent += 1
        pause = time.monotonic() + 0.2
        while time.monotonic() < pause:
            subscription.rest(0.05)
        assert subscription.connected, subscription.trouble
    got = []
    until(lambda: got.extend(subscription.take(1000, 0.1)) or len(got) >= sent)
    assert [int(arrival.payload) for arrival in got] == list(range(sent))
    assert {arrival.connection for arrival in got} == {1}
    sender.close()
    subscription.close()


def test_the_shipped_program_is_the_one_that_was_tested(tmp_path):
    shipped = Path(broker_program.shipped_program())
    assert broker_program.checksum(str(shipped)) is True, (
        f"{broker_program.version(str(shipped))}: add its checksum after a test"
    )
    altered = tmp_path / shipped.name
    shutil.copy2(shipped, altered)
    with altered.open("ab") as file:
        file.write(b"one byte more"[:1])
    assert broker_program.checksum(str(altered)) is False
    other = tmp_path / "other"
    other.write_text("#!/bin/sh\necho nats-server: v9.9.9\n")
    other.chmod(0o700)
    assert broker_program.checksum(str(other)) is None


def test_what_the_broker_refuses_or_drops_is_told_with_its_client_and_why(make):
    broker, _ = make(BrokerAccount("shop", "right"))
    log = broker.folder / "broker.log"
    before = log_size(log)
    for client_id, user, topic in (
        ("shop.attic", "", "benchweather/a/b"),
        ("odd topic", "", "benchweather/a/b"),
        ("spaced", "", "benchweather/a b/c"),
        ("lost", "", "elsewhere/v1.2/x"),
        ("wrong", "shop", "benchweather/a/b"),
    ):
        client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id, protocol=paho.MQTTv311)
        if user:
            client.username_pw_set(user, "a guess")
        client.connect("127.0.0.1", broker.port)
        client.publish(topic, b"x", qos=1)
        client.loop_start()
        until(lambda c=client_id: c in {one.client_id for one in broker_refusals(log)})
        client.disconnect()
        client.loop_stop()
    told = {one.client_id: one for one in broker_refusals(log, before)}
    assert set(told) == {"shop.attic", "odd topic", "spaced", "lost", "wrong"}
    assert "client id has a '.'" in told["shop.attic"].reason
    assert told["odd topic"].reason == told["shop.attic"].reason
    assert "topic has a space" in told["spaced"].reason
    assert "elsewhere/v1.2/x: the message was acknowledged and dropped" in told["lost"].reason
    assert "password is wrong" in told["wrong"].reason
    assert {one.host for one in told.values()} == {"127.0.0.1"}
    assert abs(told["lost"].last_ms - time.time() * 1000) < 60_000
    assert broker_refusals(log, log_size(log)) == []


@pytest.mark.parametrize("name", ["board-1", "shop.attic.local", "a>b", "a*b", "büro"])
def test_an_agent_of_any_allowed_name_is_let_in(make, name):
    broker, _ = make()
    link = Link(
        Address("127.0.0.1", broker.port),
        safe_client_id(f"agent-{name}"),
        ("benchweather/x/y", b""),
    )
    link.send("benchweather/a/b", b"1")
    until(lambda: link.wait(0.2))
    link.close()


def test_agents_with_similar_names_have_different_client_ids():
    ids = {safe_client_id(name) for name in ("a.b", "a*b", "a-b", "a>b")}
    assert len(ids) == 4
    assert safe_client_id("board-1") == "board-1"
