"""Listening to the broker: what is taken, what is not, and the rules proposed for it.

The gateways are invented."""

import json
import re
import threading

import pytest
from conftest import benchweather, free_port, mosquitto_pub, until

from monitor.core.clock import now_ms
from monitor.core.errors import BrokerFault, BrokerUnavailable
from monitor.core.ports import is_listening
from monitor.domain.topic_rules import filter_fault
from monitor.mqtt.client import Address, Arrival, Publisher, Subscription
from monitor.mqtt.embedded_broker import PROBE_TOPIC
from monitor.readings.payload import Contract
from monitor.readings.payload.detect import kind_of
from monitor.readings.payload.rule_suggestions import proposal
from monitor.readings.topic_discovery import TOPICS_MAX, TopicListener, listen, opened
from monitor.settings import load
from monitor.settings.change import add_topic_rule, rule_as_content
from monitor.settings.shop_broker import broker_address
from monitor.settings.toml_edit import as_toml

NOW = 1_800_000_000_000


def picks(document, topic="loft/box"):
    found = proposal(topic, json.dumps(document).encode(), NOW).rule
    return found and {str(q): (p.pointer, p.unit) for q, p in found.quantities.items()}


@pytest.mark.parametrize(
    ("document", "wanted"),
    [
        ({"temp": 20.5, "rh": 47}, {"temperature": ("/temp", "Cel"), "humidity": ("/rh", "%RH")}),
        (
            {"air": {"temperature": {"value": 70.2, "unit": "°F"}}},
            {"temperature": ("/air/temperature/value", "F")},
        ),
        ({"airTemp_f": 48.0}, {"temperature": ("/airTemp_f", "F")}),
        ({"temp": 71.0}, {"temperature": ("/temp", "F")}),
        ({"t": [294.2, 1]}, {"temperature": ("/t/0", "K")}),
        (
            {"press": 1002.5, "batt": 88, "h": 40},
            {
                "pressure": ("/press", "hPa"),
                "battery": ("/batt", "%EL"),
                "humidity": ("/h", "%RH"),
            },
        ),
        ({"a/b": {"temp": 20}}, {"temperature": ("/a~1b/temp", "Cel")}),
        ({"temp_max": 31, "dew_temp": 9, "temp": 19}, {"temperature": ("/temp", "Cel")}),
        ({"surface_temp": 14.0}, {"surface_temperature": ("/surface_temp", "Cel")}),
    ],
)
def test_a_pointer_and_a_unit_are_proposed_by_name_and_value(document, wanted):
    assert picks(document) == wanted


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b'{"temp": NaN}', "not JSON"),
        (b'{"rh": "47 %"}', "only numbers are read"),
        (b'{"rh": 0.47}', "a fraction"),
        (b'{"temp": 150}', "its unit is not known"),
        (b'{"temp": {"value": 20, "unit": "R"}}', "not an accepted unit"),
        (b'{"batt": 3.02}', "its unit is not known"),
        (b'{"temp": true}', "is not a number"),
        (b'{"door": 1}', "it has no known temperature"),
        (b"", "not JSON"),
        (b"[]", "it has no known temperature"),
        (b"\xff\x00", "not JSON"),
        (b"[" * 5000, "not JSON"),
        (b'{"temp": 1e999}', "not JSON"),
    ],
)
def test_what_cannot_be_read_is_not_proposed_and_why_is_said(payload, why):
    found = proposal("loft/box", payload, NOW)
    assert found.rule is None
    assert why in " ".join(found.reasons)


def test_a_bare_number_is_named_by_its_topic_and_a_time_is_found():
    rule = proposal("cellar/c1/rh", b"61", NOW).rule
    assert (rule.format, str(rule.quantity), rule.unit, rule.place, rule.sensor) == (
        "number",
        "humidity",
        "%RH",
        "cellar",
        "c1",
    )
    timed = proposal("x/y", b'{"ts": 1799999990, "temp": 20}', NOW).rule
    assert (timed.time.pointer, timed.time.unit) == ("/ts", "s")
    assert proposal("x/y", b'{"ts": "12:30", "temp": 20}', NOW).rule.time is None


def arrival(topic, payload):
    return Arrival(1, 1, 0, topic, payload, False, False, NOW)


def test_the_service_does_not_hear_its_own_test_message():
    ear = TopicListener(())
    ear.hear(arrival(PROBE_TOPIC, b"1"))
    assert not ear.heard


def test_topics_beyond_the_most_are_counted_only():
    ear = TopicListener(())
    for n in range(TOPICS_MAX + 5):
        ear.hear(arrival(f"t/{n}", b"1"))
    assert (len(ear.heard), ear.beyond) == (TOPICS_MAX, 5)


