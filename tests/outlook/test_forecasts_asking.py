"""Sources asked over HTTP, from a real server on loopback into a real store: what is taken, and
that nothing is asked too soon, too often, or told what it need not know."""

from __future__ import annotations

import json
import logging
from email.utils import formatdate

import numpy as np
import pytest
from forecast_fixtures import HEAD, MET, MINUTE, Shop
from weather_server import (
    HOUR,
    NOW,
    SECRET,
    Reply,
    WeatherServer,
    as_json,
    flat,
    met,
    nws_grid,
    nws_points,
    zipped,
)

from monitor import settings
from monitor.core.errors import StoreUnavailable
from monitor.outlook.weather.poller import EVERY_MS, FRESH_MS, RETRY_MAX_MS, SPREAD_MS
from monitor.outlook.weather.providers import credit_of
from monitor.settings.table import table
from monitor.store import forecasts

NWS = '[[forecasts]]\nid = "nws"\nservice = "us-nws"\nurl = "{url}/"\n'
COUNTY = """
[[forecasts]]
id = "county"
url = "{url}/county?at={{latitude}},{{longitude}}&key=sesame-Sw0rd"
headers = {{ X-Key = "open-sesame-2" }}
time = {{ pointer = "/hourly/time", unit = "s" }}
attribution = "Marrowick County"
[forecasts.elements]
temperature = {{ pointer = "/hourly/temp", unit = "Cel" }}
humidity = {{ pointer = "/hourly/rh", unit = "%RH" }}
"""


@pytest.fixture
def server():
    with WeatherServer().open() as opened:
        yield opened


@pytest.fixture
def shop(tmp_path, server):
    made = []

    def make(*sources):
        made.append(Shop(tmp_path, HEAD + "".join(s.format(url=server.url) for s in sources)))
        return made[-1]

    yield make
    for one in made:
        one.writer.close()
        one.reader.close()


def when(ms):
    return formatdate(ms / 1000, usegmt=True)


def test_nothing_is_asked_unless_the_settings_name_it(shop, server):
    assert shop().go() == []
    assert server.asks == []


def test_met_norway_is_asked_with_a_rounded_position_and_kept(shop, server):
    server.answers(zipped(met()))
    one = shop(MET)
    assert one.go() == [("met", True)]
    (path,) = server.paths
    assert path == "/weatherapi/locationforecast/2.0/complete?lat=60.10&lon=10.00&altitude=120"
    agent = server.asks[0].headers["User-Agent"]
    assert agent.startswith("Benchweather/")
    assert "(bench@quillon.example)" in agent
    kept = forecasts.newest(one.reader, NOW)
    assert (kept.source, kept.issued_ms, len(kept), kept.position) == (
        "met",
        NOW - MINUTE,
        60,
        (60.1, 10.0),
    )
    assert "MET Norway" in credit_of(one.settings.forecasts[0])


def test_us_nws_is_asked_where_its_grid_is_once_and_then_for_the_grid(shop, server):
    server.by_path = {
        "/points/60.1,10": as_json(nws_points("https://elsewhere.example")),
        "/gridpoints/ABC/31,80": as_json(nws_grid()),
    }
    one = shop(NWS)
    assert one.go() == [("nws", True)]
    assert server.paths == ["/points/60.1,10", "/gridpoints/ABC/31,80"]
    assert one.go(NOW + 2 * HOUR) == [("nws", True)]
    assert server.paths[2:] == ["/gridpoints/ABC/31,80"]
    server.by_path["/gridpoints/ABC/31,80"] = Reply(status=404)
    one.go(NOW + 4 * HOUR)
    one.go(NOW + 6 * HOUR)
    assert server.paths[3:5] == ["/gridpoints/ABC/31,80", "/points/60.1,10"]


