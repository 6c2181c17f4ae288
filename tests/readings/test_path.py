"""The whole path, as it is used: `benchweather run`, a message from another MQTT client, the page,
the export; and that no acknowledged reading is lost or doubled when things are killed."""

from __future__ import annotations

import csv
import json
import random
import sqlite3
import subprocess
import threading
import time
import urllib.request
from contextlib import closing

import pytest
from conftest import Mosquitto, free_port, mosquitto_pub, needs, until
from numbered_load import Load, check_nothing_lost_or_doubled, connected

from monitor.core.ports import is_listening
from monitor.domain.topic_rules import AGENT_FILTER
from monitor.mqtt.accounts import AccessRules
from monitor.mqtt.client import Address, Publisher
from monitor.mqtt.embedded_broker import BrokerAccount, EmbeddedBroker
from monitor.readings.payload import Contract
from monitor.store import Reader

pytestmark = [pytest.mark.slow, pytest.mark.broker, pytest.mark.real_start]


def page(service, path="/"):
    with urllib.request.urlopen(
        f"http://127.0.0.1:{service.board_port}{path}", timeout=60
    ) as answer:
        return answer.status, answer.read().decode()


def tallies(service):
    with closing(Reader(service.store)) as reader:
        return reader.tallies()


def test_a_message_from_another_client_is_on_the_board_and_in_the_export(lasting_service):
    service, before = lasting_service, tallies(lasting_service)["readings"]
    pack = (
        '[{"bn":"a1:","n":"temperature","u":"Cel","v":20.53},{"n":"humidity","u":"%RH","v":47.1}]'
    )
    mosquitto_pub(service.port, "benchweather/front-bench/a1", pack)
    until(lambda: tallies(service)["readings"] == before + 2)
    assert page(service)[0] == 200
    done = service.command("export")
    assert done.returncode == 0, done.stderr
    (row,) = (r for r in csv.DictReader(done.stdout.splitlines()) if r["sensor"] == "a1")
    assert (row["place"], row["sensor"], row["temp_c"], row["rh_pct"]) == (
        "front-bench",
        "a1",
        "20.53",
        "47.1",
    )
    now = service.command("now")
    assert "20.5" in now.stdout
    assert "47" in now.stdout


def test_a_second_service_on_the_same_folder_refuses(lasting_service):
    second = lasting_service.command("run")
    assert second.returncode == 1
    assert "another service already works in" in second.stderr


def test_how_an_agent_is_can_be_told_and_heard_and_is_no_reading(lasting_service):
    service, before = lasting_service, tallies(lasting_service)
    state = AGENT_FILTER.replace("+", "attic")
    broker = ["-p", str(service.port), "-t", state]
    mosquitto_pub(service.port, state, "{}", "-r")
    user, password = service.own_account
    may_read = ["-u", user, "-P", password]
    heard = subprocess.run(
        [needs("mosquitto_sub", "mosquitto-clients"), *broker, *may_read, "-C", "1", "-W", "5"],
        capture_output=True,
        check=True,
    )
    assert heard.stdout == b"{}\n"
    assert tallies(service) == before


def malformed(source: random.Random) -> bytes:
    """One message of some kind that cannot be taken."""
    good = {"n": "temperature", "u": "Cel", "v": 20.0}
    kinds = [
        lambda: source.randbytes(source.randrange(1, 300)),
        lambda: b"",
        lambda: b"x" * source.randrange(65_537, 70_000),
        lambda: json.dumps(good).encode(),
        lambda: json.dumps(
            [good | {"u": source.choice(["C", "%", "", "furlong", "°C"])}]
        ).encode(),
        lambda: json.dumps(
            [good | {"v": source.choice([1e9, -300, "20", None, True, []])}]
        ).encode(),
        lambda: json.dumps([good | {"t": source.choice([1.5e9, 4e9, -1e12])}]).encode(),
        lambda: json.dumps([good | {"bver": 99}]).encode(),
        lambda: json.dumps([good | {"odd_": 1}]).encode(),
        lambda: json.dumps([good] * 1001).encode(),
        lambda: json.dumps([good])[: source.randrange(1, 30)].encode(),
        lambda: b"[" * source.randrange(100, 60_000),
        lambda: '[{"u":"Cel","v":20,"n":"\ud800"}]'.encode("utf-8", "surrogatepass"),
    ]
    return source.choice(kinds)()


def test_a_thousand_malformed_messages_are_each_accounted_for(lasting_service):
    service, before = lasting_service, tallies(lasting_service)
    source = random.Random(20261125)
    client = connected(service.port)
    for i in range(1000):
        client.publish(f"benchweather/bench/s{i % 7}", malformed(source), qos=1).wait_for_publish(
            60
        )
    client.publish("benchweather/bench/good", b'[{"u":"Cel","v":20}]', qos=1).wait_for_publish(60)
    until(lambda: tallies(service)["messages"] == before["messages"] + 1001)
    client.disconnect()
    more = {name: count - before[name] for name, count in tallies(service).items()}
    assert more == {"messages": 1001, "readings": 1, "repeats": 0, "refused": 1000}
    assert service.running()
    with closing(Reader(service.store)) as reader:
        kept = reader.refused(2000)[:1000]
    assert len(kept) == 1000
    assert all(item.reason for item in kept)
    assert page(service, "/sensors")[0] == 200


