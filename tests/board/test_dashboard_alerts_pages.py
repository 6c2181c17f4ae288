"""Pages of alerts and what a tap on them becomes, with store, command link and journal."""

from __future__ import annotations

import contextlib
import json
import re
from dataclasses import replace
from datetime import datetime
from functools import partial

import alert_fixtures
import dashboard_fixtures as shop_air
import pytest
from alert_fixtures import NOON, PARIS, RULES, alert
from board_requests import HERE, do, said
from msgspec.structs import replace as replace_fields

from dashboard.air import page as air_page
from dashboard.alerts import forms as alerts_forms
from dashboard.alerts import page as alerts_page
from dashboard.alerts import rule_fields as alerts_rule_fields
from dashboard.alerts import rules_page as alerts_rules_page
from dashboard.alerts import text as alerts_text
from dashboard.alerts import view as alerts_view
from dashboard.alerts import wall as alerts_wall
from dashboard.app import create_app
from dashboard.data.alerts import AlertQueries
from dashboard.data.journal import CachedJournal
from dashboard.data.shop import ShopData
from dashboard.data.waits import WaitQueries
from dashboard.data.wood import WoodQueries
from dashboard.ui.paging import Asked
from monitor.air.current import air_now
from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.domain.alerts.rule import HOLD_MAX_S
from monitor.domain.events import About
from monitor.domain.notification import Notice
from monitor.store import Reader, journal, outbox

HOUR, DAY = 3_600_000, 86_400_000
LAN = {
    "headers": {
        "Host": "192.168.1.5:8050",
        "Origin": "http://192.168.1.5:8050",
        "Sec-Fetch-Site": "same-origin",
    },
    "environ_overrides": {"REMOTE_ADDR": "192.168.1.20"},
}
"""As another machine of the shop asks."""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A shop in trouble; what a test asks of it is undone by the copy that each test gets."""
    settings, writer, commands = alert_fixtures.dry_shop(tmp_path_factory.mktemp("alerts"))
    with contextlib.closing(writer):
        yield settings, commands


@pytest.fixture
def dry(tmp_path, made):
    """The same shop in a store of this test's own."""
    import sqlite3

    from monitor.store import Writer

    was, _ = made
    settings = shop_air.settings_in(tmp_path, config=alert_fixtures.CONFIG)
    with (
        contextlib.closing(sqlite3.connect(was.store_path)) as source,
        contextlib.closing(sqlite3.connect(settings.store_path)) as target,
    ):
        source.backup(target)
    shop_air.beat(settings)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        commands = alert_fixtures.commanded(writer, settings)
        with shop_air.command_link(settings, commands):
            yield settings, writer, commands


@pytest.fixture
def shop(dry):
    return ShopData(dry[0])


@pytest.fixture
def book(shop):
    kept = CachedJournal(shop)
    return AlertQueries(shop, kept, WaitQueries(shop, kept), WoodQueries(shop, kept))


@pytest.fixture
def client(dry):
    return shop_air.board_client(dry[0])


def page(client, path, lan=False):
    """Everything that the server sends of a page; from another machine if `lan`."""
    asked = {
        "output": ".._pages_content.children..._pages_store.data..",
        "outputs": [
            {"id": "_pages_content", "property": "children"},
            {"id": "_pages_store", "property": "data"},
        ],
        "inputs": [
            {"id": "_pages_location", "property": "pathname", "value": path},
            {"id": "_pages_location", "property": "search", "value": ""},
        ],
        "changedPropIds": [],
        "state": [],
    }
    more = LAN if lan else {"headers": HERE}
    answer = client.post("/_dash-update-component", json=asked, **more)
    assert answer.status_code == 200
    return json.dumps(json.loads(answer.data), ensure_ascii=False)


@pytest.mark.slow
def test_open_alerts_standby_urgency_and_have_their_values_now(book):
    found = book.open()
    assert [one.rule for one in found] == ["very-dry", "sensor-silent", "reservoir-due"]
    values = book.values()
    assert values["very-dry", "front-bench"] == pytest.approx(26.2, abs=0.3)
    assert values["sensor-silent", "loft/lf-1"] > 7_000
    assert values["reservoir-due", "room-humidifier"] == pytest.approx(6 * 3600, abs=300)
    assert book.values() is values


