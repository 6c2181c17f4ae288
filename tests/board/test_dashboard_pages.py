"""The pages as functions and through the server: what they say, refuse and never let through."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
import sqlite3
from types import SimpleNamespace

import dash
import dashboard_fixtures as shop_air
import flask
import numpy as np
import pytest
from board_requests import ask_dash, ask_page, draw_view, said

from dashboard import shell
from dashboard.access import guard
from dashboard.access.visitor import Visitor
from dashboard.air import page as air_page
from dashboard.air import place_row
from dashboard.air import text as air_text
from dashboard.app import create_app
from dashboard.data.shop import ShopData
from dashboard.past.selection import Choice, Done, choice_of, step
from dashboard.sensors import page as sensors_page
from dashboard.sensors import rejected
from dashboard.ui import sentences
from monitor.air.current import air_now
from monitor.core.clock import now_ms
from monitor.core.errors import StoreUnavailable
from monitor.core.measurements import Quantity, Reading, Refusal, Series
from monitor.core.steady_clock import ClockJump, JumpState
from monitor.people.roles import Role
from monitor.store import Writer

HOUR, DAY = 3_600_000, 86_400_000


@pytest.fixture
def settings(tmp_path):
    return shop_air.settings_in(tmp_path)


@pytest.fixture
def writer(settings):
    writer = Writer(settings.store_path)
    yield writer
    writer.close()


@pytest.fixture
def full(settings, writer):
    now = now_ms()
    for place in shop_air.PLACES:
        _, rh = shop_air.air(place, np.array([shop_air.AIR_END_MS]))
        right = 0.0 if place == "outdoors" else 50.0 - float(rh[0])  # now, whatever the season
        shop_air.fill(writer, place, now - 2 * DAY, now + 1, 60_000, shift_pct=right)
    shop_air.beat(settings)
    return ShopData(settings)


@pytest.fixture
def client(settings):
    return shop_air.board_client(settings)


def draw(
    client,
    *,
    places,
    quantity="humidity",
    span="day",
    relayout=None,
    trigger=None,
    held=None,
    screen=None,
    pressed=(0, 0, 0),
    **headers,
):
    values = {
        "past-places": places,
        "past-quantity": quantity,
        "past-span": span,
        "past-plot": relayout,
        "screen": screen,
    }
    return draw_view(
        client, "past", values, held=held, pressed=pressed, trigger=trigger, **headers
    )


# Air


def test_the_wall_says_each_place_its_figures_and_their_meaning(full):
    text = said(air_page.content(full))
    assert "Front bench" in text
    assert "Good for glue and open work." in text
    assert "If brought in and heated to 22 °C" in text  # the mean of the two places indoors
    assert text.count("Relative humidity") == 3
    assert "±" in text


def test_the_headline_names_the_worst_place_with_its_figure(settings, writer):
    now = now_ms()
    shop_air.fill(writer, "front-bench", now - DAY, now, 60_000, shift_pct=-22)
    shop_air.fill(writer, "varnish-room", now - DAY, now, 60_000)
    airs = air_now(ShopData(settings).recent(), settings, now)
    head = air_text.headline(airs, now, settings.zone, "C")
    assert head.state == "dry"
    assert head.sentence.startswith(f"Front bench, {airs[0].rh_pct:.0f} %. Very dry")
    shown = str(air_page.content(ShopData(settings)))
    assert f"Front bench, {airs[0].rh_pct:.0f}\\xa0%. Very dry" in shown  # a figure keeps its unit
    assert "className='advice above'" in shown  # a low row drops what the headline says
    # The time belongs to the state, not to the last piece of advice ("use no heater ... for a day").
    assert head.detail.startswith("Dry for more than a day. ")


def test_a_state_that_goes_on_within_the_band_says_where_it_ends(settings, writer):
    now = now_ms()
    series = [Series("front-bench", "fb-1", q) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)]
    for ago, rh_pct in ((30, 38.0), (20, 38.0), (10, 41.0), (0, 41.0)):
        at = now - ago * 60_000
        writer.write([Reading(series[0], at, 20.0), Reading(series[1], at, rh_pct)])
    head = air_text.headline(
        air_now(ShopData(settings).recent(), settings, now), now, settings.zone, "C"
    )
    assert head.sentence == "Front bench, 41 %. Dry."
    assert ", until it is back at 42 %. " in head.detail


def test_when_all_is_right_the_headline_says_so_since_when_and_for_what(full, settings):
    now = now_ms()
    airs = air_now(full.recent(), settings, now)
    head = air_text.headline(airs, now, settings.zone, "C")
    assert head.state == "right"
    assert head.sentence == "The air is right: all places within their bands."
    assert "glue and open work and for varnish" in head.detail
    new = dataclasses.replace(airs[0], heard_ms=None)
    head = air_text.headline([*airs, new], now, settings.zone, "C")
    assert head.sentence == "The air is right: all places that send within their bands."


def test_a_quiet_sensor_is_told_before_what_is_right(settings, writer):
    now = now_ms()
    shop_air.fill(writer, "front-bench", now - DAY, now - 2 * HOUR, 60_000)
    shop_air.fill(writer, "varnish-room", now - DAY, now, 60_000)
    airs = air_now(ShopData(settings).recent(), settings, now)
    head = air_text.headline(airs, now, settings.zone, "C")
    assert head.sentence.startswith("No reading from Front bench since")
    assert air_text.state_of(airs[0]) == "old"
    assert "Last reading: " in air_text.meaning(airs[0], now, settings.zone)


def test_the_air_is_not_called_right_by_a_stuck_sensor_alone(settings, writer):
    now = now_ms()
    shop_air.fill(writer, "varnish-room", now - DAY, now, 60_000)
    held = [
        Reading(Series("front-bench", "fb-1", quantity), at, value)
        for at in range(now - DAY, now + 1, 60_000)
        for quantity, value in ((Quantity.TEMPERATURE, 20.0), (Quantity.HUMIDITY, 48.0))
    ]
    writer.write(held)
    airs = air_now(ShopData(settings).recent(), settings, now)
    assert airs[0].in_doubt
    assert not airs[1].in_doubt
    head = air_text.headline(airs, now, settings.zone, "C")
    assert head.sentence == "The reading from Front bench is in doubt."
    assert air_text.state_of(airs[0]) == "unknown"
    assert "another hygrometer" in air_text.meaning(airs[0], now, settings.zone)


def test_below_freezing_the_frost_point_is_named_and_the_dew_point_kept(settings, writer):
    now = now_ms()
    for quantity, value in ((Quantity.TEMPERATURE, -5.0), (Quantity.HUMIDITY, 80.0)):
        writer.write([Reading(Series("outdoors", "o", quantity), now, value)])
    text = said(air_page.content(ShopData(settings)))
    assert "Frost point; dew point −7.9 °C" in text


def test_near_saturation_emc_is_said_as_above_24(settings, writer):
    now = now_ms()
    for quantity, value in ((Quantity.TEMPERATURE, 20.0), (Quantity.HUMIDITY, 97.0)):
        writer.write([Reading(Series("front-bench", "o", quantity), now, value)])
    assert "above 24" in said(air_page.content(ShopData(settings)))


def test_the_mark_on_the_strip_never_contradicts_the_verdict(settings, writer):
    now = now_ms()
    for rh in (30, 39, 41, 50, 59, 61, 66, 90):
        for quantity, value in ((Quantity.TEMPERATURE, 21.0), (Quantity.HUMIDITY, float(rh))):
            for place in ("front-bench", "varnish-room"):
                writer.write([Reading(Series(place, "p", quantity), now + rh, value)])
        for one in air_now(ShopData(settings).recent()[:2], settings, now + 100):
            if one.assessment.weight == 0:
                assert place_row.mark_state(one) == "right", (one.place.id, rh)


def test_an_empty_shop_leads_to_the_guide_in_plain_words(settings, writer):
    content = air_page.content(ShopData(settings))
    assert "Set up your shop." in said(content)
    assert "{" not in said(content)
    assert "'/guide'" in str(content)


def test_fahrenheit_is_used_everywhere_on_the_wall(settings, full, client):
    inputs = [("token", "data", "x")]
    answer = ask_dash(
        client,
        "air.children",
        inputs,
        [("_pages_location", "search", "")],
        "token.data",
        **{"Accept-Language": "en-US"},
    )
    text = answer.get_data(as_text=True)
    assert answer.status_code == 200
    assert "\\u00b0F" in text
    assert "\\u00b0C" not in text
    assert "71 \\u00b0F" in text


# Troubles


def test_each_trouble_says_what_is_wrong_and_what_to_do(settings, writer):
    shop, now = ShopData(settings), now_ms()
    cases = {
        "The service stopped at": {"beat_ms": now - 60_000},
        "No connection to the broker at 127.0.0.1:1883: no answer.": {
            "broker_trouble": "no answer"
        },
        "Readings cannot be stored: disk full.": {"store_trouble": "disk full"},
        "No backup was made last night.": {"backup_trouble": "No backup was made last night"},
        "Alerts and ready times have stopped: a rule broke.": {"round_trouble": "a rule broke"},
        "The clock of the shop's computer jumped ahead by 13 years at": {
            "clock": ClockJump(4745 * 86_400_000, now, JumpState.DOUBTED)
        },
        "The clock of the shop's computer was set back by 1 hour at": {
            "clock": ClockJump(-3_600_000, now, JumpState.UNDONE)
        },
    }
    for sentence, values in cases.items():
        shop_air.beat(settings, **values)
        (found,) = shell.troubles(shop.service_state(), None, now, settings.zone)
        assert found.sentence.startswith(sentence)
        assert found.remedy
    shop_air.beat(settings)
    assert shell.troubles(shop.service_state(), None, now, settings.zone) == []


@pytest.mark.parametrize("content", [None, b"", b"this is no database " * 500])
@pytest.mark.parametrize("path", ["/", "/past", "/sensors"])
def test_a_store_that_is_missing_empty_or_damaged_gives_words_on_every_page(
    settings, content, path
):
    if content is not None:
        settings.store_path.write_bytes(content)
    client = shop_air.board_client(settings)
    layout = client.get("/_dash-layout")
    assert layout.status_code == 200
    text = layout.get_data(as_text=True)
    assert "store" in text
    answer = ask_page(client, path)
    assert answer.status_code == 200
    assert "Traceback" not in answer.get_data(as_text=True)
    assert client.get("/here").status_code == 200


@pytest.mark.slow
def test_a_locked_store_is_told_in_words(settings, writer, monkeypatch):
    writer.close()
    lock = sqlite3.connect(settings.store_path, isolation_level=None)
    lock.execute("PRAGMA journal_mode = DELETE")
    lock.execute("BEGIN EXCLUSIVE")
    try:
        monkeypatch.setattr("monitor.store.connection.BUSY_WAIT_S", 0.05)
        with pytest.raises(StoreUnavailable) as fault:
            ShopData(settings).recent()
        assert "cannot be read just now" in sentences.store_trouble(fault.value).sentence
    finally:
        lock.close()


def test_every_page_says_in_words_that_the_store_cannot_be_read(tmp_path):
    settings = shop_air.settings_in(tmp_path)
    settings.store_path.write_bytes(b"this is no database " * 500)
    app = create_app(settings)
    told = {}
    for page in dash.page_registry.values():
        with app.server.test_request_context():
            flask.g.visitor = Visitor(Role.OWNER)
            told[page["module"]] = said(page["layout"]())
    assert len(told) >= 20
    assert "The air is not known. The store cannot be read." in told.pop("air")
    without = {name for name, text in told.items() if "The store cannot be read: " not in text}
    assert without <= {
        *("sign_in", "people", "clients", "help", "help_subject"),
        *("alerts_phones", "settings_section"),
        "shops",  # says of each shop's own store whether it can be read
    }, without


# Past


@pytest.mark.slow
@pytest.mark.parametrize("span", ["hour", "day", "night", "week", "month", "year", "all"])
def test_every_span_draws_from_the_store(full, client, span):
    answer = draw(client, places=["front-bench", "outdoors"], span=span, quantity="dew_point")
    found = answer.json["response"]
    assert answer.status_code == 200
    assert len(found["past-plot"]["figure"]["data"]) >= 2
    assert "Front bench" in json.dumps(found["past-words"])
    assert "/past.csv?" in json.dumps(found["past-files"])


def test_zooming_asks_for_finer_data_and_a_double_click_goes_back(full, client):
    now = now_ms()
    start = draw(client, places=["front-bench"]).json["response"]
    ends = {"xaxis.range[0]": now - 3 * HOUR, "xaxis.range[1]": now - HOUR}
    zoomed = draw(client, places=["front-bench"], relayout=ends, held=start).json["response"]
    axis = zoomed["past-plot"]["figure"]["layout"]["xaxis"]
    assert axis["range"] == [now - 3 * HOUR, now - HOUR]
    back = draw(client, places=["front-bench"], relayout={"xaxis.autorange": True}, held=zoomed)
    assert "zoom" not in back.json["response"]["past-view"]["data"]


def test_a_resize_or_a_fresh_token_does_not_draw_again_for_nothing(full, client):
    held = draw(client, places=["front-bench"], span="year").json["response"]
    for relayout, trigger in (
        ({"autosize": True}, "past-plot.relayoutData"),
        (None, "token.data"),
    ):
        answer = draw(
            client,
            places=["front-bench"],
            span="year",
            relayout=relayout,
            trigger=trigger,
            held=held,
        )
        assert answer.status_code == 204


@pytest.mark.slow
@pytest.mark.parametrize("trigger", ["token.data", "past-plot.relayoutData"])
@pytest.mark.parametrize(
    "meant",
    [
        {},
        {"quantity": "temperature"},
        {"span": "month"},
        {"places": ["outdoors"]},
        {"pressed": (1, 0, 0)},
        {"screen": {"theme": "night", "width": 1920}},
    ],
)
def test_what_the_reader_did_is_drawn_though_another_request_came_in_between(
    full, client, meant, trigger
):
    usual = {"places": ["front-bench"], "span": "year", "relayout": {"autosize": True}}
    held = draw(client, **usual).json["response"] if meant else None  # {}: the page just opened
    answer = draw(client, **usual | meant, trigger=trigger, held=held)
    assert answer.status_code == 200
    if "pressed" in meant:
        assert "end" in answer.json["response"]["past-view"]["data"]
    after = answer.json["response"]
    assert draw(client, **usual | meant, trigger=trigger, held=after).status_code == 204


def test_earlier_and_later_go_by_the_local_calendar_and_not_past_now(full):
    now = now_ms()
    choice, done = Choice(("front-bench",), "humidity", "day", None, None), Done()
    earlier = step(choice, choice, done, done._replace(earlier=1), now, full)
    assert 23 * HOUR <= now - earlier.end_ms <= 25 * HOUR
    assert step(earlier, earlier, done, done._replace(later=1), now, full).end_ms is None
    assert step(earlier, earlier, done, done._replace(back=1), now, full).end_ms is None


def test_the_address_holds_the_choice_and_a_wrong_one_is_left_at_its_default():
    choice = Choice(("a", "b"), "dew_point", "week", 1_790_000_000_000, (1000, 200_000))
    assert choice_of(choice.query()) == choice
    wrong = {"span": "<x>", "quantity": "evil", "end": "٣", "zoom": "9-1"}
    assert choice_of(wrong) == Choice((), "humidity", "day", None, None)


def test_no_place_and_no_readings_are_said_in_the_plot(full, client):
    assert "Choose a place" in draw(client, places=[]).get_data(as_text=True)
    old = {"places": "front-bench", "span": "day", "end": "1600000000000"}
    held = {"past-view": {"data": old}, "past-seen": {"data": None}}
    assert "No readings in this span" in draw(client, places=["front-bench"], held=held).get_data(
        as_text=True
    )


# CSV


def rows_of(answer):
    return list(csv.reader(io.StringIO(answer.get_data(as_text=True))))


def test_the_download_holds_every_reading_in_utc_and_local_time(full, client):
    now = now_ms()
    answer = client.get(
        f"/past.csv?places=front-bench&quantity=dew_point&start={now - HOUR}&end={now + 1}"
    )
    rows = rows_of(answer)
    assert answer.mimetype == "text/csv"
    assert rows[0] == [
        "time_utc",
        "time_local",
        "place",
        "sensor",
        "temperature [°C]",
        "humidity [%]",
        "dew_point [°C]",
    ]
    assert 59 <= len(rows) - 1 <= 61
    assert rows[1][0].endswith("Z")
    assert rows[1][1][-6:] in ("+01:00", "+02:00")
    fahrenheit = client.get(answer.request.url, headers={"Accept-Language": "en-US"})
    assert rows_of(fahrenheit)[0][4] == "temperature [°F]"
    assert float(rows_of(fahrenheit)[1][4]) == pytest.approx(
        32 + 1.8 * float(rows[1][4]), abs=1e-3
    )


def test_a_long_download_is_cut_to_the_newest_rows(full, client, monkeypatch):
    from dashboard.data import histories

    monkeypatch.setattr(histories, "CSV_ROWS_MAX", 300)
    now = now_ms()
    answer = client.get(
        f"/past.csv?places=front-bench&quantity=humidity&start={now - DAY}&end={now + 1}"
    )
    rows = rows_of(answer)
    assert 200 <= len(rows) - 1 <= 300
    last = max(ms for ms, _, _ in full.sensors()[0].last.values())
    import datetime

    newest = datetime.datetime.fromisoformat(rows[-1][0].replace("Z", "+00:00"))
    assert newest.timestamp() * 1000 == pytest.approx(last, abs=60_001)


def test_a_wrong_download_is_refused_with_a_sentence(full, client):
    for query in (
        "",
        "places=front-bench&quantity=humidity",
        "places=front-bench&quantity=x&start=1&end=2",
        "places=nowhere&quantity=humidity&start=1&end=2",
        "places=front-bench&quantity=humidity&start=2&end=1",
    ):
        answer = client.get(f"/past.csv?{query}")
        assert answer.status_code == 400, query
        assert answer.mimetype == "text/plain"


# Sensors


@pytest.mark.parametrize("rest", ["", "/front-bench/fb-1", "/front%20bench/fb-1"])
def test_the_old_address_of_sensors_leads_to_the_new_one(client, rest):
    answer = client.get(f"/probes{rest}")
    assert answer.status_code == 301
    assert answer.headers["Location"] == f"/sensors{rest}"


def test_sensors_shows_sensors_counts_and_refusals_as_text(full, writer):
    payload = b"<script>alert(1)</script>\x00\xff" * 20
    writer.write([], refusals=[Refusal(now_ms(), "a/<b>", payload, len(payload), "not JSON")])
    text = said(sensors_page.content(full))
    assert "fb-1" in text
    assert "100 of 100" in text
    assert "No faults found." in text
    assert "not JSON" in text
    assert f"({len(payload)} bytes)" in text
    assert "\x00" not in text


def test_rejected_messages_are_explained_once_a_cause_with_a_rule_to_add(full, writer):
    now = now_ms()
    odd = b'{"temperature": 21.5, "humidity": 44}'
    many = [Refusal(now - i, "attic/thing", odd, len(odd), "no rule") for i in range(12)]
    ours = Refusal(now, "benchweather/front-bench/fb-1", b"", 0, "empty payload")
    writer.write([], refusals=[*many, ours])
    rows = [said(row) for row in html_rows(rejected.rejected(full, now)[-1])]
    assert len(rows) == 2
    strange = next(row for row in rows if "attic/thing" in row)
    assert "Something sends messages that no rule reads." in strange
    assert "Add the rule only if this sensor is yours." in strange
    assert '[[topics]]\nfilter = "attic/thing"' in strange
    assert strange.rstrip().endswith("12")
    empty = next(row for row in rows if "fb-1" in row)
    assert "It is empty. Restart the sensor." in " ".join(empty.split())


def html_rows(table):
    return table.children[1].children


@pytest.mark.parametrize(
    ("payload", "size", "text"),
    [
        (b"", 0, "empty"),
        (b"abc", 3, "abc"),
        (b"abc", 900, "abc … (900 bytes)"),
        (b"a\nb\x1b[0m", 7, "a·b·[0m"),
        ("\u202eabc".encode(), 6, "·abc"),
    ],
)
def test_a_payload_is_shown_as_harmless_text(payload, size, text):
    assert rejected.payload_words(payload, size) == text


# Headers and names


@pytest.mark.parametrize(
    ("host", "code"),
    [
        ("localhost", 200),
        ("127.0.0.1:8050", 200),
        ("[::1]:8050", 200),
        ("LOCALHOST.", 200),
        ("evil.example", 403),
        ("localhost.evil.example", 403),
        ("192.168.1.9", 403),
    ],
)
def test_only_our_own_names_are_served(client, host, code):
    answer = client.get("/here", headers={"Host": host})
    assert answer.status_code == code
    if code == 403:
        assert "board.names" in answer.get_data(as_text=True)


def test_names_of_the_settings_and_bare_addresses_of_an_open_board_are_served():
    board = SimpleNamespace(host="0.0.0.0", names=["Bench.local"])
    assert guard.allowed("bench.local:8050", board)
    assert guard.allowed("192.168.1.9:8050", board)
    assert not guard.allowed("evil.example", board)


def test_every_page_has_a_content_policy_without_inline_scripts(client):
    answer = client.get("/")
    policy = answer.headers["Content-Security-Policy"]
    scripts = policy.split("script-src ")[1].split(";")[0]
    assert "unsafe" not in scripts
    assert "'sha256-" in scripts
    assert "''" not in policy
    nonce = re.search(r"'nonce-([^']+)'", policy).group(1)
    assert f'nonce="{nonce}"' in answer.get_data(as_text=True)
    assert nonce not in client.get("/").headers["Content-Security-Policy"]  # each page has its own
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert '<html lang="en" ' in answer.get_data(as_text=True)


def test_a_page_and_an_answer_have_the_headers_of_the_list(client):
    """Pages, data, files and refusals alike: ASVS 14.3.3, 14.4 and 14.5.3."""
    for path in ("/", "/here", "/assets/board.css", "/past.csv", "/sign-out"):
        answer = client.get(path, buffered=True)
        headers = answer.headers
        assert headers["X-Content-Type-Options"] == "nosniff", path
        assert headers["Referrer-Policy"] == "same-origin"
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
        assert "camera=()" in headers["Permissions-Policy"]
        assert "none'" in headers["Content-Security-Policy"]
        kind = headers["Content-Type"]
        assert "charset=utf-8" in kind or kind.startswith("application/json")
        assert "Access-Control-Allow-Origin" not in headers
        assert not {"Server", "X-Powered-By"} & set(headers.keys())
        if kind.startswith(("text/html", "application/json")):
            assert headers["Cache-Control"] == "no-store"


def test_a_browser_keeps_the_files_whose_address_changes_with_them(client):
    """Else each page asks anew for each of some 25 files."""
    page = client.get("/").get_data(as_text=True)
    files = re.findall(r'"(/assets/[^"]+[.](?:js|css)\S*)"', page)
    assert len(files) > 20
    for path in files:
        with client.get(path, buffered=True) as answer:
            assert "immutable" in answer.headers["Cache-Control"], path
    plain = files[0].partition("?")[0]
    for path in (plain, "/assets/none.js?m=1", "/past.csv?m=1"):
        with client.get(path, buffered=True) as answer:
            assert "immutable" not in answer.headers["Cache-Control"], path


def test_no_page_names_another_host(client):
    import re

    for path in ("/", "/past", "/sensors", "/_dash-layout"):
        text = client.get(path).get_data(as_text=True)
        assert re.findall(r"""(?:src|href)=["'](?:https?:)?//""", text) == []


def test_an_oversized_request_is_refused(client):
    answer = client.post(
        "/_dash-update-component",
        data=b"x" * (guard.REQUEST_MAX + 1),
        content_type="application/json",
    )
    assert answer.status_code in (400, 413)


def test_the_demo_is_flagged(tmp_path):
    from monitor.settings import load

    settings = load(data=tmp_path, demo=True, environ={})
    client = shop_air.board_client(settings)
    assert "DEMO: all data is invented" in client.get("/_dash-layout").get_data(as_text=True)
