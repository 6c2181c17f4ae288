"""Alerts from the terminal, against the commands in this process, and over MQTT with a service."""

from __future__ import annotations

import csv
import json
from contextlib import closing
from datetime import UTC, datetime

import command_server
import paho.mqtt.client as paho
import pytest
from conftest import CLOCK_STEP_MS, mosquitto_pub, until
from receivers import Webhook

from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.events import About
from monitor.domain.topic_rules import COMMAND_TOPIC
from monitor.service.state_publisher import ALERTS_TOPIC
from monitor.store import Reader, Writer, outbox
from monitor.store.journal import events_about

make_command_server = command_server.make_command_server  # fixture

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
CONFIG = """
[shop]
name = "Quillon Lane Violin Repair, Marrowick"
time_zone = "Europe/Berlin"
[alerts]
quiet = ""
brief_at = ""
[[places]]
id = "bench"
[[places]]
id = "loft"
[[reservoirs]]
id = "room-humidifier"
lasts_h = 20
[[channels]]
id = "hook"
url = "{url}"
least = 1
"""


def air(path, spans):
    """Readings each minute: (from, to, RH) each, in minutes before now."""
    path.parent.mkdir(parents=True, exist_ok=True)
    end, readings = now_ms(), []
    for first, last, rh_pct in spans:
        for i in range(last, first):
            at = end - MINUTE * i
            readings.append(Reading(Series("bench", "a1", Quantity.TEMPERATURE), at, 20.0))
            rh = rh_pct + 0.1 * (i % 3)  # air never stands quite still
            readings.append(Reading(Series("bench", "a1", Quantity.HUMIDITY), at, rh))
    with closing(Writer(path)) as writer:
        writer.write(readings)


@pytest.fixture
def hook():
    with Webhook().open() as receiver:
        yield receiver


def dry(one, url):
    """A shop whose bench is at 26 %, started, with the rule for very dry air taking it at once."""
    one.environment |= {"COLUMNS": "100"}
    one.data.mkdir(parents=True, exist_ok=True)
    (one.data / "benchweather.toml").write_text(CONFIG.format(url=url), encoding="utf-8")
    air(one.store, [(3 * 60, 0, 26.0)])
    one.start()
    ok(one.command("rule", "set", "very-dry", "--hold-min", "0"))
    return one


@pytest.fixture
def shop(make_command_server):
    one = dry(make_command_server(), "json://127.0.0.1:9/x")
    one.go_round()
    assert open_rules(one) == {"very-dry"}
    return one


@pytest.fixture
def running(make_service, hook):
    """The whole service, for what comes and goes over MQTT and by its own rounds."""
    one = dry(make_service(board=False), hook.url)
    until(lambda: open_rules(one) == {"very-dry"})
    return one


def journal(shop):
    with closing(Reader(shop.store)) as reader:
        return Journal(reader)


def open_rules(shop):
    return {alert.rule for alert in journal(shop).alerts.values() if alert.open}


def ok(done):
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def publish(shop, about, payload):
    topic = COMMAND_TOPIC.format(about)
    mosquitto_pub(shop.port, topic, json.dumps(payload), account=shop.own_account)


def flat(text):
    """A table's words without its lines and breaks."""
    return " ".join("".join(" " if c in "│┃━─" else c for c in text).split())


def test_an_alert_is_listed_shown_noted_and_acknowledged(shop):
    listed = ok(shop.command("alert", "list"))
    assert max(map(len, listed.splitlines())) <= 100
    for part in (
        "3 act now",
        "Bench: Very dry, 26 %",
        "Close no joints. ",
        "Nobody has acknowledged",
    ):
        assert part in flat(listed)
    ok(shop.command("alert", "note", "1", "window was open"))
    assert ok(shop.command("alert", "acknowledge", "1")) == "1: done\n"
    shown = flat(ok(shop.command("alert", "show", "1")))
    for part in (
        "Why: Quarter-sawn Engelmann spruce that was fixed",
        "Source: computed",
        "Caution: Empty",
        "window was open",
        "acknowledge",
        "raise",
    ):
        assert part in shown
    found = journal(shop).alerts["1"]
    assert found.acknowledged
    assert found.notes[0][2] == "window was open"
    again = shop.command("alert", "acknowledge", "1")
    assert (again.returncode, "1: alert 1 was acknowledged by" in again.stderr) == (1, True)


