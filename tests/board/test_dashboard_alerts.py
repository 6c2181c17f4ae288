"""Alerts on the board: what is said of them and of their rules, and the fields of a rule."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from alert_fixtures import NOON, PARIS, RULES, alert
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace as replace_fields

from dashboard.alerts import rule_fields as alerts_rule_fields
from dashboard.alerts import text as alerts_text
from dashboard.alerts import wall as alerts_wall
from monitor.alerting.messages import notices, value_text
from monitor.domain.alerts.alert import AlertAction, apply
from monitor.domain.alerts.rule import NO_TRACE, WATCHABLE, Of, Rule, Test
from monitor.domain.alerts.state_machine import BY, NO_LONGER
from monitor.domain.events import About, Event
from monitor.settings import load

HOUR, DAY = 3_600_000, 86_400_000
PLACES = {"front-bench": "Front bench"}


def after(found, action, at=NOON - HOUR, by="Ina", **body):
    return apply(found, Event(About.ALERT, found.id, at, by, action, body))


# Words


@pytest.mark.parametrize(
    ("found", "now", "text"),
    [
        (alert(), 26.4, "26 % now, 28 % when raised; since 10:00."),
        (alert(), None, "Not known now, 28 % when raised; since 10:00."),
        (alert("sensor-silent", 2_520.0), 7_400.0, "For 2 h now, 42 min when raised."),
        (alert("wait-ready", 1.0), 1.0, "Since 10:00."),
        (alert("heat", 31.0), 30.5, "30.5 °C now, 31.0 °C when raised; since 10:00."),
        (
            alert("far-from-rest", -1.8, detail="top"),
            -1.9,
            "Top; −1.9 % MC now, −1.8 % MC when raised; since 10:00.",
        ),
    ],
)
def test_an_open_alert_gives_its_value_now_and_when_it_was_raised(found, now, text):
    assert alerts_text.facts(found, now, NOON, PARIS, "C") == text


def test_temperatures_are_told_in_the_readers_unit():
    found = alert("heat", 31.0)
    assert alerts_text.facts(found, 30.0, NOON, PARIS, "F").startswith("86 °F now, 88 °F when")
    assert "above 86 °F" in alerts_text.rule_words(RULES["heat"], {}, "F")
    assert "less than 5.4 °F above the dew point" in alerts_text.rule_words(
        RULES["near-dew-point"], {}, "F"
    )


@pytest.mark.parametrize(
    ("found", "now", "text"),
    [
        (alert(), 26.4, "Front bench: Very dry, 26 %, since 10:00."),
        (alert(), None, "Front bench: Very dry, not known now, since 10:00."),
        (alert("wait-ready", 1.0, label="Viola"), 1.0, "Viola: Ready, since 10:00."),
        (
            alert("reservoir-due", 60.0, label="Tank"),
            7_200.0,
            "Tank: Tank needs filling, for 2 h.",
        ),
    ],
)
def test_the_wall_has_an_alert_in_one_line(found, now, text):
    assert alerts_text.line(found, now, NOON, PARIS, "C") == text


def test_who_put_an_alert_to_rest_is_told():
    found = alert()
    assert alerts_text.acknowledgement(found, NOON, PARIS) == "Not acknowledged."
    put_off = after(found, AlertAction.SNOOZE, until_ms=NOON + 3 * HOUR)
    assert alerts_text.acknowledgement(put_off, NOON, PARIS) == "Snoozed until 15:00."
    assert alerts_text.acknowledgement(put_off, NOON + 4 * HOUR, PARIS) == "Not acknowledged."
    taken = after(put_off, AlertAction.ACKNOWLEDGE)
    assert alerts_text.acknowledgement(taken, NOON, PARIS) == "Acknowledged by Ina, 11:00."
    assert (
        alerts_text.acknowledgement(after(found, AlertAction.ACKNOWLEDGE, by=""), NOON, PARIS)
        == "Acknowledged, 11:00."
    )


def test_what_is_over_tells_how_long_and_how_far_it_went():
    ended = after(alert(), AlertAction.CLEAR, by=BY, ended="back", worst=24.2)
    assert (
        alerts_text.ended_words(ended, NOON, PARIS, "C") == "1 h, from 10:00 to 11:00; worst 24 %."
    )
    gone = after(alert("wait-ready", 1.0), AlertAction.CLEAR, by=BY, ended="gone", worst=None)
    assert alerts_text.ended_words(gone, NOON, PARIS, "C") == (
        "1 h, from 10:00 to 11:00; the wait was released."
    )


@pytest.mark.parametrize(
    ("ended", "told"),
    [("back", "a newer outlook no longer shows it"), ("begun", "the spell has begun")],
)
def test_what_was_foretold_ends_by_beginning_or_by_a_newer_outlook(ended, told):
    over = after(alert("dry-snap", 1.4), AlertAction.CLEAR, by=BY, ended=ended, worst=None)
    assert told in alerts_text.ended_words(over, NOON, PARIS, "C")
    assert alerts_text.event_words(over.events[-1], NOON, PARIS, "C").startswith("Ended")


def changed(found, detail, foretold, *, graver=False):
    body = dict(found.events[0].body) | {"detail": detail, "foretold": foretold, "graver": graver}
    return after(found, AlertAction.CHANGED, by=BY, **body)


def test_what_a_newer_outlook_makes_of_an_alert_is_said():
    snap = alert(
        "dry-snap",
        1.4,
        detail="below 40 % from about Sun 17:00. About 3.7 L of water",
        foretold=[NOON + 30 * HOUR, 31.0, True],
    )
    earlier = changed(
        snap, "below 40 % from about Sun 05:00. 5 L", [NOON + 18 * HOUR, 28.0, True], graver=True
    )
    said = alerts_text.facts(earlier, 1.4, NOON, PARIS, "C")
    assert said.startswith("Below 40 % from about Sun 05:00; ")
    assert said.endswith("; updated from a newer outlook 11:00. 5 L.")
    assert alerts_text.event_words(earlier.events[-1], NOON, PARIS, "C") == (
        "Updated from a newer outlook, sooner or worse: Dry snap likely, below 40 % from about Sun "
        "05:00"
    )
    faded = changed(snap, f"{NO_LONGER}. It is taken back if that lasts", None)
    assert alerts_text.line(faded, 0.2, NOON, PARIS, "C") == (
        "Front bench: Dry snap likely: a newer outlook no longer shows it."
    )
    assert alerts_wall.most_urgent([], [faded], {}, NOON, PARIS, "C")[0] is None


@pytest.mark.parametrize(
    ("event", "title"),
    [
        (
            {"ended": "back"},
            "No longer: Front bench: Dry snap likely. You do not need to do anything.",
        ),
        ({"ended": "begun"}, None),
        ({"ended": "off"}, None),
        ({"graver": True}, "Sooner or worse: Front bench: Dry snap likely."),
        ({"graver": False}, None),
    ],
)
def test_a_notice_says_that_what_was_foretold_is_taken_back_or_comes_sooner(
    tmp_path, event, title
):
    settings = load(data=tmp_path)
    snap = alert(
        "dry-snap",
        1.4,
        detail="below 40 % from about Sun 17:00",
        notice="n1",
        foretold=[NOON + 30 * HOUR, 31.0, True],
    )
    action = AlertAction.CLEAR if "ended" in event else AlertAction.CHANGED
    body = dict(snap.events[0].body) | event if "graver" in event else {**event, "worst": None}
    told = notices(
        [Event(About.ALERT, "7", NOON, BY, action, body)], {"7": snap}, settings, NOON, {}
    )
    assert [one.notice.title[: len(title or "")] for one in told] == ([title] if title else [])
    for one in told:
        assert "below 40 % from about Sun 17:00" in one.notice.text
    never_told = replace(snap, notice="")
    assert action is AlertAction.CHANGED or not notices(
        [Event(About.ALERT, "7", NOON, BY, action, body)], {"7": never_told}, settings, NOON, {}
    )


def test_a_notice_gives_temperatures_and_differences_in_the_unit_of_the_settings(tmp_path):
    (tmp_path / "benchweather.toml").write_text('[board]\ntemperature_unit = "F"\n')
    near = alert("near-dew-point", 1.4, notice="n1")
    graver = Event(
        About.ALERT,
        "7",
        NOON,
        BY,
        AlertAction.CHANGED,
        dict(near.events[0].body) | {"graver": True},
    )
    (told,) = notices([graver], {"7": near}, load(data=tmp_path), NOON, {})
    assert "5.4 °F above the dew point" in told.notice.text
    assert not re.search(r"\d (K|°C)\b", told.notice.text)


def test_what_nobody_was_told_of_in_the_night_is_not_taken_back_by_a_notice(tmp_path):
    settings, night = load(data=tmp_path), NOON + 15 * HOUR
    snap = alert(
        "dry-snap",
        1.4,
        notice="n1",
        foretold=[night + 30 * HOUR, 31.0, True],
        began=night - 2 * HOUR,
    )
    over = Event(About.ALERT, "7", night, BY, AlertAction.CLEAR, {"ended": "back", "worst": None})
    assert settings.quiet_until(night) is not None
    assert notices([over], {"7": snap}, settings, night, {}) == []
    by_day = replace(snap, told_ms=NOON)
    assert len(notices([over], {"7": by_day}, settings, night, {})) == 1


def test_a_dry_snap_stands_beside_the_headline_while_the_air_asks_for_nothing():
    detail = "below 40 % from about Sun 17:00. About 3.7 L of water a day would hold 45 %"
    snap = alert("dry-snap", 1.4, detail=detail)
    head, left = alerts_wall.most_urgent([], [snap], {}, NOON, PARIS, "C")
    assert head.state == "dry"
    assert head.sentence == "Front bench: Dry snap likely, below 40 % from about Sun 17:00."
    assert head.detail.startswith(
        "About 3.7 L of water a day would hold 45 %. Fill a clean humidifier"
    )
    assert left == []


def test_the_worst_of_another_quantity_is_not_passed_off_as_the_gravest_rules():
    found = alert("near-yield", 85.0)
    fell = after(found, AlertAction.FELL, by=BY, **alert("far-from-rest", -2.0).events[0].body)
    over = after(fell, AlertAction.CLEAR, by=BY, ended="back", worst=-3.1)
    assert alerts_text.ended_words(over, NOON, PARIS, "C").endswith("; 85 % when raised.")


@pytest.mark.parametrize("action", list(AlertAction))
def test_everything_that_happens_to_an_alert_has_words(action):
    body = dict(alert().events[0].body) | {
        "ended": "back",
        "worst": 20.0,
        "until_ms": NOON + HOUR,
        "note": "window was open",
        "graver": True,
    }
    text = alerts_text.event_words(
        Event(About.ALERT, "7", NOON, "Ina", action, body), NOON, PARIS, "C"
    )
    assert text[:1].isupper()
    assert text != str(action)


@pytest.mark.parametrize(
    ("rule", "text"),
    [
        ("very-dry", "Any of the benches: relative humidity below 30 %, for 30 min."),
        ("damp", "Any of the benches: relative humidity above the place's band, for 12 h."),
        (
            "fast-drying",
            "Any of the benches: relative humidity fallen by more than 20 points within 24 h, for 1 h.",
        ),
        (
            "fast-damping",
            "Any of the benches: relative humidity risen by more than 25 points within 24 h, for 1 h.",
        ),
        (
            "heat",
            "Benches and varnish places, in one alert: air temperature above 30 °C, for 1 h.",
        ),
        (
            "far-from-rest",
            "Any instrument: difference of its furthest part from its home moisture outside −1.8 to "
            "2.4 % MC, for 1 h.",
        ),
        ("wait-ready", "Any wait is ready."),
        (
            "sensor-stuck",
            "Any sensor: the humidity reading has not changed at all for more than 6 h.",
        ),
        ("broker-away", "The shop gets no readings, for 2 min."),
    ],
)
def test_a_rule_says_in_plain_words_when_it_raises_an_alert(rule, text):
    assert alerts_text.rule_words(RULES[rule], PLACES, "C") == text


@pytest.mark.parametrize(
    ("rule", "raised", "ended"),
    [
        ("dry-snap", "Any of the benches: a dry snap is likely.", "below 40 % of the alert level"),
        ("jar-rested", "Any sensor has a steady reading in its jar.", "this is no longer so"),
        (
            "cold-instrument",
            "Any instrument: the instrument is still colder than the dew point.",
            "inside the limit by 5.4 °F for 10 min",
        ),
        (
            "near-dew-point",
            "Any of the varnish places: the coldest measured surface (or the air, if none is measured) "
            "is less than 5.4 °F above the dew point, for 20 min.",
            "inside the limit by 1.3 °F for 2 h",
        ),
        ("reservoir-due", "Any humidifier's tank: the tank is due to be filled.", "the limit"),
    ],
)
def test_a_rule_shows_no_internal_value_and_no_difference_as_a_temperature(rule, raised, ended):
    assert alerts_text.rule_words(RULES[rule], PLACES, "F") == raised
    assert ended in alerts_text.ends(RULES[rule], "F")


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_reads_as_a_sentence_without_a_bare_figure(rule):
    for text in (
        alerts_text.rule_words(RULES[rule], PLACES, "F"),
        alerts_text.ends(RULES[rule], "F"),
        alerts_text.notice_words(RULES[rule]),
    ):
        assert text.endswith(".")
        assert not re.search(r" [.,]|\b(above|below) (0 °F|0 h|\d+(\.\d+)? [.,]|\d+\.$)", text), (
            text
        )


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (None, None, "outside the place's band"),
        (35.0, None, "below 35 % or above the place's band"),
        (None, 70.0, "below the place's band or above 70 %"),
        (35.0, 70.0, "outside 35 to 70 %"),
    ],
)
def test_a_band_that_is_the_places_own_is_told_as_that(low, high, text):
    rule = Rule(id="r", name="R", quantity="humidity", test=Test.OUTSIDE, low=low, high=high)
    assert alerts_text.limits(rule, "C") == text


def test_a_rule_for_one_place_names_it():
    rule = replace_fields(RULES["very-dry"], only=("front-bench",))
    assert alerts_text.rule_words(rule, PLACES, "C").startswith("Any of the Front bench: ")


def test_every_watchable_quantity_can_be_put_into_words_and_fields():
    for name, watched in WATCHABLE.items():
        rule = Rule(id="r", name="R", quantity=name, test=Test.ABOVE, high=watched.most)
        for unit in ("C", "F"):
            assert alerts_text.rule_words(rule, PLACES, unit).endswith(".")
            assert alerts_rule_fields.form_of(rule, unit)["high"]
        assert watched.of in alerts_text.GROUPS


# Fields


@given(
    st.sampled_from(sorted(WATCHABLE)),
    st.floats(0, 1),
    st.floats(0, 1),
    st.sampled_from(["C", "F"]),
)
def test_a_figure_typed_as_it_is_shown_is_the_same_figure(quantity, limit, back, unit):
    least, most = WATCHABLE[quantity].least, WATCHABLE[quantity].most
    limit, back = min(least + limit * (most - least), most), back * (most - least)
    rule = Rule(id="r", name="R", quantity=quantity, test=Test.BELOW, low=limit, back=back)
    shown = alerts_rule_fields.form_of(rule, unit)
    for field, how in alerts_rule_fields.scales(rule, unit).items():
        kept = getattr(
            rule,
            alerts_rule_fields.TIMES[field][0] if field in alerts_rule_fields.TIMES else field,
        )
        text = shown[field].replace("−", "-")
        # Six figures are shown: of a value that is shifted by 32, the shift's as well.
        assert how.kept(float(text)) == pytest.approx(kept, rel=1e-5, abs=1e-4)


def test_a_change_over_time_is_offered_only_where_a_trace_tells_of_it():
    for rule in RULES.values():
        offered = "over_h" in alerts_rule_fields.scales(rule, "C")
        assert offered is (rule.of is Of.PLACE and rule.quantity not in NO_TRACE)


@pytest.mark.parametrize(
    ("margin_k", "fahrenheit", "words"),
    [
        (-12.8, False, "12.8 K below the dew point"),
        (-13.0, True, "23.4 °F below the dew point"),
        (2.0, False, "2.0 K above the dew point"),
    ],
)
def test_a_margin_is_never_taken_for_a_temperature(margin_k, fahrenheit, words):
    assert value_text(margin_k, "K", fahrenheit=fahrenheit) == words
    margins = [one.text for one in WATCHABLE.values() if one.unit == "K"]
    assert margins
    assert all("above the dew point" in one for one in margins)