def test_the_page_says_each_alert_what_to_do_and_who_has_seen_it(shop, book, client):
    text = page(client, "/alerts")
    for part in (
        "3 alerts are open.",
        "Front bench: Very dry",
        "26 % when raised",
        "Act now",
        "Bag opened plates that have no glue or varnish drying on them",
        "Not acknowledged.",
        "Snooze 30 min",
        "Snooze 3 h",
        "Snooze until ",
        "/alerts/2",
    ):
        assert part in text, part
    assert do(client, about="alert", do="acknowledge", alert="2", by="Jo")[0] == 200
    text = page(client, "/alerts")
    assert "Acknowledged by Jo" in text
    assert "3 alerts are open, 2 of them not acknowledged." in text


def test_many_alerts_are_paged_and_found_by_their_words(shop, book, monkeypatch):
    few = book.open()
    now = now_ms()
    shown = alerts_page.open_now(shop, book, now, writer=True)
    assert "Search" not in said(shown)
    every = [replace(few[i % 3], id=str(100 + i), label=f"Room {i}") for i in range(120)]
    monkeypatch.setattr(book, "open", lambda: every)
    monkeypatch.setattr(book, "over", lambda _: every)
    first, last, found, none = (
        alerts_page.open_now(shop, book, now, asked, writer=True)
        for asked in (Asked(), Asked("", "3"), Asked("room 119"), Asked("no such"))
    )
    assert "120 alerts are open" in said(first)
    assert "Page 1 of 3" in said(first)
    for page_, numbers in (
        (first, range(50)),
        (last, range(100, 120)),
        (found, [119]),
        (none, []),
    ):
        want = [str(100 + i) for i in numbers]
        assert list(dict.fromkeys(re.findall(r"data-alert='(\d+)'", str(page_)))) == want
    assert "1 matches “room 119”." in said(found)
    ended = [alerts_page.recently_ended(shop, book, now, Asked(ended=number)) for number in "123"]
    assert re.findall(r"/alerts/(\d+)'", str(ended)) == [one.id for one in every]
    assert "Page 2 of 3" in said(ended[1])
    assert "/alerts?q=&ended=3" in str(ended[1])


def test_a_caution_of_several_open_alerts_is_shown_once(shop, book, monkeypatch):
    alike = [replace(book.open()[0], id=str(i), caution="Wear gloves.") for i in range(4)]
    own = replace(alike[0], id="9", caution="Shut the lid.")
    monkeypatch.setattr(book, "open", lambda: [*alike, own])
    shown = said(alerts_page.open_now(shop, book, now_ms(), writer=True))
    assert shown.count("Wear gloves.") == 1
    assert shown.count("Shut the lid.") == 1


def test_who_may_only_read_gets_no_taps(dry):
    settings = shop_air.settings_in(
        dry[0].data, config=alert_fixtures.CONFIG.replace("[board]", '[board]\nhost = "0.0.0.0"')
    )
    client = create_app(settings).server.test_client()
    asked = {"about": "alert", "do": "acknowledge", "alert": "2"}
    assert client.post("/bench/do", json=asked, **LAN).status_code == 403
    text = page(client, "/alerts", lan=True)
    assert "Very dry" in text
    assert "This browser can only read" in text
    assert "data-do" not in text


def test_acknowledge_snooze_and_note_reach_the_journal(client, book):
    assert do(client, about="alert", do="snooze", alert="3", minutes="180", by="Ina")[0] == 200
    found = book.alert("3")
    assert found.snoozed_until_ms == found.events[-1].recorded_ms + 180 * 60_000
    assert [one.id for one in book.calling()] == ["2", "1"]
    status, answer = do(
        client, about="alert", do="snooze", alert="3", minutes=alerts_forms.UNTIL_OPENING
    )
    assert status == 200, answer
    opens = datetime.fromtimestamp(book.alert("3").snoozed_until_ms / 1000, PARIS)
    assert (opens.hour, opens.minute) == (9, 0)
    assert opens.date() > datetime.fromtimestamp(now_ms() / 1000, PARIS).date()
    assert (
        do(client, about="alert", do="note", alert="3", form={"note": " flat battery "})[0] == 200
    )
    assert book.alert("3").notes[-1][2] == "flat battery"
    assert "flat battery" in page(client, "/alerts/3")
    assert do(client, about="alert", do="acknowledge", alert="3")[0] == 200
    status, answer = do(client, about="alert", do="acknowledge", alert="3")
    assert status == 409
    assert "was acknowledged" in answer["refused"]