def test_an_alert_is_put_off_and_what_cannot_be_is_refused(shop):
    ok(shop.command("alert", "snooze", "1", "30"))
    found = journal(shop).alerts["1"]
    assert found.snoozed_until_ms == found.events[-1].recorded_ms + 30 * MINUTE
    assert "Snoozed until" in flat(ok(shop.command("alert", "list")))
    for arguments, code, why in [
        (("alert", "snooze", "1", "1"), 1, "must be a whole number from 5 to 20160"),
        (("alert", "show", "9"), 1, "There is no alert '9'"),
        (("alert", "note", "1", " "), 1, "note is empty"),
        (("alert", "snooze", "1", "soon"), 2, "Invalid value"),
        (("rule", "show", "nothing"), 1, "There is no rule 'nothing'"),
        (("rule", "set", "dry"), 2, "There is nothing to set"),
        (("rule", "set", "dry", "--low", "130"), 1, "low = 130.0: must be 0 to 100 %"),
        (("rule", "set", "dry", "--field", "colour=red"), 2, "must be NAME=VALUE"),
        (
            ("rule", "set", "dry", "--field", "on=perhaps"),
            2,
            "on = 'perhaps': must be true or false",
        ),
        (
            ("rule", "set", "dry", "--field", "hold_s=long"),
            2,
            "hold_s = 'long': must be a whole number",
        ),
        (("rule", "reset", "dry"), 1, "has no changes to undo"),
        (
            ("rule", "set", "dry", "--hold-min", "nan"),
            2,
            "--hold-min nan: must be a length of time",
        ),
        (("rule", "set", "dry", "--field", "only=cellar"), 1, "only = 'cellar': must be one of"),
        (("rule", "set", "dry", "--field", "under=dry"), 1, "under must not lead back"),
        (("filled", "bucket"), 1, "there is no tank 'bucket'"),
        (("humidifier", "cellar", "--none"), 1, "place = 'cellar': must be one of"),
        (("humidifier", "bench"), 2, "Missing option '--there'"),
        (("closed", "--until", "Christmas"), 1, "must be a date such as 2026-12-24"),
        (("closed", "--until", "2020-12-24"), 1, "within 366 days of today"),
        (("closed", "--until", "today", "--open"), 2, "--until, or --open"),
        (("closed",), 2, "--until, or --open"),
        (
            ("filled", "room-humidifier", "--amount", "2"),
            1,
            "amount = '2': must be an amount of water",
        ),
    ]:
        done = shop.command(*arguments)
        assert (done.returncode, why in flat(done.stderr)) == (code, True), done.stderr


@pytest.mark.slow
def test_rules_are_shown_changed_added_and_given_up(shop):
    listed = ok(shop.command("rule", "list"))
    assert max(map(len, listed.splitlines())) <= 100
    assert "humidity at bench below 30 %" in flat(listed).replace(" changed", "")  # the last cell
    ok(
        shop.command(
            "rule",
            "set",
            "damp",
            "--high",
            "62",
            "--back",
            "3",
            "--hold-min",
            "90",
            "--calm-min",
            "30",
            "--urgency",
            "2",
            "--repeat-h",
            "8",
            "--in-quiet",
            "--off",
            "--field",
            "only=bench, loft",
            "--field",
            "do=Open the window.",
        )
    )
    kept = journal(shop).rules["damp"]
    assert {
        k: kept[k]
        for k in (
            "high",
            "back",
            "hold_s",
            "calm_s",
            "urgency",
            "repeat_s",
            "breaks_quiet",
            "on",
            "only",
            "do",
        )
    } == {
        "high": 62.0,
        "back": 3.0,
        "hold_s": 5400,
        "calm_s": 1800,
        "urgency": 2,
        "repeat_s": 28_800,
        "breaks_quiet": True,
        "on": False,
        "only": ["bench", "loft"],
        "do": "Open the window.",
    }
    shown = flat(ok(shop.command("rule", "show", "damp")))
    assert "--field only= bench, loft" in shown
    assert "--on / --off --off" in shown
    assert "--hold-min 90" in shown
    assert "off, changed" in flat(ok(shop.command("rule", "list")))
    ok(shop.command("rule", "set", "damp", "--field", "high=none"))
    assert journal(shop).rules["damp"]["high"] is None
    ok(
        shop.command(
            "rule",
            "set",
            "loft-heat",
            "--like",
            "heat",
            "--name",
            "Loft too hot",
            "--high",
            "26",
            "--field",
            "only=loft",
        )
    )
    assert journal(shop).rules["loft-heat"]["name"] == "Loft too hot"
    ok(shop.command("rule", "reset", "damp"))
    assert set(journal(shop).rules) == {"very-dry", "loft-heat"}


@pytest.mark.slow
def test_an_answer_about_a_humidifier_is_kept(shop):
    assert "bench has no humidifier." in ok(shop.command("humidifier", "bench", "--none"))
    with closing(Reader(shop.settings.store_path)) as reader:
        (event,), _ = events_about(reader.connection, About.HUMIDIFIER)
    assert (event.subject, event.action) == ("bench", "none")


@pytest.mark.slow
def test_a_tank_is_noted_as_filled(shop):
    before = now_ms()
    assert "1500 mL" in ok(shop.command("filled", "room-humidifier", "--amount", "1500 mL"))
    filled, after = journal(shop).filled_ms["room-humidifier"], now_ms()
    assert before - CLOCK_STEP_MS <= filled <= after + CLOCK_STEP_MS