def test_a_rule_is_added_at_the_end_and_all_else_stays(tmp_path):
    file = tmp_path / "benchweather.toml"
    before = (
        '# mine\n[shop]\nname = "Quillon"  # kept\n\n'
        '[[topics]]\nfilter = "a/b"\nplace = "a"\nsensor = "b"\nformat = "senml"'
    )
    file.write_text(before)
    file.chmod(0o640)
    payload = b'{"ts": 1799999990, "temp": 20, "r\\"h": 3, "rh": 47}'
    rule = proposal("loft/box", payload, NOW).rule
    add_topic_rule(load(data=tmp_path, environ={}), rule)
    text = file.read_text()
    assert text == f"{before}\n\n{as_toml({'topics': [rule_as_content(rule)]})}"
    assert file.stat().st_mode & 0o777 == 0o640
    settings = load(data=tmp_path, environ={})
    assert settings.topics[1] == rule
    ear = TopicListener(settings.topics)
    ear.hear(arrival("loft/box", payload))
    assert ear.heard["loft/box"].taken
    file.write_text("# none yet\ntopics = []\n")
    add_topic_rule(load(data=tmp_path, environ={}), rule)
    assert load(data=tmp_path, environ={}).topics == (rule,)
    assert file.read_text().startswith("# none yet")


# Hand-made by RFC 8428, sections 4 and 6, and RFC 8949, 3.1; labels from memory: -2 bn, 0 n, 2 v.
CBOR = {
    "one record": bytes.fromhex("81a2006174" + "02f94d20"),
    "a base name": bytes.fromhex("81a3216461313a") + bytes.fromhex("00617402f94d20"),
    "of any length": bytes.fromhex("9fa2006174" + "02f94d20" + "ff"),
    "of 24 records": bytes.fromhex("9818" + 24 * "a2006174" + "02f94d20"),
}


@pytest.mark.parametrize(
    ("payload", "kind"),
    [
        (b'[{"bn":"a1:","n":"temperature","u":"Cel","v":20.5},{"n":"rh","v":47}]', "SenML JSON"),
        *((payload, "SenML CBOR") for payload in CBOR.values()),
        (b'{"temp": 20.5}', "JSON"),
        (b'[{"temp": 20.5}]', "JSON"),
        (b"[]", "JSON"),
        (b'"on"', "JSON"),
        (b"true", "JSON"),
        (b" 20.5\n", "number"),
        (b"-4", "number"),
        (b"NaN", "text"),
        (b"T=20.5;H=47", "text"),
        (b'{"temp": ', "text"),
        (b"", "empty"),
        (b" \n", "empty"),
        (b"\x00\x01", "bytes"),
        (b"\x82\x01\x02", "bytes"),
        (b"\x81\xa1", "bytes"),
        ("größer".encode("latin-1"), "bytes"),
    ],
)
def test_what_sort_of_payload_it_is_is_told(payload, kind):
    assert kind_of(payload) == kind


def test_how_often_a_topic_speaks_is_the_mean_of_its_gaps():
    ear = TopicListener(())
    for at in (0, 4_000, 12_000):
        ear.hear(arrival("a", b"1")._replace(received_ms=NOW + at))
    ear.hear(arrival("b", b"1"))
    assert (ear.heard["a"].messages, ear.heard["a"].every_s) == (3, 6.0)
    assert ear.heard["b"].every_s is None


@pytest.mark.broker
@pytest.mark.slow
# The client library lets a connection whose certificate was refused go without closing it.
@pytest.mark.filterwarnings("ignore:.*SSLSocket:pytest.PytestUnraisableExceptionWarning")
def test_a_guarded_broker_is_listened_to_with_its_certificate_and_password_only(guarded, tmp_path):
    folder = guarded.folder
    tls = ("-h", "localhost", "--cafile", str(folder / "cert.pem"))
    mosquitto_pub(guarded.port, "loft/rh", "47", "-r", *tls, account=("shop", "right"))

    def heard(url="mqtts://localhost", ca="cert.pem", password="right", code=0):
        said = benchweather(
            "sensor",
            "listen",
            "--for",
            "1",
            environment={
                "BENCHWEATHER_BROKER__URL": f"{url}:{guarded.port}",
                "BENCHWEATHER_BROKER__CA_FILE": str(folder / ca),
                "BENCHWEATHER_BROKER__USER": "shop",
                "BENCHWEATHER_BROKER__PASSWORD": password,
                "BENCHWEATHER_DATA": str(tmp_path / "data"),
            },
        )
        assert said.returncode == code, said.stderr
        assert password not in said.stderr
        return said.stdout if code == 0 else " ".join(said.stderr.split())

    assert "number: 47" in heard()
    assert "its certificate is not accepted, self" in heard(ca="other.pem", code=1)
    assert "IP address mismatch" in heard(url="mqtts://127.0.0.1", code=1)
    assert "rejected: Not authorized" in heard(password="wrong!", code=1)
    assert "certificate files" in heard(ca="users", code=1)