def test_what_cannot_be_done_is_refused_in_words(client):
    for asked, refused, fields in (
        (
            {"about": "alert", "do": "snooze", "alert": "2", "minutes": "soon"},
            "Minutes = 'soon': must be a number of minutes.",
            None,
        ),
        (
            {"about": "alert", "do": "snooze", "alert": "2", "minutes": "1"},
            "Minutes = 1: must be a whole number from 5 to 20160.",
            None,
        ),
        (
            {"about": "alert", "do": "note", "alert": "2", "form": {"note": "  "}},
            "Note: is empty.",
            {"note": "is empty"},
        ),
        ({"about": "alert", "do": "acknowledge", "alert": "99"}, "There is no alert '99'.", None),
        (
            {"about": "reservoir", "do": "filled", "reservoir": "bucket"},
            "There is no tank 'bucket': room-humidifier, cellar-humidifier.",
            None,
        ),
        (
            {
                "about": "reservoir",
                "do": "filled",
                "reservoir": "room-humidifier",
                "form": {"amount": "200 L"},
            },
            "Water added: 200 L: must be 0.02 to 100 L.",
            {"amount": "200 L: must be 0.02 to 100 L"},
        ),
        ({"about": "rule", "do": "rule", "rule": "dry", "form": {}}, "Nothing was changed.", None),
        (
            {"about": "rule", "do": "reset", "rule": "dry"},
            "Rule 'dry' has no changes to undo.",
            None,
        ),
        (
            {"about": "rule", "do": "rule", "form": {"name": "Dry", "like": "dry"}},
            "Name: is the name of another rule: choose another name.",
            {"name": "is the name of another rule: choose another name"},
        ),
        (
            {"about": "rule", "do": "rule", "form": {"name": "Cellar", "like": ""}},
            "Like: choose one.",
            {"like": "choose one"},
        ),
        (
            {"about": "rule", "do": "rule", "form": {"name": "", "like": "dry"}},
            "Name: is empty.",
            {"name": "is empty"},
        ),
    ):
        status, answer = do(client, **asked)
        assert (status, answer["refused"], answer.get("fields")) == (409, refused, fields), asked


def test_what_is_about_nothing_known_is_no_command(client):
    assert do(client, about="weather", do="stop")[0] == 400
    assert do(client, about=["rule"], do="reset")[0] == 400


def test_a_rule_is_switched_changed_and_given_up(client, book):
    assert do(client, about="rule", do="rule", rule="damp", on="no")[0] == 200
    assert not book.rules()["damp"].on
    form = alerts_rule_fields.form_of(book.rules()["very-dry"], "C")
    form |= {
        "low": "28,5",
        "hold_min": "45",
        "repeat_h": "6",
        "urgency": "2",
        "breaks_quiet": "no",
        "only": "front-bench, cellar",
        "do": "Bag it.",
    }
    assert do(client, about="rule", do="rule", rule="very-dry", form=form) == (
        200,
        {"done": {"rule": "very-dry"}},
    )
    rule, was = book.rules()["very-dry"], RULES["very-dry"]
    assert rule == replace_fields(
        was,
        low=28.5,
        hold_s=2700,
        repeat_s=21_600,
        urgency=2,
        breaks_quiet=False,
        only=("front-bench", "cellar"),
        do="Bag it.",
    )
    assert book.changed() == {"damp", "very-dry"}
    assert do(client, about="rule", do="rule", rule="very-dry", form=form | {"low": ""})[0] == 200
    assert book.rules()["very-dry"].low is None
    assert do(client, about="rule", do="reset", rule="very-dry")[0] == 200
    assert book.rules()["very-dry"] == was