@pytest.mark.slow
@pytest.mark.broker
def test_a_button_acknowledges_once_and_the_retained_topic_says_so(running):
    got = []
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.on_connect = lambda c, *_: c.subscribe(ALERTS_TOPIC, 1)
    client.on_message = lambda c, u, m: got.append(json.loads(m.payload))
    client.username_pw_set(*running.own_account)
    client.connect("127.0.0.1", running.port)
    client.loop_start()
    until(lambda: got and got[-1])
    assert got[-1][0]["said"] == "Bench: Very dry, 26 %"
    assert got[-1][0]["acknowledged_by"] is None
    press = {"id": "press-7", "do": "acknowledge", "alert": "1", "by": "bench button"}
    publish(running, "alert", press)
    publish(running, "alert", press)
    until(lambda: got[-1] and got[-1][0]["acknowledged_by"] == "bench button")
    publish(running, "reservoir", {"do": "filled", "reservoir": "room-humidifier"})
    until(lambda: "room-humidifier" in journal(running).filled_ms)  # and so both presses
    did = [str(event.action) for event in journal(running).alerts["1"].events]
    assert did.count("acknowledge") == 1
    client.disconnect()
    client.loop_stop()


def outcomes(shop):
    with closing(Reader(shop.store)) as reader:
        return {entry.outcome for entry in outbox.recent(reader, 9)}


@pytest.mark.slow
@pytest.mark.broker
def test_a_restart_keeps_the_alerts_and_repeats_nothing(running, hook):
    until(lambda: len(hook.posts) == 1)
    until(lambda: outcomes(running) == {outbox.Outcome.DELIVERED})  # noted, so not sent again
    before = journal(running).alerts["1"]
    running.kill()
    running.start()
    # What a rule finds that is changed now proves that a round has been gone.
    ok(running.command("rule", "set", "heat", "--high", "15", "--hold-min", "0"))
    until(lambda: open_rules(running) == {"very-dry", "heat"})
    until(lambda: len(hook.posts) == 2)
    assert journal(running).alerts["1"] == before
    assert set(journal(running).alerts) == {"1", "2"}
    assert [post.body["title"].partition(",")[0] for post in hook.posts] == [
        "Bench: Very dry",
        "Bench: Hot",
    ]
    until(lambda: outcomes(running) == {outbox.Outcome.DELIVERED})


def test_rules_are_replayed_from_the_log_as_a_list_and_as_a_file(make_command_server, tmp_path):
    quiet = make_command_server()
    quiet.environment |= {"COLUMNS": "100", "BENCHWEATHER_SHOP__TIME_ZONE": "Europe/Berlin"}
    hours = 60
    air(
        quiet.store,
        [(96 * hours, 72 * hours, 48.0), (72 * hours, 60 * hours, 27.0), (60 * hours, 0, 49.0)],
    )
    start = datetime.fromtimestamp(now_ms() / 1000 - 4 * 86_400, UTC).date().isoformat()
    file = tmp_path / "alerts.csv"
    told = ok(quiet.command("replay-rules", "--from", start, "--csv", str(file)))
    assert "3 act now. Bench: Very dry, worst 27 %" in told
    assert "Why: Quarter-sawn Engelmann spruce that was fixed at 50 % RH" in told
    assert "Do: Bag opened plates that have no glue or varnish drying on them" in told
    assert "no data on waits, tanks, the broker, the disk" in flat(told)
    assert "    1  3 act now    Very dry" in told
    rows = list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
    (dry,) = [row for row in rows if row["rule"] == "very-dry"]
    began = datetime.fromisoformat(dry["began_at"]).timestamp() * 1000
    assert abs(began - (now_ms() - 72 * HOUR)) < 20 * MINUTE
    # Twelve hours dry, and over once it has been back for a day.
    assert float(dry["hours"]) == pytest.approx(36, abs=0.5)
    assert float(dry["worst"]) == pytest.approx(27.1, abs=0.2)
    only = ok(quiet.command("replay-rules", "--from", start, "--rule", "fast-drying"))
    assert "Drying fast" in only
    assert "Very dry" not in only
    assert "No alerts in" in ok(
        quiet.command("replay-rules", "--from", start, "--rule", "heat", "--least", "3")
    )
    alerts = json.loads(ok(quiet.command("replay-rules", "--from", start, "--json")))
    assert [one["began_at"] for one in alerts] == [row["began_at"] for row in rows]
    for arguments, code, why in [
        (("--from", "yesterday"), 2, "must be a day or time"),
        (("--from", "2099-01-01"), 2, "is not before --to now"),
        (("--from", start, "--rule", "nothing"), 1, "There is no rule 'nothing'"),
        (("--from", start, "--rule", "very-dri"), 1, "Did you mean very-dry"),
        (("--from", start, "--least", "4"), 2, "Invalid value"),
        (("--from", "2024-01-01", "--to", "2024-02-01"), 1, "No readings from 2024-01-01"),
    ]:
        done = quiet.command("replay-rules", *arguments)
        assert (done.returncode, why in flat(done.stderr)) == (code, True), done.stderr


def test_an_answer_about_closed_days_is_kept(shop):
    assert "The shop is closed. Last closed day: " in ok(
        shop.command("closed", "--until", "today")
    )
    assert "The shop is open today." in ok(shop.command("closed", "--open"))
    with closing(Reader(shop.settings.store_path)) as reader:
        events, _ = events_about(reader.connection, About.CLOSING)
    assert [event.action for event in events] == ["closed", "open"]
    assert events[0].body["last"] == events[0].subject
