"""Waits on the board in words: states, times and ranges, two times of a joint, cautions, the bar."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from bench_fixtures import readiness
from board_requests import said
from hypothesis import given
from hypothesis import strategies as st

from dashboard.bench import text as bench_text
from dashboard.bench import view as bench_view
from dashboard.bench import wait_type_card as bench_wait_type_card
from dashboard.ui import formats
from monitor.core.clock import to_ms
from monitor.domain.cautions import WORDS, Caution
from monitor.domain.events import About, Event
from monitor.domain.wait import Action, Feel, apply
from monitor.domain.wait_type_registry import as_mapping
from monitor.domain.wait_types import KINDS
from monitor.outlook.place_air import AirSource
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import WaitState
from monitor.waits import text as wait_text
from monitor.waits.evaluation import WaitStatus

HOUR = 3_600_000
PARIS = ZoneInfo("Europe/Paris")
NOON = to_ms(datetime(2026, 11, 25, 12, 0, tzinfo=PARIS))


def wait(kind="plate-crack", started=NOON - HOUR, **more):
    body = {
        "kind": {"id": kind, "name": KINDS[kind].name},
        "place": "bench",
        "instrument": "Viola",
        "what": "crack",
        "start_ms": started,
        **more,
    }
    return apply(None, Event(About.WAIT, "1", started, "Ina", Action.OPEN, body))


def sentence(found, of=None):
    crack = KINDS["plate-crack"]
    status = WaitStatus(of or wait(), crack, found, air_from=AirSource.PATTERN)
    return wait_text.status_text(status, NOON, PARIS).sentence


@pytest.mark.parametrize(
    ("found", "text"),
    [
        ({}, "Clamps off about 16:40 (16:00 to 17:30)."),
        (
            {"rate_now": 0.6},
            "Clamps off about 16:40 (16:00 to 17:30). In this air it takes about 1.7 times the usual "
            "time.",
        ),
        (
            {"ready_low_ms": NOON + 4 * HOUR + 40 * 60_000},
            "Clamps off about 16:40, almost surely by 17:30.",
        ),
        ({"ready_low_ms": NOON - HOUR}, "Clamps off about 16:40 (now to 17:30)."),
        (
            {"ready_high_ms": None},
            "Clamps off about 16:40 (16:00 at the earliest, perhaps not within five days).",
        ),
        (
            {
                "ready_ms": NOON + 21 * HOUR,
                "ready_low_ms": NOON + 20 * HOUR,
                "ready_high_ms": NOON + 22 * HOUR,
            },
            "Clamps off about tomorrow 09:00 (tomorrow 08:00 to tomorrow 10:00).",
        ),
        (
            {
                "state": WaitState.HOLD,
                "hold": Hold.DAMP,
                "hold_since_ms": NOON - HOUR,
                "ready_ms": None,
                "ready_low_ms": None,
                "ready_high_ms": None,
            },
            "On hold since 11:00, too damp to harden: dry the air slowly. Warm the room slowly, and "
            "only if it is cool and no solvent, wet coat or oily rag is in it.",
        ),
        (
            {"state": WaitState.HOLD, "hold": Hold.COLD, "hold_since_ms": NOON - HOUR},
            "On hold since 11:00, too cold: warm the room slowly, and only if no solvent, wet coat "
            "or oily rag is in it. If the air goes on as it usually does, clamps off about 16:40 (16:00 "
            "to 17:30).",
        ),
        (
            {"state": WaitState.READY, "ready_ms": NOON - 40 * 60_000},
            "Ready since 11:20: the clamps may come off. Almost surely ready by 17:30: wait until "
            "then if you can.",
        ),
        (
            {"state": WaitState.READY, "ready_ms": NOON - 40 * 60_000, "ready_high_ms": NOON},
            "Ready since 11:20: the clamps may come off.",
        ),
        (
            {"state": WaitState.READY, "ready_ms": NOON - 40 * 60_000, "ready_high_ms": None},
            "Ready since 11:20: the clamps may come off. It may need longer: wait if you can.",
        ),
        ({"ready_ms": None}, "Not within five days in this air."),
        (
            {"ready_ms": None, "horizon_ms": NOON},
            "30 % done. There is no outlook yet, so there is no ready time.",
        ),
        (
            {"slow": True},
            "Clamps off perhaps about 16:40 (16:00 to 17:30). Uncertain: the air is nearly too damp, "
            "and the sensor's error decides.",
        ),
        (
            {"softened": True},
            "It was ready, but damp air has softened it again. Clamps off about 16:40 (16:00 to 17:30).",
        ),
    ],
)
def test_a_wait_is_told_in_a_plain_sentence(found, text):
    assert sentence(readiness(**found)) == text


PHRASES = [
    ({}, AirSource.PATTERN, "ready to unclamp about 16:40 (16:00 to 17:30)"),
    (
        {"ready_high_ms": None},
        AirSource.PATTERN,
        "ready to unclamp about 16:40 (16:00 at the earliest, perhaps not within five days)",
    ),
    ({"slow": True}, AirSource.OUTLOOK, "ready to unclamp perhaps about 16:40 (16:00 to 17:30)"),
    (
        {"rate_now": float("nan")},
        AirSource.OUTLOOK,
        "ready to unclamp perhaps about 16:40 (16:00 to 17:30)",
    ),
    (
        {"state": WaitState.HOLD, "hold": Hold.DAMP},
        AirSource.OUTLOOK,
        "on hold, too damp to harden; ready to unclamp about 16:40 (16:00 to 17:30)",
    ),
    (
        {"state": WaitState.HOLD, "hold": Hold.DAMP},
        AirSource.PRESENT,
        "on hold, too damp to harden",
    ),
    ({"ready_ms": None}, AirSource.PATTERN, "not ready within five days in this air"),
    ({"ready_ms": None, "horizon_ms": NOON}, AirSource.NONE, "ready time not known yet"),
    ({"state": WaitState.NO_AIR}, AirSource.NONE, "ready time not known yet"),
    ({"state": WaitState.READY, "ready_ms": NOON - HOUR}, AirSource.NONE, None),
]


@pytest.mark.parametrize(("found", "air", "text"), PHRASES)
def test_a_ready_time_in_a_phrase_is_that_of_the_sentence(found, air, text):
    status = WaitStatus(wait(), KINDS["plate-crack"], readiness(**found), air_from=air)
    phrase = wait_text.ready_phrase(status, NOON, PARIS)
    assert phrase == (text or "ready to unclamp since 11:00")
    sentence = wait_text.status_text(status, NOON, PARIS).sentence
    if "about" in phrase:
        assert phrase.partition("about")[2] in sentence
    else:
        assert "about" not in sentence


def test_what_cannot_be_said_says_why():
    told = wait_text.status_text(
        WaitStatus(wait(), KINDS["plate-crack"], None, "No sensor."), NOON, PARIS
    )
    assert (told.state, told.sentence) == ("unknown", "No sensor.")


def test_a_paused_wait_says_since_when_and_what_it_has_had():
    paused = replace(wait(), pauses=((NOON - 600_000, None),))
    assert sentence(readiness(), paused) == (
        "Paused since 11:50. Paused time does not count. 30 % done so far."
    )


@pytest.mark.parametrize(
    ("wanted_h", "found", "text"),
    [
        (6, {}, "Wanted by 18:00: in time."),
        (5, {}, "Wanted by 17:00: likely, but not certain."),
        (3, {}, "Wanted by 15:00: it will be late if the air stays like this."),
        (3, {"state": WaitState.READY}, "Wanted by 15:00: it is ready."),
    ],
)
def test_a_wanted_time_is_held_against_the_range(wanted_h, found, text):
    of = wait(wanted_ms=NOON + wanted_h * HOUR)
    told = wait_text.status_text(
        WaitStatus(of, KINDS["plate-crack"], readiness(**found)), NOON, PARIS
    )
    assert text in told.more


def test_missing_readings_and_air_outside_the_claim_are_told():
    found = readiness(unknown_s=3 * 3600.0, outside_claim=True)
    more = " ".join(
        wait_text.status_text(WaitStatus(wait(), KINDS["plate-crack"], found), NOON, PARIS).more
    )
    assert "Readings are missing for 3 h" in more
    assert "outside the range that the calculation is made for" in more
    for state in (WaitState.WAITING, WaitState.READY):
        one = WaitStatus(wait(), KINDS["plate-crack"], found._replace(state=state))
        assert wait_text.ready_phrase(one, NOON, PARIS).endswith("; check by hand")
    assert wait_text.status_text(one, NOON, PARIS).sentence.endswith(
        ", if a check by hand agrees. Almost surely ready by 17:30: wait until then if you can."
    )


def test_the_range_says_what_it_rests_on_the_most_first():
    pattern = WaitStatus(wait(), KINDS["plate-crack"], readiness(), air_from=AirSource.PATTERN)
    assert wait_text.range_causes(pattern) == (
        "The range comes from the usual time of its kind (80 %) and the outlook (20 %). The air is "
        "taken from the pattern of the last weeks."
    )
    outlook = replace(pattern, air_from=AirSource.OUTLOOK)
    assert wait_text.range_causes(outlook).endswith("is taken from the outlook.")
    present = replace(pattern, air_from=AirSource.PRESENT)
    assert "pattern of the last weeks" not in wait_text.range_causes(present)
    assert "as it is now" in wait_text.range_causes(present)


def test_a_silent_sensor_is_named_and_no_pattern_is_claimed():
    silent = readiness(ready_ms=None, horizon_ms=NOON, rate_now=float("nan"))
    status = WaitStatus(wait(), KINDS["plate-crack"], silent, air_from=AirSource.NONE)
    told = wait_text.status_text(status, NOON, PARIS)
    assert told.sentence == (
        "30 % done. There is no recent reading at its place, so there is no ready time."
    )
    assert "pattern" not in wait_text.range_causes(status)
    held = {"state": WaitState.HOLD, "hold": Hold.COLD, "hold_since_ms": NOON - HOUR}
    on_hold = replace(status, readiness=readiness(**held), air_from=AirSource.PRESENT)
    assert "usually" not in wait_text.status_text(on_hold, NOON, PARIS).sentence


def test_a_time_in_air_that_is_not_known_is_called_uncertain():
    silent = readiness(rate_now=float("nan"))
    joint = WaitStatus(wait(), KINDS["plate-crack"], silent, air_from=AirSource.PRESENT)
    told = wait_text.status_text(joint, NOON, PARIS).sentence
    assert told.endswith(
        "Uncertain: there is no recent reading at its place, so the air is not known."
    )
    assert "as it is now" not in wait_text.range_causes(joint)
    fixed = replace(joint, kind=KINDS["fixed"])
    assert "silent" not in wait_text.status_text(fixed, NOON, PARIS).sentence


def test_no_time_is_given_for_a_hold_in_air_that_stays():
    held = readiness(state=WaitState.HOLD, hold=Hold.DAMP, hold_since_ms=NOON - HOUR, rate_now=0.0)
    joint = WaitStatus(wait(), KINDS["plate-crack"], held, air_from=AirSource.PRESENT)
    told = wait_text.status_text(joint, NOON, PARIS).sentence
    assert told.endswith("It makes no progress while the air stays like this.")
    assert "lamps off about" not in told


def test_the_word_for_what_was_released_is_that_of_its_tap():
    for kind, tap in (("plate-crack", "Unclamp"), ("spirit-coat", "Release")):
        one = replace(wait(), kind=as_mapping(KINDS[kind]))
        assert bench_view.release_word(one) == tap
        assert wait_text.released_word(one).startswith(tap)


def in_clamps(hours=24, **more):
    """A plate crack with both its times, the second so many hours ahead."""
    load = readiness(
        ready_ms=NOON + hours * HOUR,
        ready_low_ms=NOON + hours * HOUR,
        ready_high_ms=NOON + (hours + 6) * HOUR,
    )
    return WaitStatus(wait(**more), KINDS["plate-crack"], readiness(), load=load)


def test_a_joint_tells_when_its_clamps_come_off_and_then_when_it_may_be_worked():
    told = wait_text.status_text(in_clamps(), NOON, PARIS)
    assert told.sentence == "Clamps off about 16:40 (16:00 to 17:30)."
    assert told.more[0] == (
        "May be worked, loaded or strung from about tomorrow 12:00, almost surely by tomorrow 18:00."
    )
    assert wait_text.usual_times(KINDS["plate-crack"]) == (
        "Usual times in reference air: 6 h until the clamps come off, 24 h until it may be worked, "
        "loaded or strung (common practice, no source)."
    )
    assert wait_text.usual_times(KINDS["spirit-coat"]) == ""


def off(status, **found):
    """The same joint with its clamps off."""
    body = {"at_ms": NOON - 600_000}
    kind = {"id": "plate-crack", "name": "Plate crack", "load_s": 86_400}
    gone = replace(status.wait, kind=kind)
    gone = apply(gone, Event(About.WAIT, "1", NOON - 600_000, "Ina", Action.RELEASE, body))
    load = status.load._replace(**found)
    return replace(status, wait=gone, readiness=load, load=load)


def test_an_instrument_with_another_fresh_joint_is_not_to_be_loaded():
    done = off(in_clamps(), state=WaitState.READY, ready_ms=NOON - HOUR, ready_high_ms=NOON)
    beside = replace(done, soft_beside=("top crack, treble side",))
    assert wait_text.status_text(beside, NOON, PARIS).sentence == (
        f"May be worked since 11:00. Do not load or string {done.wait.instrument} yet. Not ready for "
        "that: “top crack, treble side”."
    )


def test_a_joint_whose_clamps_are_off_counts_until_it_may_be_worked():
    waiting = off(in_clamps())
    told = wait_text.status_text(waiting, NOON, PARIS)
    assert told.sentence.startswith("May be worked from about tomorrow 12:00")
    assert "Clamps" not in " ".join((told.sentence, *told.more))
    assert (waiting.ready, waiting.loadable) == (False, False)
    done = off(in_clamps(), state=WaitState.READY, ready_ms=NOON - HOUR)
    told = wait_text.status_text(done, NOON, PARIS)
    assert (told.when, told.sentence) == (
        "may be worked",
        "May be worked, loaded or strung since 11:00. Almost surely ready by tomorrow 18:00: wait "
        "until then if you can.",
    )
    assert (done.ready, done.loadable) == (False, True)
    assert bench_text.next_up([done], NOON, PARIS)[0] == "May be worked: Viola, crack."


def test_a_joint_wanted_before_it_may_be_worked_is_late_though_its_clamps_are_off():
    told = in_clamps(wanted_ms=NOON + 8 * HOUR)
    assert told.late
    text = " ".join(wait_text.status_text(told, NOON, PARIS).more)
    assert "the clamps can be off by then, but it may not be worked or strung yet" in text
    assert not in_clamps(wanted_ms=NOON + 40 * HOUR).late


def test_work_before_its_time_is_asked_for_once():
    waits = [off(in_clamps()).wait]

    def asked(ready):
        tap = bench_view.load_tap(waits, ready=ready)
        return tap.to_plotly_json()["props"].get("data-sure", "")

    assert asked(ready=False) == "Start work before it may be worked? Tap again"
    assert asked(ready=True) == ""


def test_quick_air_is_no_reason_to_hurry_where_it_is_hot_or_on_hold():
    shorter = replace(KINDS["plate-crack"], never_shorter=False)

    def told(**found):
        status = WaitStatus(wait(), shorter, readiness(rate_now=1.6, **found))
        return wait_text.status_text(status, NOON, PARIS).sentence

    assert "0.6 times the usual time" in told()
    assert "times the usual" not in told(outside_claim=True)
    assert "times the usual" not in told(hold=Hold.WOOD_DAMP)


def test_every_caution_and_every_hold_has_words():
    assert set(WORDS) == set(Caution)
    assert set(wait_text.HOLDS) == set(Hold) - {Hold.NONE}
    assert set(bench_text.FEELS) == set(Feel)


@given(st.integers(0, 4 * 365 * 24 * 60))
def test_a_moment_typed_as_shown_is_the_same_minute(minutes):
    ms = to_ms(datetime(2024, 1, 1, tzinfo=UTC)) + 60_000 * minutes
    back = formats.of_input(formats.to_input(ms, PARIS), PARIS)
    assert back in (ms, ms - HOUR)  # the hour that comes twice: its first
    assert formats.to_input(back, PARIS) == formats.to_input(ms, PARIS)


def test_the_bar_keeps_within_its_axis_and_done_ends_now():
    status = WaitStatus(wait(started=NOON - 90 * HOUR), KINDS["plate-crack"], readiness())
    of = bench_view.axis([status], NOON)
    assert of.start_ms == NOON - bench_view.BACK_MS[1]
    parts = {p.className: p.style for p in bench_view.bar(status, of, PARIS).children}
    assert parts["done"]["left"] == "0.00%"
    assert parts["done"]["width"] == parts["now"]["left"] == parts["togo"]["left"]


def test_the_quick_card_is_one_in_reference_air_and_says_where_it_misleads():
    text = said(bench_wait_type_card.card(KINDS["cleat"], "C"))
    assert "1.00" in text
    assert "hold" in text
    assert "by the formula it takes 10.5 h" in text


def test_a_range_that_begins_today_says_so_beside_a_ready_time_of_tomorrow():
    found = readiness(
        ready_ms=NOON + 16 * HOUR, ready_low_ms=NOON + 9 * HOUR, ready_high_ms=NOON + 23 * HOUR
    )
    assert sentence(found) == "Clamps off about tomorrow 04:00 (today 21:00 to tomorrow 11:00)."


def test_a_hold_by_heat_says_that_the_gel_melts_and_to_leave_the_clamps_on():
    found = readiness(
        state=WaitState.HOLD, hold=Hold.HOT, hold_since_ms=NOON - HOUR, ready_ms=None
    )
    text = sentence(found._replace(ready_low_ms=None, ready_high_ms=None, rate_now=0.0))
    assert text == (
        "On hold since 11:00, too hot, so that wet hot glue is soft or melts again: leave the clamps "
        "on. Let the air cool, or move the work to a cooler place."
    )