def test_a_rule_is_added_like_another_and_taken_away(client, book):
    form = {"name": "Cellar, too warm", "like": "heat"}
    assert do(client, about="rule", do="rule", form=form)[0] == 200
    new = book.rules()["cellar-too-warm"]
    assert (new.name, new.high, new.family) == ("Cellar, too warm", 30.0, "cellar-too-warm")
    assert "Delete this rule" in page(client, "/alerts/rule/cellar-too-warm")
    assert do(client, about="rule", do="reset", rule="cellar-too-warm")[0] == 200
    assert "cellar-too-warm" not in book.rules()


def test_what_a_rule_cannot_be_is_told_at_its_field(client, book):
    for rule, typed, fields in (
        ("very-dry", {"low": "dry"}, {"low": "'dry' is not a number"}),
        ("very-dry", {"low": "130"}, {"low": "130: must be 0 to 100 %"}),
        ("very-dry", {"back": "-1"}, {"back": "-1: must be 0 to 100 %"}),
        (
            "very-dry",
            {"hold_min": "99999"},
            {"hold_min": f"99999: must be 0 to {HOLD_MAX_S // 86400} days"},
        ),
        ("very-dry", {"calm_h": "-1"}, {"calm_h": f"-1: must be 0 to {HOLD_MAX_S // 86400} days"}),
        ("very-dry", {"over_h": "30"}, {"over_h": "30: must be 0 to 24 h"}),
        (
            "very-dry",
            {"repeat_h": "1e300"},
            {"repeat_h": f"1e300: must be 0 to {HOLD_MAX_S // 86400} days"},
        ),
        (
            "very-dry",
            {"only": "attic"},
            {
                "only": "'attic' is not one of bench, varnish, outdoors, front-bench, varnish-room, "
                "cellar, loft"
            },
        ),
        ("very-dry", {"name": ""}, {"name": "is empty"}),
        ("heat", {"high": ""}, {"high": "is missing: give the limit in °C"}),
        ("far-from-rest", {"low": "3"}, {"low": "3: must be below the upper limit"}),
        (
            "far-from-rest",
            {"back": "2.5"},
            {"back": "2.5: must be less than half of the span between low and high"},
        ),
        (
            "very-dry",
            {"low": "x", "back": "y"},
            {"low": "'x' is not a number", "back": "'y' is not a number"},
        ),
    ):
        before = book.rules()[rule]
        form = alerts_rule_fields.form_of(before, "C") | typed
        status, answer = do(client, about="rule", do="rule", rule=rule, form=form)
        assert status == 409, typed
        assert answer["fields"] == fields
        assert book.rules()[rule] == before


def test_limits_are_typed_in_fahrenheit_by_who_reads_it(dry):
    settings = shop_air.settings_in(
        dry[0].data,
        config=alert_fixtures.CONFIG.replace("[board]", '[board]\ntemperature_unit = "F"'),
    )
    client = shop_air.board_client(settings)
    form = alerts_rule_fields.form_of(RULES["heat"], "F")
    assert (form["high"], form["back"]) == ("86", "1.8")
    assert do(client, about="rule", do="rule", rule="heat", form=form | {"high": "95"})[0] == 200
    with contextlib.closing(Reader(settings.store_path)) as reader:
        assert Journal(reader).rules["heat"]["high"] == pytest.approx(35.0)
    for rule in RULES:
        shown = page(client, f"/alerts/rule/{rule}").partition("Change it")[0]
        assert not re.search(r"\d (K|°C)\b", shown), rule
    assert "5.4 °F above the dew point" in page(client, "/alerts/rule/near-dew-point")