@pytest.fixture(params=["embedded", "mosquitto"])
def outside_broker(request, tmp_path):
    """A broker that outlives the service: of our own kind, and mosquitto."""
    if request.param == "mosquitto":
        folder = tmp_path / "mosquitto"
        folder.mkdir()
        broker = Mosquitto(folder)
        broker.start()
        yield broker.url
        broker.stop()
        return

    class Open(EmbeddedBroker):
        def _configuration(self) -> str:
            text = super()._configuration()
            start, _, rest = text.partition("authorization")
            return start + "\n".join(
                line for line in rest.splitlines()[1:] if "no_auth_user" not in line
            )

    broker = Open(
        tmp_path / "nats",
        "127.0.0.1",
        free_port(),
        ingest=BrokerAccount("a", "a"),
        rules=AccessRules(tuple(Contract().filters)),
    )
    broker.start()
    yield f"mqtt://127.0.0.1:{broker.port}"
    broker.stop()


def test_a_killed_service_loses_no_acknowledged_reading_and_doubles_none(
    outside_broker, make_service
):
    service = make_service(broker_url=outside_broker, board=False, fork=True)
    service.start()
    load = Load(service.port, count=2500, per_s=800)
    load.start()
    load.goes_on(random.Random(7).randint(300, 900))
    service.kill()
    service.start()
    load.join()
    check_nothing_lost_or_doubled(service, load)
    service.stop()


def test_service_and_its_own_broker_killed_together_lose_and_double_nothing(make_service):
    service = make_service(board=False, fork=True)
    service.start()
    load = Load(service.port, count=3500, per_s=600)
    load.start()
    source = random.Random(11)
    for _ in range(2):
        load.goes_on(source.randint(200, 700))
        kill_brokers_of(service)
        service.kill()
        service.start()
    load.join()
    # A sender that got no answer from the dying broker sends again. Without a time of its own that
    # reading cannot be told from a new one (MQTT 3.1.1, section 4.3.2: at least once).
    check_nothing_lost_or_doubled(service, load, untimed_too=False)
    service.stop()


def children_of(service, name):
    """Process ids of the service's processes whose command line has this name."""
    found = ["pgrep", "-P", str(service.pid), "-f", name]
    return subprocess.run(found, capture_output=True, text=True).stdout.split()


def kill_brokers_of(service):
    pids = children_of(service, "nats-server")
    assert pids, "the service has a broker of its own"
    subprocess.run(["kill", "-9", *pids], check=True)


def test_a_broker_that_dies_is_started_again_and_readings_go_on(lasting_service):
    service, before = lasting_service, tallies(lasting_service)["readings"]
    client = connected(service.port)
    kill_brokers_of(service)
    until(lambda: "starting it again" in service.log.read_text())
    until(lambda: client.is_connected() and is_listening("127.0.0.1", service.port))
    client.publish("benchweather/bench/a1", b'[{"u":"Cel","v":20}]', qos=1).wait_for_publish(60)
    until(lambda: tallies(service)["readings"] == before + 1)
    client.disconnect()


@pytest.mark.parametrize("wrong", [False, True])
def test_an_outside_broker_with_password_and_tls_is_used(guarded, make_service, wrong):
    certificate = str(guarded.folder / "cert.pem")
    service = make_service(board=False, fork=True)
    service.environment |= {
        "BENCHWEATHER_BROKER__URL": f"mqtts://localhost:{guarded.port}",
        "BENCHWEATHER_BROKER__USER": "shop",
        "BENCHWEATHER_BROKER__PASSWORD": "wrong" if wrong else "right",
        "BENCHWEATHER_BROKER__CA_FILE": certificate,
    }
    checked = service.command("check")
    assert "right" not in checked.stdout
    assert checked.returncode == (1 if wrong else 0), checked.stdout
    if not wrong:
        service.start()
        reading = '[{"u":"Cel","v":20}]'
        account = ("shop", "right")
        mosquitto_pub(
            guarded.port,
            "benchweather/bench/a1",
            reading,
            "--cafile",
            certificate,
            account=account,
        )
        until(lambda: tallies(service)["readings"] == 1)
        service.stop()


def test_what_a_sensor_sends_in_the_first_moment_of_a_new_shop_is_kept(make_service):
    """A broker acknowledges and drops what nobody has subscribed to: the ingest comes first."""
    service = make_service(board=False, fork=True)
    first = int(time.time() * 1000) - 60_000
    times = range(first, first + 50_000, 1_000)
    sent: list[int] = []

    def insist() -> None:
        until(lambda: is_listening("127.0.0.1", service.broker_port), within_s=200)
        publisher = Publisher(Address("127.0.0.1", service.broker_port))
        publisher.connect(60)
        for ts_ms in times:
            pack = [{"n": "humidity", "u": "%RH", "v": 45, "t": ts_ms / 1000}]
            publisher.publish("benchweather/bench/early", json.dumps(pack).encode())(60)
            sent.append(ts_ms)
        publisher.close()

    sensor = threading.Thread(target=insist)
    sensor.start()
    service.start()
    sensor.join(260)
    assert sent == list(times)

    def stored() -> set[int]:
        with closing(sqlite3.connect(service.store)) as database:
            return {row[0] for row in database.execute("SELECT ts_ms FROM reading")}

    until(lambda: set(sent) <= stored())


PATIENT = """
from monitor.mqtt import embedded_broker
from monitor.runtime import child_process
from monitor.service import supervisor
for one in (child_process, embedded_broker, supervisor):
    one.STOP_WAIT_S = 50.0
"""
"""Statements of a service that waits long for each part before it kills it."""


def test_interrupt_ends_it_cleanly_and_each_part_by_itself(make_service):
    service = make_service()
    service.before = PATIENT
    service.start()
    assert service.interrupt() < 50
    assert not service.running()
    assert "Traceback" not in service.log.read_text()
    assert not (service.data / "heartbeat.json").exists()