@pytest.mark.broker
@pytest.mark.slow
def test_what_arrives_on_a_real_broker_is_shown_and_nothing_written_without_a_yes(
    mosquitto, tmp_path
):

    def send(topic, text):
        mosquitto_pub(mosquitto.port, topic, text, "-r")

    send("benchweather/loft/a1", '[{"n":"temperature","u":"Cel","v":20.5}]')
    send("gate/7/state", json.dumps({"air": {"t": 70.2, "rh": 44}, "at": now_ms() // 1000}))
    send("gate/8/state", '{"temp": NaN, "esc": "\x1b[2J"}')
    send("benchweather/bench/wait/1/state", "{}")
    environment = {
        "BENCHWEATHER_BROKER__URL": mosquitto.url,
        "BENCHWEATHER_DATA": str(tmp_path / "data"),
    }
    said = benchweather("sensor", "listen", "--for", "1", environment=environment)
    assert said.returncode == 0, said.stderr
    assert "4 topics, 2 not read" in said.stdout
    assert re.search("benchweather/loft/a1\tSenML JSON\t1\t\tyes", said.stdout)
    assert re.search("gate/8/state\ttext\t1\t\tNO", said.stdout)
    assert "loft/a1: temperature 20.5" in said.stdout
    assert 'temperature = {pointer = "/air/t", unit = "F"}' in said.stdout
    assert "Not written" in said.stdout
    assert "\x1b[2J" not in said.stdout
    assert not (tmp_path / "data").exists()
    said = benchweather(
        "sensor",
        "listen",
        "--for",
        "1",
        "--json",
        "--topic",
        "gate/+/state",
        environment=environment,
    )
    rows = {row["topic"]: row for row in json.loads(said.stdout)["topics"]}
    assert rows["gate/7/state"]["rule"]["time"] == {"pointer": "/at", "unit": "s"}
    assert rows["gate/8/state"]["rule"] is None
    assert (
        benchweather("sensor", "listen", "--topic", "a#", environment=environment).returncode == 2
    )

    ear, heard = [], threading.Event()  # sent before the other is heard, it would replace it
    address = Address("127.0.0.1", mosquitto.port)

    def each(so_far):
        if "gate/8/state" in so_far.heard:
            heard.set()

    hearing = threading.Thread(target=lambda: ear.append(listen(address, "gate/#", (), 2.0, each)))
    hearing.start()
    assert heard.wait(60)
    send("gate/8/state", "21")
    hearing.join()
    assert ear[0].heard["gate/8/state"].messages == 2  # the retained one and the live one
    with pytest.raises(BrokerUnavailable, match="no answer"):
        listen(Address("127.0.0.1", 1), "#", (), 1.0)


@pytest.mark.broker
def test_our_own_broker_is_open_meanwhile_and_keeps_what_the_service_would_take(
    tmp_path, monkeypatch
):
    monkeypatch.setattr("monitor.core.ports.FREE_WAIT_S", 0.0)
    shop = load(data=tmp_path, environ={"BENCHWEATHER_BROKER__PORT": str(free_port())})
    address, got = broker_address(shop), []

    def enough(ear):
        if len(ear.heard) == 2:
            raise KeyboardInterrupt

    with opened(shop, address) as where:
        ingest = Subscription(where, Contract().filters, "ingest")  # as in an earlier run
        until(lambda: ingest.take(9, 0.05) or ingest.connected)
        ingest.close()
        publisher = Publisher(address)
        publisher.connect(60)
        for topic in ("$JS/API/INFO", "benchweather/a/b", "gate/7/state"):
            publisher.publish(topic, b'{"temp": 20.5}', retain=True)(5)
        publisher.close()
        ear = listen(where, "#", (), 20.0, enough)
        with pytest.raises(BrokerFault, match="stop it first"), opened(shop, address):
            pass
    with opened(shop, address) as where:
        later = Subscription(where, Contract().filters, "ingest")
        until(lambda: got.extend(later.take(9, 0.05)) or got)
        later.close()
    assert set(ear.heard) == {"benchweather/a/b", "gate/7/state"}
    assert ear.heard["gate/7/state"].proposed().rule is not None
    assert {one.topic for one in got} == {"benchweather/a/b"}


@pytest.mark.broker
def test_listening_tells_what_our_own_broker_refused(tmp_path):
    port = free_port()
    environment = {
        "BENCHWEATHER_BROKER__PORT": str(port),
        "BENCHWEATHER_DATA": str(tmp_path / "data"),
    }

    def knock():
        until(lambda: is_listening("127.0.0.1", port))
        with pytest.raises(BrokerUnavailable, match="Client identifier not valid"):
            Publisher(Address("127.0.0.1", port), "attic.1").connect(60)

    knocking = threading.Thread(target=knock)
    knocking.start()
    said = benchweather("sensor", "listen", "--for", "3", environment=environment)
    knocking.join()
    assert said.returncode == 0, said.stderr
    assert "REJECTED by the broker" in said.stdout
    assert "Client attic.1 from 127.0.0.1. Its client id has a" in " ".join(said.stdout.split())


def test_a_filter_that_could_hide_something_is_refused():
    for hidden in ("gate/\u202ex", "gate/\x7f"):
        assert filter_fault(hidden) == "has characters that cannot be printed"
    assert filter_fault("büro/+/x") is None