def test_rules_are_all_on_their_page_and_one_has_every_field(client):
    text = page(client, "/alerts/rules")
    for rule in RULES.values():
        assert rule.name in text
    assert "Quiet hours: 21:00 to 07:00. Only rules with" in text
    text = page(client, "/alerts/rule/very-dry")
    for label in ("Lower limit [%]", "Lasting [min]", "Reminder every [h]", "Only at", "Caution"):
        assert label in text
    assert "Of this rule and Dry, only the most urgent raises an alert." in text
    assert "Upper limit" not in text
    assert "No such rule" in page(client, "/alerts/rule/nothing")
    assert "No such alert" in page(client, "/alerts/99")


def test_a_tank_is_filled_at_a_tap_and_says_when_it_is_due(client, book, shop):
    assert "due since" in said(alerts_page.tanks(shop, book, now_ms(), writer=True))
    asked = {"about": "reservoir", "do": "filled", "reservoir": "room-humidifier"}
    assert do(client, **asked, form={"amount": "50.7 fl oz"})[0] == 200
    told, due = alerts_page.tank_words(book.filled_ms()["room-humidifier"], 20, now_ms(), shop)
    assert due == "no"
    assert "; due " in told
    assert "since" not in told


def test_a_caution_that_was_put_away_is_in_the_journal_with_where(client, dry):
    asked = {
        "about": "caution",
        "do": "put away",
        "caution": "oily rags",
        "where": "/bench",
        "by": "Jo",
    }
    assert do(client, **asked)[0] == 200
    with contextlib.closing(Reader(dry[0].store_path)) as reader:
        last = journal.events(reader)[0][-1]
    assert (last.about, last.subject, last.by) == (About.CAUTION, "oily rags", "Jo")
    assert last.body == {"where": "/bench"}


def test_notices_tell_why_they_fail_and_which_were_given_up(dry, shop):
    settings, writer, _ = dry
    now = now_ms()
    entry = outbox.due(writer, now)
    outbox.failed(writer, entry, now, "nothing answers there")
    old = Notice("old-1", now - 4 * DAY, now - 4 * DAY, 3, "Cellar: Very damp, 80 %.", "x")
    with writer.connection.transaction() as run:
        outbox.add(run, [old], ["mail"])
    lost = next(e for e in outbox.recent(writer, 9) if e.notice.notice_id == "old-1")
    outbox.failed(writer, lost, now, "no such host")
    text = said(alerts_page.undelivered_notices(shop.notices(200), settings, now))
    assert "failed 1 try so far; next try about " in text
    assert "nothing answers there" in text
    assert "Failed" in text
    assert "Cellar: Very damp, 80 %." in text
    assert "after 1 try: no such host" in text
    assert "1 of them failing" in text


def test_a_shop_without_channels_is_told_how_to_set_one(tmp_path):
    from dashboard.data.records import Notices

    settings = shop_air.settings_in(tmp_path)
    text = said(alerts_page.undelivered_notices(Notices([], {}), settings, now_ms()))
    assert "No channel is set" in text
    assert "Set up mail or phone" in text


def test_what_waits_for_the_end_of_the_quiet_hours_says_so():
    entry = outbox.OutboxEntry(
        1, "mail", 0, NOON + HOUR, "", None, None, Notice("a", NOON, NOON + HOUR, 1, "t", "x")
    )
    assert alerts_text.way(entry, NOON, PARIS) == "to be sent at 13:00, when the quiet hours end"
    assert alerts_text.way(entry, NOON + 2 * HOUR, PARIS) == "being sent"
    held = entry._replace(notice=entry.notice._replace(not_before_ms=NOON))
    assert alerts_text.way(held, NOON, PARIS).startswith("waiting for the channel")


def test_urgency_is_a_word_and_no_marks():
    for level, word in alerts_text.URGENCY.items():
        assert said(alerts_view.urgency(level)).strip() == word
    assert "!" not in "".join(alerts_text.URGENCY.values())


# The wall


