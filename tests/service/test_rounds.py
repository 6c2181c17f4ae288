"""The round: a real store of readings in, alerts, notices and the morning brief out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import msgspec
import numpy as np
import pytest
from receivers import SECRET, Webhook
from round_fixtures import HOUR, MINUTE, NOON, Shop

from monitor.alerting import daily_digest
from monitor.alerting.backtest import replay
from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Commands
from monitor.commands.alerts import FILLED
from monitor.core.errors import StoreUnavailable
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.alerts import rule_registry
from monitor.domain.alerts.alert import AlertAction
from monitor.domain.cautions import ADD_WATER, OPENED_PLATES
from monitor.runtime import health
from monitor.runtime.heartbeat import Heartbeat
from monitor.service.state_publisher import ALERTS_TOPIC
from monitor.store import outbox

pytestmark = pytest.mark.slow


@pytest.fixture
def shop(tmp_path):
    made = Shop(tmp_path, "json://127.0.0.1:9/x")
    yield made
    made.writer.close()


def test_dry_air_is_told_once_with_what_to_do_and_is_over_when_it_is(shop):
    shop.air(NOON - 30 * HOUR, NOON, 48)
    shop.air(NOON, NOON + 9 * HOUR, 36)
    shop.go(NOON, NOON + 9 * HOUR)
    (alert,) = shop.alerts.values()
    assert (alert.rule, alert.label, alert.open) == ("dry", "Bench", True)
    for also in (OPENED_PLATES, "Close no joint unless the Wood page", ADD_WATER):
        assert also in alert.do
    assert shop.told == [
        (
            "Bench: Dry, 36 %. Bag opened plates that have no glue or varnish drying on them.",
            "hook",
        )
    ]
    (entry,) = outbox.recent(shop.reader, 9)
    assert "Why: Opened plates shrink" in entry.notice.text
    assert f"Alert {alert.id}." in entry.notice.text
    assert shop.paper.sent[ALERTS_TOPIC][0]["said"] == "Bench: Dry, 36 %"
    assert shop.woken == 1
    shop.air(NOON + 9 * HOUR, NOON + 40 * HOUR, 50)
    shop.go(NOON + 9 * HOUR, NOON + 40 * HOUR)
    assert shop.open() == {}
    assert shop.paper.sent[ALERTS_TOPIC] == []


def test_very_dry_air_goes_to_the_loud_channel_and_breaks_the_quiet_hours(shop):
    night = NOON + 11 * HOUR  # midnight there
    shop.air(NOON, night, 33)
    shop.go(NOON, night)
    assert [c for _, c in shop.told] == ["hook"]
    shop.air(night, night + 2 * HOUR, 26)
    shop.go(night, night + 2 * HOUR)
    (alert,) = shop.open().values()
    assert alert.urgency == 3
    assert [c for t, c in shop.told if "Very dry" in t] == ["hook", "loud"]
    newest = outbox.recent(shop.reader, 1)[0].notice
    assert newest.not_before_ms == newest.made_ms


def test_what_can_wait_is_sent_after_the_quiet_hours_and_taken_back_if_it_is_over(shop):
    eleven = NOON + 10 * HOUR  # 23:00 there
    shop.commands.carry_out(
        {"about": "rule", "do": "rule", "rule": "dry", "hold_s": 600, "calm_s": 600}, NOON
    )
    shop.air(eleven - HOUR, eleven, 50)
    shop.air(eleven, eleven + HOUR, 36)
    shop.go(eleven, eleven + HOUR)
    (entry,) = outbox.recent(shop.reader, 9)
    seven = int(datetime(2026, 1, 21, 6, tzinfo=UTC).timestamp() * 1000)
    assert entry.notice.not_before_ms == entry.next_try_ms == seven
    shop.air(eleven + HOUR, eleven + 2 * HOUR, 50)
    shop.go(eleven + HOUR, eleven + 2 * HOUR)
    assert shop.open() == {}
    assert outbox.recent(shop.reader, 1)[0].outcome == outbox.Outcome.WITHDRAWN


def test_a_restart_repeats_nothing_and_forgets_nothing(shop):
    shop.air(NOON - 6 * HOUR, NOON + 12 * HOUR, 36)
    shop.go(NOON, NOON + 2 * HOUR)
    assert shop.told == []
    shop.begin()  # two hours into the hold
    shop.go(NOON + 2 * HOUR, NOON + 5 * HOUR)
    assert len(shop.told) == 1
    shop.begin()
    shop.go(NOON + 5 * HOUR, NOON + 10 * HOUR)
    assert len(shop.told) == 1
    assert len(shop.alerts) == 1


def test_a_failed_backup_is_an_alert_until_there_is_a_good_one(shop):
    shop.air(NOON - HOUR, NOON + HOUR, 50)
    shop.troubles = ServiceTroubles(backup="The last backup failed: the disk is away.")
    shop.go(NOON, NOON + 5 * MINUTE, MINUTE)
    assert set(shop.open()) == {"backup-failed"}
    (alert,) = shop.open().values()
    assert alert.events[0].body["detail"] == "The last backup failed: the disk is away."
    assert [title for title, _ in shop.told if title.startswith("Shop: Backup failed.")]
    shop.troubles = ServiceTroubles()
    shop.go(NOON + 6 * MINUTE, NOON + 8 * MINUTE, MINUTE)
    assert set(shop.open()) == set()


def test_a_broker_that_is_away_is_one_alert_not_a_silence_for_each_sensor(shop):
    for number in range(10):
        shop.air(NOON - HOUR, NOON, 50, sensor=f"s{number}")
    shop.troubles = ServiceTroubles(broker="connection refused")
    shop.go(NOON, NOON + 3 * HOUR, MINUTE)
    assert set(shop.open()) == {"broker-away"}
    shop.troubles = ServiceTroubles()
    shop.air(NOON + 3 * HOUR, NOON + 3 * HOUR + 10 * MINUTE, 50, sensor="s1")
    shop.go(NOON + 3 * HOUR + MINUTE, NOON + 3 * HOUR + 10 * MINUTE, MINUTE)
    assert set(shop.open()) == {"sensor-silent"}
    assert len([a for a in shop.alerts.values() if a.open]) == 9
    (title,) = {t for t, _ in shop.told if t.startswith("Silent")}
    assert title.startswith("Silent: Sensor s0 at Bench, ")
    assert "and 5 more" in title


def test_a_sensor_that_stands_still_is_told_but_not_one_that_reads_rarely(shop):
    flat = np.full(8 * 60, 51.0)
    at = NOON - 8 * HOUR + MINUTE * np.arange(8 * 60)
    shop.writer.write(
        [
            Reading(
                Series("bench", "stuck", q),
                int(t),
                float(v) + (q is Quantity.TEMPERATURE) * t / 1e15,
            )
            for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
            for t, v in zip(at, flat, strict=True)
        ]
    )
    shop.air(
        NOON - 8 * HOUR, NOON, lambda at: 50 + at / HOUR % 5, sensor="slow", every=10 * MINUTE
    )
    shop.go(NOON, NOON + 10 * MINUTE)
    assert [a.subject for a in shop.alerts.values() if a.rule == "sensor-stuck"] == ["bench/stuck"]


def test_two_sensors_of_one_name_are_both_looked_for_but_not_one_that_was_carried(shop):
    shop.air(NOON - 9 * HOUR, NOON - 6 * HOUR, 50, sensor="twin")
    shop.air(NOON - 9 * HOUR, NOON, 50, place="corner", sensor="twin")
    shop.air(NOON - 9 * HOUR, NOON - 6 * HOUR, 50, sensor="carried")
    shop.air(NOON - 6 * HOUR, NOON, 50, place="corner", sensor="carried")
    shop.go(NOON, NOON + 10 * MINUTE, 10 * MINUTE)
    silent = [a.subject for a in shop.alerts.values() if a.rule == "sensor-silent"]
    assert silent == ["bench/twin"]
    rules = rule_registry.in_use(shop.settings.limits, {})
    again = replay(shop.reader, shop.settings, rules.values(), [], NOON - 5 * HOUR, NOON)
    assert [a.subject for a in again if a.rule == "sensor-silent"] == ["bench/twin"]


def test_a_rule_for_a_place_that_nobody_knows_is_refused(shop):
    shop.commands = Commands(shop.writer, places=lambda: ["bench", "corner"])
    request = {"about": "rule", "do": "rule", "rule": "dry"}
    with pytest.raises(ValueError, match="only = 'cellar': must be one of bench, corner"):
        shop.commands.carry_out(request | {"only": ["cellar"]}, NOON)
    for known in ("corner", "varnish"):
        shop.commands.carry_out(request | {"only": [known]}, NOON)


def test_an_instrument_from_a_damp_house_is_told_and_one_of_unknown_home_is_not(shop):
    shop.air(NOON - 20 * 24 * HOUR, NOON + HOUR, 38, every=10 * MINUTE)
    for reference, home in (("VA-9", 65), ("VC-9", None)):
        shop.commands.carry_out(
            {
                "about": "instrument",
                "do": "register",
                "reference": reference,
                "kind": "viola",
                "place": "bench",
                "home_rh_pct": home,
                "arrived_ms": NOON - 19 * 24 * HOUR,
            },
            NOON,
        )
    shop.go(NOON - 2 * HOUR, NOON + HOUR)
    (alert,) = (a for a in shop.open().values() if a.family == "wood moves")
    assert (alert.subject, alert.rule) == ("va-9", "near-yield")
    assert alert.detail == "back"


def test_an_instrument_that_came_in_cold_is_kept_shut_until_it_is_warm(shop):
    shop.air(NOON - 5 * HOUR, NOON + 12 * HOUR, 50)
    shop.commands.carry_out(
        {
            "about": "instrument",
            "do": "register",
            "reference": "VN-7",
            "kind": "violin",
            "place": "bench",
            "arrived_temp_c": -5,
            "arrived_ms": NOON,
        },
        NOON,
    )
    shop.go(NOON, NOON + MINUTE, MINUTE)
    # Source: of 25 K, 20 − 9.3 − 3 K are left after 2 h × ln(25 / 7.7) = 2.4 h.
    assert (
        shop.open()["cold-instrument"]
        .events[0]
        .body["do"]
        .startswith(
            "Leave the case shut for at least 3 hours. Wait longer while it still feels cold."
        )
    )
    shop.go(NOON + HOUR, NOON + 8 * HOUR)
    assert "cold-instrument" not in shop.open()
    (alert,) = (a for a in shop.alerts.values() if a.rule == "cold-instrument")
    # Source: Newton's cooling with τ = 2 h: 25 K falls to 20 − 9.3 − 3 K in 1.2 h at the earliest.
    assert 1.2 * HOUR < alert.cleared_ms - NOON < 6 * HOUR


def test_a_tank_that_was_filled_is_due_again_after_its_time(shop):
    shop.air(NOON, NOON + HOUR, 50)
    with pytest.raises(ValueError, match="there is no tank 'x': tank"):
        shop.commands.carry_out({"about": "reservoir", "do": FILLED, "reservoir": "x"}, NOON)
    shop.commands.carry_out({"about": "reservoir", "do": FILLED, "reservoir": "tank"}, NOON)
    shop.cycle.run(NOON + 19 * HOUR)
    assert "reservoir-due" not in shop.open()
    shop.cycle.run(NOON + 21 * HOUR)
    assert "reservoir-due" in shop.open()
    shop.commands.carry_out(
        {"about": "reservoir", "do": FILLED, "reservoir": "tank"}, NOON + 21 * HOUR
    )
    shop.cycle.run(NOON + 21 * HOUR + MINUTE)
    assert "reservoir-due" not in shop.open()


def test_a_store_that_takes_nothing_is_cried_out_once_without_the_outbox(tmp_path, monkeypatch):
    with Webhook().open() as hook:
        shop = Shop(tmp_path, hook.url)
        shop.air(NOON - HOUR, NOON, 20)

        def full(*_, **__):
            raise StoreUnavailable("disk is full")

        monkeypatch.setattr("monitor.store.journal.append", full)
        shop.go(NOON + HOUR, NOON + HOUR + 30 * MINUTE, MINUTE)
        assert [post.body["title"] for post in hook.posts] == 2 * [
            "Readings cannot be stored. Make room on the disk."
        ]  # one through each channel
        assert SECRET not in str(hook.posts[0].body)
        shop.writer.close()


def test_the_brief_comes_once_a_morning_with_night_waits_and_alerts(shop):
    shop.air(NOON - 6 * HOUR, NOON + 20 * HOUR, 36)
    shop.commands.carry_out(
        {
            "do": "open",
            "kind": "plate-crack",
            "instrument": "VN-31",
            "what": "top crack",
            "place": "bench",
            "start_ms": NOON,
        },
        NOON,
    )
    shop.go(NOON, NOON + 20 * HOUR, 50 * MINUTE)
    briefs = [e for e in outbox.recent(shop.reader, 99) if e.notice.notice_id.startswith("brief-")]
    assert [(e.notice.notice_id, e.channel) for e in briefs] == [("brief-2026-01-21", "hook")]
    notice = briefs[0].notice
    assert notice.title == "Good morning. Dry air at Bench. 1 wait ready, 2 open alerts."
    for piece in (
        "Bench: 36 to 36 % RH",
        "VN-31, top crack: Ready since ",
        "Bench: Dry, 36 %, since",
    ):
        assert piece in notice.text
    began = datetime.fromtimestamp(shop.open()["wait-ready"].began_ms / 1000, shop.settings.zone)
    said = next(line for line in notice.text.splitlines() if "top crack: Ready since " in line)
    assert f" {began:%H:%M}" in said  # the wait's own time, not that of the look


# The clocks of Europe/Paris went forward on 29 March and back on 25 October 2026 (tz database).
@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25", "2026-06-01"])
@pytest.mark.parametrize("at", ["02:30", "08:00"])
def test_a_brief_is_due_once_a_day_right_across_a_clock_change(shop, day, at):
    alerts = shop.settings.alerts.model_copy(update={"brief_at": at})
    object.__setattr__(shop.settings, "alerts", alerts)
    begin = datetime.fromisoformat(f"{day}T00:00+00:00") - timedelta(hours=3)
    start = int(begin.timestamp() * 1000)
    due = [
        (t, daily_digest.due(shop.settings, t))
        for t in range(start, start + 27 * HOUR, 5 * MINUTE)
    ]
    first = next(t for t, found in due if found == f"brief-{day}")
    there = datetime.fromtimestamp(first / 1000, shop.settings.zone)
    assert there.date().isoformat() == day
    expected = "03:30" if (day, at) == ("2026-03-29", "02:30") else at
    assert there.strftime("%H:%M") == expected
    assert len({found for _, found in due if found}) <= 2


def test_a_round_reports_since_when_a_shop_without_an_outlook_has_a_log(shop):
    shop.go(NOON, NOON)
    assert shop.cycle.last.log_from_ms is None
    shop.air(NOON - 99 * HOUR, NOON, 48)
    shop.go(NOON, NOON)
    assert (shop.cycle.last.outlook_ms, shop.cycle.last.log_from_ms) == (None, NOON - 99 * HOUR)
    assert not shop.cycle.last.outlook_apart
    beat = Heartbeat(beat_ms=NOON, started_ms=NOON, pid=7, round=shop.cycle.last)
    (found,) = (
        one for one in health.verdicts(beat, NOON, shop.settings.zone) if one.part == "outlook"
    )
    assert found.grade is health.Grade.OK
    later = health.verdicts(
        msgspec.structs.replace(beat, beat_ms=NOON + HOUR), NOON + HOUR, shop.settings.zone
    )
    assert next(one.grade for one in later if one.part == "outlook") is health.Grade.TROUBLE


def test_a_replay_finds_the_alerts_that_were_raised_at_the_time(shop):
    """The log looked at each ten minutes, live and afterwards."""
    noisy = np.random.default_rng(7)

    def swing(at):
        return 44 + 14 * np.sin(2 * np.pi * at / (36 * HOUR)) + noisy.normal(0, 0.5, len(at))

    shop.air(NOON - 26 * HOUR, NOON, swing)
    end = NOON + 4 * 24 * HOUR
    for start in range(NOON, end, 10 * MINUTE):
        shop.air(start, start + 10 * MINUTE, swing)
        shop.cycle.run(start + 10 * MINUTE)
    rules = rule_registry.in_use(shop.settings.limits, {})
    again = replay(shop.reader, shop.settings, rules.values(), [], NOON, end)
    live = [a for a in shop.alerts.values() if a.rule != "disk-low"]
    assert [(a.family, a.subject) for a in again] == [(a.family, a.subject) for a in live]
    assert len(again) == 3  # dry, damp, and dry again
    for was, found in zip(live, again, strict=True):
        assert abs(was.raised_ms - found.raised_ms) <= 30 * MINUTE
        assert (was.cleared_ms is None) == (found.cleared_ms is None)


def test_a_replay_twice_is_the_same(shop):
    shop.air(NOON - 26 * HOUR, NOON + 3 * 24 * HOUR, lambda at: 40 + 20 * np.sin(at / HOUR / 6))
    rules = rule_registry.in_use(shop.settings.limits, {})
    one, other = (
        replay(shop.reader, shop.settings, rules.values(), [], NOON, NOON + 3 * 24 * HOUR)
        for _ in range(2)
    )
    assert one == other
    assert one


def test_every_change_of_an_alert_is_in_the_journal(shop):
    shop.air(NOON - 6 * HOUR, NOON + 60 * HOUR, 36)
    shop.go(NOON, NOON + 5 * HOUR)
    (alert_id,) = shop.alerts
    about = {"about": "alert", "alert": alert_id, "by": "Ina"}
    shop.commands.carry_out(about | {"do": "note", "note": "window open"}, NOON + 5 * HOUR)
    shop.commands.carry_out(about | {"do": "snooze", "minutes": 60}, NOON + 5 * HOUR)
    shop.go(NOON + 5 * HOUR, NOON + 7 * HOUR)
    shop.commands.carry_out(about | {"do": "acknowledge"}, NOON + 7 * HOUR)
    did = [(event.action, event.by) for event in shop.alerts[alert_id].events]
    assert did == [
        (AlertAction.RAISE, "benchweather"),
        (AlertAction.NOTE, "Ina"),
        (AlertAction.SNOOZE, "Ina"),
        (AlertAction.TELL, "benchweather"),
        (AlertAction.ACKNOWLEDGE, "Ina"),
    ]