def test_any_json_is_asked_with_its_key_and_issued_when_it_was_changed(shop, server):
    server.answers(as_json(flat(), headers={"Last-Modified": when(NOW - 20 * MINUTE)}))
    one = shop(COUNTY)
    assert one.go() == [("county", True)]
    assert server.paths == ["/county?at=60.10,10.00&key=sesame-Sw0rd"]
    assert server.asks[0].headers["X-Key"] == "open-sesame-2"
    assert one.kept() == [("county", (NOW - 20 * MINUTE) // 1000 * 1000)]
    assert credit_of(one.settings.forecasts[0]) == "Marrowick County"


def test_it_is_asked_hourly_at_most_and_not_before_the_time_the_server_set(shop, server):
    server.answers(as_json(met(), headers={"Expires": when(NOW + 3 * HOUR)}))
    one = shop(MET)
    for minutes in range(0, 180, 1):
        one.go(NOW + minutes * MINUTE)
        if minutes == 90:
            one.restart()
    assert len(server.asks) == 1
    one.go(NOW + 3 * HOUR + MINUTE)
    assert len(server.asks) == 2


def test_shops_spread_their_asking_by_chance(shop, server):
    server.answers(as_json(met()))
    one = shop(MET)
    one.restart(chance=0.5)
    one.go()
    assert one.state("met").next_ms == NOW + EVERY_MS + SPREAD_MS // 2


def test_an_unchanged_forecast_is_asked_for_conditionally_and_kept_once(shop, server):
    changed = when(NOW - 90_000)
    server.answers(
        as_json(met(), headers={"Last-Modified": changed, "ETag": '"1"'}), Reply(status=304)
    )
    one = shop(MET)
    one.go()
    one.restart()
    assert one.go(NOW + 2 * HOUR) == [("met", True)]
    assert server.asks[1].headers["If-Modified-Since"] == changed
    assert server.asks[1].headers["If-None-Match"] == '"1"'
    assert one.kept() == [("met", NOW - MINUTE)]
    assert one.state("met").good_ms == NOW + 2 * HOUR


@pytest.mark.parametrize("change", ["latitude = 60.10432", 'contact = "bench@quillon.example"'])
def test_with_other_settings_nothing_is_asked_conditionally_nor_sooner(
    shop, server, change, tmp_path
):
    server.answers(as_json(met(at=(60.12, 10.0)), headers={"ETag": '"1"'}))
    one = shop(MET)
    one.go()
    other = {"l": "latitude = 60.12", "c": 'contact = "other@quillon.example"'}[change[0]]
    again = Shop(tmp_path, (tmp_path / "benchweather.toml").read_text().replace(change, other))
    again.go(NOW + MINUTE)
    assert len(server.asks) == 1
    again.go(NOW + 2 * HOUR)
    assert "If-None-Match" not in server.asks[1].headers
    again.writer.close()
    again.reader.close()


FAILURES = [
    Reply(status=500),
    Reply(b'{"type": "Feature"', how="cut"),
    Reply(status=403),
    Reply(b"", 304),
]


@pytest.mark.parametrize("reply", FAILURES, ids=["500", "cut", "403", "304 unasked"])
def test_a_failure_is_tried_again_ever_later(shop, server, reply):
    server.answers(reply)
    one = shop(MET)
    now, waits = NOW, []
    for _ in range(9):
        assert one.go(now) == [("met", False)]
        waits.append(one.state("met").next_ms - now)
        assert one.go(now + waits[-1] - 1) == [("met", False)]
        now += waits[-1]
    assert len(server.asks) == 9
    assert waits == sorted(waits)
    assert waits[-1] == RETRY_MAX_MS
    server.answers(as_json(met(issued=now - MINUTE, start=now - now % HOUR)))
    assert one.go(now) == [("met", True)]
    assert (one.state("met").failures, one.state("met").trouble) == (0, "")


@pytest.mark.parametrize("said", ["7200", when(NOW + 2 * HOUR)])
def test_a_throttled_shop_waits_as_long_as_it_was_told(shop, server, said):
    server.answers(Reply(status=429, headers={"Retry-After": said}))
    one = shop(MET)
    one.go()
    assert 0 <= one.state("met").next_ms - (NOW + 2 * HOUR) <= 1000


def test_a_clock_that_was_set_back_does_not_keep_it_waiting_nor_hurry_it(shop, server):
    server.answers(as_json(met()))
    one = shop(MET)
    one.go()
    back = NOW - 40 * 24 * HOUR
    one.go(back)
    assert len(server.asks) == 1
    assert one.state("met").next_ms == back + EVERY_MS


def test_a_clock_that_is_wrong_is_said_or_the_forecast_refused(shop, server):
    server.answers(as_json(met()))
    one = shop(MET)
    (said,) = one.poller.poll(NOW + 2 * HOUR)
    assert "this machine's clock is 120 min ahead of the service's" in said.text
    server.answers(as_json(met(issued=NOW + 4 * HOUR)))
    (said,) = one.poller.poll(NOW + 3 * HOUR + 5 * MINUTE)
    assert not said.good
    assert "is this machine's clock right?" in said.text


@pytest.mark.parametrize(
    ("reply", "why"),
    [
        (Reply(b"\n<!DOCTYPE html><p>Sign in"), "a web page, not with JSON"),
        (Reply(b'{"type": "Feature"'), "not a JSON object"),
        (as_json({"type": "Feature"}), "there is nothing at '/geometry/coordinates'"),
        (as_json(met(units={"air_temperature": "K"})), "temperature = -277.15"),
        (as_json(met(at=(47.0, 8.0))), "it is for 47.00, 8.00"),
        (as_json(met(issued=NOW - 72 * HOUR)), "72 h before it arrived"),
        (as_json(met(temps=[1.0] * 4)), "at least 6 h beyond"),
    ],
)
def test_an_answer_that_is_no_forecast_is_kept_among_the_refused_with_the_reason(
    shop, server, reply, why
):
    server.answers(reply)
    one = shop(MET)
    (said,) = one.poller.poll(NOW)
    assert not said.good
    assert one.kept() == []
    (refused,) = one.reader.refused(9)
    assert refused.topic == "forecasts/met"
    assert why in refused.reason
    assert refused.payload == reply.body[:4096]
    assert one.state("met").next_ms >= NOW + EVERY_MS


def test_an_answer_that_breaks_the_reader_is_refused_and_not_asked_for_each_minute(
    shop, server, monkeypatch
):
    server.answers(as_json(met()))
    one = shop(MET)
    monkeypatch.setattr("monitor.outlook.weather.poller.validated", lambda *_: 1 / 0)
    for minutes in range(50):
        assert one.go(NOW + minutes * MINUTE) == [("met", False)]
    assert len(server.asks) == 1
    assert "could not be read: ZeroDivisionError" in one.reader.refused(9)[0].reason


def test_while_the_store_cannot_be_written_it_is_not_asked_each_minute(shop, server):
    server.answers(as_json(met()))
    one = shop(MET)
    one.writer.address.rename(one.writer.address.with_suffix(".away"))
    for minutes in range(10):
        try:
            one.go(NOW + minutes * MINUTE)
        except StoreUnavailable:
            assert minutes in (0, 5)
    assert len(server.asks) == 2


def test_the_next_in_order_is_asked_only_while_the_first_has_not_answered_of_late(shop, server):
    server.by_path = {"/county": as_json(flat())}
    server.answers(as_json(met()))
    one = shop(MET, COUNTY)
    assert one.go() == [("met", True)]
    server.answers(Reply(status=503))
    assert one.go(NOW + 2 * HOUR) == [("met", False)]  # what it said two hours ago will do
    assert one.go(NOW + FRESH_MS + MINUTE) == [("met", False), ("county", True)]
    assert [source for source, _ in one.kept()] == ["county", "met"]


def test_a_forecast_of_another_place_is_doubted_with_figures_and_the_next_is_asked(shop, server):
    """Its hours of yesterday are 9 K colder than the sensor in the yard: shown, never the truth."""
    past = NOW - NOW % HOUR - 20 * HOUR
    server.by_path = {"/county": as_json(flat())}
    server.answers(
        as_json(met(start=past, temps=[1.0] * 80, rh=80.0), headers={"ETag": '"1"'}),
        Reply(status=304),
    )
    one = shop(MET, COUNTY)
    one.outdoors(10.0)
    met_said, county_said = one.poller.poll(NOW)
    assert (
        "over the last 20 hours compared it was 9 K colder and 9 K drier (dew point) than"
        in met_said.text
    )
    assert (met_said.good, county_said.good) == (False, True)
    assert forecasts.newest(one.reader, NOW, ["met", "county"]).source == "county"
    doubted = forecasts.newest(one.reader, NOW, ["met"], doubted=True)
    assert doubted.doubt
    assert doubted.valid_ms[0] > doubted.issued_ms - HOUR  # what was past is no forecast
    assert one.go(NOW + 2 * HOUR)[0] == ("met", False)  # nothing new: the doubt stands


@pytest.mark.slow
def test_a_source_that_tells_nothing_past_is_held_against_what_it_said_before(shop, server):
    one = shop(MET)
    for hours in range(14):
        now = NOW + 2 * hours * HOUR
        one.outdoors(20.0, hours=3, until=now)
        server.answers(
            as_json(met(issued=now, start=now - now % HOUR, temps=[10.0] * 60, rh=80.0))
        )
        (said,) = one.poller.poll(now)
        assert said.good is (hours < 4), said.text
    assert "10 K colder" in said.text


def test_a_forecast_of_this_place_is_not_doubted_for_errors_of_a_few_degrees(shop, server):
    random = np.random.default_rng(7)
    past = NOW - NOW % HOUR - 20 * HOUR
    temps = (10 + random.normal(1, 2, 80)).round(1).tolist()
    server.answers(as_json(met(start=past, temps=temps, rh=80.0)))
    one = shop(MET)
    one.outdoors(10.0)
    assert one.go() == [("met", True)]


def test_a_forecast_that_reaches_much_less_far_than_the_one_before_is_said(shop, server):
    server.answers(
        as_json(met()),
        as_json(met(issued=NOW + HOUR, start=NOW + HOUR - NOW % HOUR, temps=[1.0] * 20)),
    )
    one = shop(MET)
    one.go()
    (said,) = one.poller.poll(NOW + 2 * HOUR)
    assert "it reaches 19 h, the one before 59 h" in said.text


@pytest.mark.parametrize(
    "reply",
    [
        Reply(status=500),
        Reply(status=302, headers={"Location": "http://x.example/?key=sesame-Sw0rd"}),
        Reply(
            json.dumps({"error": True, "reason": "bad key sesame-Sw0rd, open-sesame-2"}).encode()
        ),
        as_json({"hourly": {"time": "sesame-Sw0rd"}}),
        as_json(flat()),
    ],
)
def test_no_key_and_no_address_is_logged_or_kept(shop, server, reply, caplog):
    caplog.set_level(logging.DEBUG)
    server.answers(reply)
    one = shop(COUNTY)
    (said,) = one.poller.poll(NOW)
    tables = ("forecast", "forecast_asked", "refused")
    dump = str([one.writer.connection.rows(f"SELECT * FROM {table}") for table in tables])
    shown = "\n".join(
        [said.text, caplog.text, dump, repr(one.settings), str(list(table(one.settings)))]
    )
    for secret in (SECRET, "open-sesame-2", server.url):
        assert secret not in shown


def test_a_newer_form_of_the_service_is_announced_in_the_log(shop, server, caplog):
    server.answers(as_json(met(), status=203))
    assert shop(MET).go() == [("met", True)]
    assert "will end its present format (203)" in caplog.text


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (MET, "weather.contact is empty: met needs an address"),
        (
            '[weather]\ncontact = "a"\n' + MET,
            "weather.latitude and weather.longitude: met needs them",
        ),
        ('[weather]\ncontact = "a"\nlatitude = 60\n' + MET, "belong together"),
        ('[weather]\ncontact = "a"\n' + COUNTY, "county needs them"),
        ("[weather]\nlatitude = 91", "weather.latitude = 91"),
        ('[weather]\ncontact = "a(b"', "weather.contact"),
        (MET + MET, "id 'met' is used twice"),
        ('[[forecasts]]\nid = "x"\nservice = "oracle"', "forecasts.0.service"),
        ('[[forecasts]]\nid = "x"\nurl = "ftp://sesame-Sw0rd"', "x: url must be https"),
        ('[[forecasts]]\nid = "x"\nurl = 5', "forecasts.0.url"),
    ],
)
def test_settings_that_cannot_be_asked_with_are_told(tmp_path, text, why):
    file = tmp_path / "benchweather.toml"
    file.write_text(text.format(url="http://x.example") if "{url}" in text else text)
    with pytest.raises(settings.SettingsFault) as caught:
        settings.load(data=tmp_path, environ={})
    assert any(why in fault for fault in caught.value.faults), caught.value.faults
    assert SECRET not in str(caught.value)