def test_the_wall_has_the_alerts_nobody_has_acknowledged_under_its_headline(shop, book, dry):
    text = said(
        air_page.content(
            shop,
            air_page.NO_STRIPS._replace(alerts=partial(alerts_wall.over_the_places, shop, book)),
        )
    )
    assert "3 alerts" in text
    assert "Act now Front bench: Very dry, 26 %, since" in text
    assert "Sensor lf-1 at Loft: Silent, for 2 h." in text
    dry[2].carry_out({"about": "alert", "do": "acknowledge", "alert": "2"}, now_ms())
    text = said(
        air_page.content(
            shop,
            air_page.NO_STRIPS._replace(alerts=partial(alerts_wall.over_the_places, shop, book)),
        )
    )
    assert "2 of 3 alerts" in text
    assert "Act now" not in text
    for number in ("1", "3"):
        dry[2].carry_out({"about": "alert", "do": "acknowledge", "alert": number}, now_ms())
    assert "Alerts" not in said(
        air_page.content(
            shop,
            air_page.NO_STRIPS._replace(alerts=partial(alerts_wall.over_the_places, shop, book)),
        )
    )


class Judged:
    """As much of a place's air as the choice of the headline looks at."""

    old = False

    def __init__(self, weight, kind="bench"):
        self.assessment = type("V", (), {"weight": weight})
        self.place = type("P", (), {"kind": kind})


@pytest.mark.parametrize(
    ("urgency", "weight", "taken"), [(3, 2, True), (3, 3, False), (2, 0, False), (3, 0, True)]
)
def test_only_an_alert_to_act_on_now_outranks_a_verdict_of_less_weight(urgency, weight, taken):
    found = alert(urgency=urgency)
    now = {("very-dry", "s"): 26.0}
    chosen, left = alerts_wall.most_urgent([Judged(weight)], [found], now, NOON, PARIS, "C")
    if taken:
        assert chosen.sentence == "Front bench: Very dry, 26 %, since 10:00."
        assert chosen.detail == found.do
        assert left == []
    else:
        assert (chosen, left) == (None, [found])


def test_alerts_about_waits_are_left_to_the_strip_of_what_is_in_clamps():
    ready = replace(alert(urgency=1), quantity="ready")
    _, left = alerts_wall.most_urgent([Judged(0)], [ready, alert(urgency=2)], {}, NOON, PARIS, "C")
    assert [one.quantity for one in left] == ["humidity"]


def test_more_alerts_than_lines_are_counted():
    many = [replace(alert(), id=str(i)) for i in range(5)]
    section = alerts_wall.strip(many, 6, {}, NOON, PARIS, "C")
    assert "5 of 6 alerts" in said(section)
    assert said(section).count("Very dry") == alerts_wall.SHOWN
    assert alerts_wall.strip([], 1, {}, NOON, PARIS, "C") is None


def test_the_menu_counts_the_open_alerts_and_is_silent_without_any(book, dry):
    assert alerts_page.open_count(book) == "3"
    for rule in ("very-dry", "dry", "sensor-silent", "reservoir-due"):
        dry[2].carry_out({"about": "rule", "do": "rule", "rule": rule, "on": False}, now_ms())
    alert_fixtures.run_cycles(dry[0], dry[1], now_ms(), now_ms(), 60_000)
    assert alerts_page.open_count(book) == ""
    text = said(alerts_page.open_now(ShopData(dry[0]), book, now_ms(), writer=False))
    assert text.startswith("No open alerts.")
    air = air_now(ShopData(dry[0]).recent(), dry[0], now_ms())[0]
    assert (air.place.id, air.assessment.state) == ("front-bench", "dry")
    assert f"Front bench, {air.rh_pct:.0f} %. {air.assessment.sentence}" in text  # as Air has it
    assert "An alert is raised only after a rule's limit has been passed for the time" in text
    assert "matter" not in text


def test_a_rule_for_places_lists_what_it_can_be_for(shop):
    choice = alerts_rules_page.only_choice(
        replace_fields(RULES["very-dry"], only=("cellar",)), shop
    )
    ticks = choice["rule-only"]
    assert [one["label"] for one in ticks.options] == [
        *("All benches", "All varnish places", "All places outdoors"),
        *("Front bench", "Varnish room", "Wood store, cellar", "Loft"),
    ]
    assert [one["value"] for one in ticks.options[3:]] == [
        *("front-bench", "varnish-room", "cellar", "loft")
    ]
    assert ticks.value == ["cellar"]
