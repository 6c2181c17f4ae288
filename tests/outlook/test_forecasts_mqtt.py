"""Forecasts by MQTT: through the ingest with a scripted subscription, and the whole service with
its own broker, its folder and a weather service on loopback."""

from __future__ import annotations

import json
from contextlib import closing

import paho.mqtt.client as paho
import pytest
from conftest import until
from forecast_fixtures import HEAD, MET, Shop
from scripted_subscription import Script, arrival
from weather_server import HOUR, NOW, WeatherServer, as_json, met, stamp

from monitor.core.clock import now_ms
from monitor.domain.topic_rules import FORECAST_TOPIC, TopicRule, forecast_source, rule_faults
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.store import Reader, forecasts

TOPIC = FORECAST_TOPIC.format("roof")


def message(now=NOW, **more):
    first = now - now % HOUR
    hours = [{"valid_at": stamp(first + i * HOUR), "temp_c": 2.5, "rh_pct": 85} for i in range(30)]
    return json.dumps({"issued_at": stamp(now - 60_000), "hours": hours} | more).encode()


@pytest.fixture
def parts(tmp_path):
    shop, script = Shop(tmp_path, HEAD + MET.format(url="http://127.0.0.1:9")), Script()
    ingest = Ingest(script, Contract(), shop.writer, store_forecast=shop.intake.message)
    ingest.start()
    yield shop, script
    ingest.stop(60)
    shop.writer.close()
    shop.reader.close()


def arrives(packet_id, payload, *, topic=TOPIC, **more):
    return arrival(packet_id, payload, topic=topic, at=NOW, **more)


def deliver(parts, *arrivals):
    _, script = parts
    after = [*script.acknowledged, *(one.packet_id for one in arrivals)]
    script.groups.append(list(arrivals))
    until(lambda: script.acknowledged == after)


def refused(shop):
    return [kept.reason for kept in shop.reader.refused(9)]


def test_the_topic_has_four_levels_so_that_it_is_not_taken_for_a_reading():
    assert TOPIC == "benchweather/weather/roof/forecast"
    assert forecast_source(TOPIC) == "roof"
    for other in (
        "benchweather/weather/forecast",
        "benchweather/roof/forecast",
        TOPIC + "/forecast",
    ):
        assert forecast_source(other) is None
    rule = TopicRule(filter="benchweather/+/+/forecast", place="a", sensor="b", format="senml")
    assert any("reserved for forecasts" in fault for fault in rule_faults(rule))


def test_a_forecast_is_kept_under_the_source_of_its_topic(parts):
    deliver(parts, arrives(1, message()))
    one = forecasts.newest(parts[0].reader, NOW)
    assert (one.source, one.issued_ms, one.temp_c[0]) == ("roof", NOW - 60_000, 2.5)


def test_a_forecast_with_the_members_of_a_large_ensemble_is_kept_whole(parts):
    member = {"temp_c": [2.5] * 30, "rh_pct": [85.25] * 30, "wind_m_s": [12.125] * 30}
    whole = message(members=[member] * 100)
    assert len(whole) > 65_536
    deliver(parts, arrives(1, whole))
    assert refused(parts[0]) == []
    members = forecasts.newest(parts[0].reader, NOW).members
    assert [field.shape for field in members] == [(100, 30)] * 3
    assert members.rh_pct[99, 29] == 85.25


@pytest.mark.parametrize("repeat", [True, False])
def test_a_repeat_and_a_retained_one_change_nothing(parts, repeat):
    deliver(parts, arrives(1, message()))
    deliver(parts, arrives(1, message(), repeat=repeat, retained=not repeat))
    assert len(parts[0].kept()) == 1
    assert refused(parts[0]) == []


@pytest.mark.parametrize(
    ("topic", "payload", "why"),
    [
        (TOPIC, b"junk", "not a JSON object"),
        (TOPIC, b"<html>", "not a JSON object"),
        (TOPIC, message(now=NOW - 90 * HOUR), "90 h before it arrived"),
        (TOPIC, message(latitude=10, longitude=10), "the shop is at 60.10, 10.00"),
        (TOPIC, b"[" * 1_000_001, "must be at most 1000000"),
        (TOPIC, message(members=[{"temp_c": [2]}]), "1 members: must be 2 to 100"),
        (FORECAST_TOPIC.format("met"), message(), "send under another name"),
        (FORECAST_TOPIC.format("a b"), message(), "source 'a b' in the topic has a space"),
    ],
)
def test_what_cannot_be_taken_is_kept_with_the_reason_and_acknowledged(parts, topic, payload, why):
    deliver(parts, arrives(7, payload, topic=topic))
    (reason,) = refused(parts[0])
    assert why in reason
    assert parts[0].kept() == []


def test_a_retained_refused_one_is_kept_once(parts):
    for packet_id in (1, 2):
        deliver(parts, arrives(packet_id, b"junk", retained=True))
    assert len(refused(parts[0])) == 1


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.parametrize("outside", [False, True])
def test_the_service_takes_forecasts_by_every_way(make_service, request, outside):
    """By its own broker or mosquitto, by its folder, and from a service on loopback."""
    now = now_ms()
    with WeatherServer(now).open() as server:
        server.answers(as_json(met(issued=now - 60_000, start=now - now % HOUR)))
        url = request.getfixturevalue("mosquitto").url if outside else ""
        service = make_service(broker_url=url, board=False)
        service.before = (
            "from monitor.service import scheduled_jobs; scheduled_jobs.FORECAST_FILES_S = 1"
        )
        service.data.mkdir()
        (service.data / "benchweather.toml").write_text(HEAD + MET.format(url=server.url))
        (service.data / "forecasts").mkdir()
        (service.data / "forecasts" / "shed.json").write_bytes(message(now))
        service.start()
        sent = []
        client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        if not outside:  # the built-in broker lets only accounts for commands send forecasts
            client.username_pw_set(*service.own_account)
        client.connect("127.0.0.1", service.port)
        client.loop_start()
        for payload in (message(now), b"junk"):
            info = client.publish(TOPIC, payload, qos=1)
            info.wait_for_publish(60)
            sent.append(info.is_published())
        client.disconnect()
        client.loop_stop()

        def sources():
            with closing(Reader(service.store)) as reader:
                return sorted(kept.source for kept in forecasts.recent(reader, 9))

        until(lambda: sources() == ["folder", "met", "roof"])
        assert sent == [True, True]

        def refused():
            with closing(Reader(service.store)) as reader:
                return [kept.topic for kept in reader.refused(9)]

        until(lambda: refused() == [TOPIC])
        assert len(server.asks) == 1
        listed = service.command("forecast", "list")
        assert "MET Norway" in listed.stdout
        assert service.command("forecast", "fetch").returncode == 0
        assert len(server.asks) == 1  # the service has asked within the hour
        assert "Traceback" not in service.log.read_text()
