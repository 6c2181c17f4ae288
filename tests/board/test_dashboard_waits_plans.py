"""Waits on the board: the latest start that is ready in time, and the calendar."""

from __future__ import annotations

from dataclasses import replace
from urllib.parse import quote

import bench_fixtures
import dashboard_fixtures as shop_air
import icalendar
import pytest
from bench_fixtures import DAY, HOUR, NOON, PARIS
from board_requests import said as said_by

from dashboard.bench import calendar_feed
from dashboard.bench import page as bench_page
from dashboard.bench import ready_by_page as bench_ready_by_page
from dashboard.bench import text as bench_text
from dashboard.data.glue import GlueQueries
from dashboard.data.journal import CachedJournal
from dashboard.data.shop import ShopData
from dashboard.data.waits import ReadyByRequest, StartRequest
from dashboard.ui import formats
from monitor.core.clock import now_ms, to_ms
from monitor.core.steady_clock import ClockJump, JumpState
from monitor.domain.opening_hours import DAYS
from monitor.domain.wait_types import KINDS
from monitor.people.board_keys import make_board_keys
from monitor.planning import present
from monitor.planning.problem import Note, NoteKind, Plan, PlannedRepair, PlannedStep, TimeRange
from monitor.planning.words import AS_PLANNED
from monitor.science.waits.latest_start import LatestStart
from monitor.store.secret_files import FolderFiles
from monitor.waits.evaluation import CLOCK_DOUBTED
from monitor.waits.glue_answer import Answer
from monitor.waits.glue_now import GlueQuestion
from monitor.waits.glue_now_text import words
from monitor.waits.text import status_text

five_days, settings = bench_fixtures.five_days, bench_fixtures.settings
commands, ids = bench_fixtures.commands, bench_fixtures.ids
book, client = bench_fixtures.book, bench_fixtures.client


# Ready by


@pytest.mark.slow
def test_a_latest_start_is_told_and_a_damp_place_has_none(ids, settings, book):
    now = now_ms()
    there = book.ready_by(ReadyByRequest("front-bench", now + 24 * HOUR, 0.0, 0.0))
    assert now < there["cleat"].start_ms < now + 20 * HOUR
    assert there["cleat"].sure_ms <= there["cleat"].start_ms
    damp = book.ready_by(ReadyByRequest("cellar", now + 24 * HOUR, 0.0, 0.0))
    assert damp["cleat"].start_ms is None
    dried = book.ready_by(ReadyByRequest("cellar", now + 24 * HOUR, 2.0, 25.0))
    assert dried["cleat"].start_ms is not None


@pytest.mark.slow
def test_what_releases_have_taught_counts_for_the_latest_start(commands, book):
    plan = ReadyByRequest("front-bench", now_ms() + 36 * HOUR, 0.0, 0.0)
    before = book.ready_by(plan)["plate-crack"].start_ms
    for hours in (30, 20, 10):
        start = now_ms() - hours * HOUR
        (wait,) = commands.carry_out(
            {"do": "open", "kind": "plate-crack", "place": "front-bench", "start_ms": start}, start
        )["waits"]
        at = start + 9 * HOUR
        commands.carry_out({"do": "release", "wait": wait, "feel": "soft", "at_ms": at}, at)
    assert book.bases()["plate-crack"] > KINDS["plate-crack"].basis_s + 3600
    assert book.ready_by(plan)["plate-crack"].start_ms < before - HOUR


@pytest.mark.slow
def test_no_wait_is_ready_by_a_clock_that_jumped_ahead(settings, commands, ids, book, moved_clock):
    shop = ShopData(settings)

    def asked_early():
        waits = bench_page.live(shop, book, GlueQueries(shop, CachedJournal(shop)), True)[-1]
        return str(waits).count("before the safe minimum? Tap again")

    early = asked_early()
    assert early > 0
    ready = {s.wait.id for s in book.statuses() if s.ready}
    now = now_ms()
    moved_clock.move(20 * DAY)
    assert ready < {s.wait.id for s in book.statuses() if s.ready}
    shop_air.beat(settings, clock=ClockJump(20 * DAY, now, JumpState.DOUBTED))
    found = book.statuses()
    assert {s.wait.id for s in found if s.ready} == ready
    for one in (s for s in found if not (s.ready or s.wait.paused)):
        assert one.readiness is None
        said = status_text(one, now_ms(), PARIS).sentence
        assert "is in doubt" in said or "no reading" in said
    assert not any(
        book.account(s.wait).came_ms for s in found if s.wait.open and s.wait.id not in ready
    )
    assert book.starts(StartRequest(("front-bench",))) == {}
    plan = ReadyByRequest("front-bench", now_ms() + DAY, 0.0, 0.0)
    assert (
        said_by(
            bench_ready_by_page.answer(plan, shop, book, GlueQueries(shop, CachedJournal(shop)))
        )
        == CLOCK_DOUBTED
    )
    assert asked_early() == early
    shop_air.beat(settings, clock=ClockJump(20 * DAY, now, JumpState.CONFIRMED))
    assert ready < {s.wait.id for s in book.statuses() if s.ready}


@pytest.mark.parametrize(
    ("start", "said"),
    [
        (None, ("There is no outlook.", "–")),
        (LatestStart(None, None, None), ("Too late, even if started now.", "too late")),
        (
            LatestStart(None, None, NOON),
            ("Unlikely to be ready in time, even if started now.", "unlikely"),
        ),
        (LatestStart(NOON, NOON, NOON + 1), ("Only if started now.", "now")),
        (
            LatestStart(None, NOON + HOUR, None),
            ("5 in 10 chance. No start in opening hours is almost certain.", "before 13:00"),
        ),
        (
            LatestStart(NOON + HOUR + 7 * 60_000, NOON + 5 * HOUR + 23 * 60_000, None),
            ("Almost certain if started before 13:05.", "before 17:20"),
        ),
        (
            LatestStart(NOON + 7 * HOUR, NOON + 8 * HOUR, None),
            ("Almost certain if started any time before closing today.", "any time today"),
        ),
    ],
)
def test_latest_starts_are_never_told_too_late(start, said):
    assert bench_ready_by_page.start_words(start, NOON, PARIS, NOON + 6 * HOUR) == said


def at(text):
    return formats.of_input(text, PARIS)


@pytest.mark.parametrize(
    ("start", "inside", "shut"),
    [
        ("2026-11-25T16:00", "2026-11-25T16:00", False),  # Wednesday, within the hours
        ("2026-11-25T23:40", "2026-11-25T17:30", False),  # at night: closing, before it
        ("2026-11-26T06:00", "2026-11-25T17:30", False),
        ("2026-11-26T09:00", "2026-11-26T09:00", False),
        ("2026-11-29T12:00", "2026-11-27T17:30", False),  # Sunday
        (None, None, False),
    ],
)
def test_a_latest_start_lies_inside_the_opening_hours(settings, start, inside, shut):
    shop, ms = ShopData(with_hours(settings)), at(start) if start else None
    found = bench_ready_by_page.in_hours(LatestStart(ms, ms, ms), NOON, shop)
    wanted = at(inside) if inside else None
    assert found == (LatestStart(wanted, wanted, wanted), shut)


def test_no_start_inside_the_opening_hours_is_said(settings):
    shop, night = ShopData(with_hours(settings)), at("2026-11-25T21:00")
    early = at("2026-11-26T07:00")
    found = bench_ready_by_page.in_hours(LatestStart(early, early, early), night, shop)
    assert found == (LatestStart(None, None, None), True)
    line = bench_ready_by_page._line(
        KINDS["cleat"], found, None, ReadyByRequest("x", at("2026-11-26T09:00"), 0, 0), night, shop
    )
    assert "none" in said_by(line)
    plain = ShopData(without_hours(settings))  # no hours: nothing to keep to
    start = LatestStart(early, early, early)
    assert bench_ready_by_page.in_hours(start, night, plain) == (start, False)


@pytest.mark.parametrize(("sure", "tenths"), [("17:30", 9), ("17:10", 5), (None, 5)])
def test_the_answer_in_a_sentence_has_the_chance_of_its_line(settings, sure, tenths):
    shop, now, late = (
        ShopData(with_hours(settings)),
        at("2026-11-25T12:00"),
        at("2026-11-25T17:30"),
    )
    start = LatestStart(at(f"2026-11-25T{sure}") if sure else None, late, late)
    found = bench_ready_by_page.StartInHours(start)
    said = bench_ready_by_page.lead(KINDS["cleat"], found, "Fri", now, shop)
    assert said.endswith(
        f"any time before closing. The chance is then {tenths} in 10 or more that it is ready by Fri."
    )


def test_the_answer_in_a_sentence_names_no_time_that_has_passed(settings):
    shop, now = ShopData(with_hours(settings)), at("2026-11-25T12:02")
    late = at("2026-11-25T12:04")
    found = bench_ready_by_page.StartInHours(LatestStart(None, late, late))
    assert bench_ready_by_page.lead(KINDS["cleat"], found, "Fri", now, shop).startswith(
        f"{KINDS['cleat'].name}: start now. The chance is then 5 in 10 or more"
    )


def with_hours(settings, hours="08:30-17:30"):
    days = dict.fromkeys(DAYS[:5], hours) | dict.fromkeys(DAYS[5:], "")
    return replace(settings, hours=settings.hours.model_copy(update=days))


def without_hours(settings):
    return with_hours(settings, "")


@pytest.mark.slow
def test_ready_by_says_what_a_start_now_gives_and_leads_to_it(settings, commands, book):
    shop, now = ShopData(settings), now_ms()
    glues = GlueQueries(shop, CachedJournal(shop))
    plan = ReadyByRequest("front-bench", now + 24 * HOUR, 0.0, 0.0)
    page = said_by(bench_ready_by_page.answer(plan, shop, book, glues))
    start = book.starts(StartRequest(("front-bench",)))["cleat", "front-bench"]
    phrase = bench_text.start_phrase(start, now, settings.zone)
    assert f"Start now: {phrase}." in page
    links = str(bench_ready_by_page.answer(plan, shop, book, glues))
    assert (
        f"/bench?kind=cleat&wanted={quote(formats.to_input(plan.wanted_ms, settings.zone))}"
        in (links)
    )
    warmer = ReadyByRequest("front-bench", now + 24 * HOUR, 2.0, 0.0)
    assert "Start now:" not in said_by(bench_ready_by_page.answer(warmer, shop, book, glues))


@pytest.mark.slow
def test_ready_by_says_against_gluing_what_may_i_glue_says(settings, commands, book):
    shop, now = ShopData(settings), now_ms()
    glues = GlueQueries(shop, CachedJournal(shop))
    seen = set()
    for place in ("front-bench", "cellar"):
        found = glues.may_glue(GlueQuestion(place))
        seen.add(found.answer)
        plan = ReadyByRequest(place, now + 24 * HOUR, 0.0, 0.0)
        page = " ".join(said_by(bench_ready_by_page.answer(plan, shop, book, glues)).split())
        text = words(found, now, settings.zone, formats.unit_of(settings))
        assert (found.answer is Answer.YES) == (text.sentence not in page)
        assert (found.answer is Answer.YES) == (f"May I glue now? {text.word}." not in page)
        assert bench_ready_by_page.AIR_AT_START in page
    assert seen == {Answer.YES, Answer.NO}


def test_a_wanted_time_must_lie_ahead_within_the_coming_air(settings):
    shop = ShopData(settings)
    assert bench_ready_by_page.asked_for(shop, "x", "open", "", [0, 0]).plan.wanted_ms > now_ms()
    faults = {
        "": "Choose",
        "2020-01-01T10:00": "has passed",
        "2099-01-01T10:00": "five days",
        "x": "not a date",
    }
    for at, why in faults.items():
        asked = bench_ready_by_page.asked_for(shop, "x", "at", at, [0, 0])
        assert asked.plan is None
        assert why in asked.fault


def test_what_if_steps_and_ends():
    assert bench_ready_by_page.stepped("plan-warm", [0.0, 0.0]) == [1.0, 0.0]
    assert bench_ready_by_page.stepped("plan-dry", [0.0, 25.0]) == [0.0, 25.0]
    assert bench_ready_by_page.drier_words(-5) == "5 % RH damper"


# The calendar


def feed(client, token):
    return client.get(f"/calendar/{token}.ics")


def own_token(settings):
    return make_board_keys(FolderFiles(settings.data)).calendar_token


def is_rounded_up(shown_ms, ready_ms):
    """True if a ready time is shown to five minutes, and never a minute early. [ms]"""
    return shown_ms % 300_000 == 0 and -60_000 < shown_ms - ready_ms < 300_000


@pytest.mark.slow
def test_the_calendar_holds_each_ready_time_and_is_read_back(
    settings, commands, ids, client, book
):
    commands.carry_out({"do": "release", "wait": ids[2]}, now_ms())
    with shop_air.command_link(settings, commands):
        answer = feed(client, own_token(settings))
    assert (answer.status_code, answer.mimetype) == (200, "text/calendar")
    events = {str(e["uid"]): e for e in icalendar.Calendar.from_ical(answer.data).walk("VEVENT")}
    found = book.statuses()
    timed = [s for s in found if s.wait.open and s.readiness and s.readiness.ready_ms]
    loads = [s for s in found if s.load and s.load.ready_ms]
    assert len(events) == len(timed) + len(loads) + 1
    for status in loads:
        (load,) = [e for uid, e in events.items() if uid.startswith(f"load-{status.wait.id}-")]
        assert is_rounded_up(to_ms(load["dtstart"].dt), status.load.ready_ms)
        assert str(load["summary"]).startswith("May be worked")
    one = next(s for s in timed if s.wait.id == ids[0])
    (event,) = [e for uid, e in events.items() if uid.startswith(f"wait-{ids[0]}-")]
    assert event["dtstart"].dt.tzinfo is not None
    assert is_rounded_up(to_ms(event["dtstart"].dt), one.readiness.ready_ms)
    assert int(event["sequence"]) == one.wait.version
    assert event["status"] == "TENTATIVE"
    assert "Viola, job 41" in event["summary"]
    assert len(event.walk("VALARM")) == 1
    (gone,) = [e for uid, e in events.items() if uid.startswith(f"wait-{ids[2]}-")]
    assert gone["status"] == "CANCELLED"


@pytest.mark.slow
def test_a_wait_keeps_its_uid_and_counts_up_when_it_is_changed(settings, commands, ids, client):
    def event():
        found = icalendar.Calendar.from_ical(feed(client, own_token(settings)).data).walk("VEVENT")
        return next(e for e in found if str(e["uid"]).startswith(f"wait-{ids[0]}-"))

    with shop_air.command_link(settings, commands):
        first = event()
        commands.carry_out({"do": "correct", "wait": ids[0], "note": "clamp slipped"}, now_ms())
        second = event()
    assert first["uid"] == second["uid"]
    assert int(second["sequence"]) == int(first["sequence"]) + 1


def test_the_plan_is_a_calendar_of_its_own(settings, commands, client):
    now = now_ms() // (5 * 60_000) * 5 * 60_000 + 2 * 60_000  # which the page rounds up
    link = calendar_feed.plan_link(ShopData(settings))
    empty = icalendar.Calendar.from_ical(client.get(link).data)
    assert not empty.walk("VEVENT")
    instrument = {"about": "instrument", "do": "register", "reference": "VN-9", "kind": "violin"}
    commands.carry_out({**instrument, "place": "front-bench"}, now)
    taken_in = {"about": "repair", "do": "take in", "instrument": "VN-9", "template": "bar"}
    commands.carry_out({**taken_in, "promised_ms": now + 9 * DAY}, now)
    ready = TimeRange(now + DAY, now + DAY + HOUR, now + DAY + 2 * HOUR)
    work = PlannedStep("1", "3", now + HOUR, now + 2 * HOUR, ready, ready)
    runs = work._replace(step="2", running=True)
    found = Plan(
        now_ms=now,
        steps=(runs, work),
        repairs=(PlannedRepair("1", ready, 0.93),),
        notes=(),
        solver="greedy",
        objective_h=1.0,
        bound_h=1.0,
        gap=0.0,
        seconds=0.1,
    )
    present.keep(settings, present.PresentPlan(made_ms=now, version=1, plan=found))
    assert AS_PLANNED not in client.get(link).text
    unsafe = replace(found, notes=(Note(NoteKind.NOT_SAFE, "1", "3", "Not safe to close."),))
    present.keep(settings, present.PresentPlan(made_ms=now, version=1, plan=unsafe))
    answer = client.get(link)
    assert (answer.status_code, answer.mimetype) == (200, "text/calendar")
    work, out = icalendar.Calendar.from_ical(answer.data).walk("VEVENT")
    assert str(work["summary"]) == "Neck or bar, bar: VN-9"
    assert to_ms(work["dtend"].dt) - to_ms(work["dtstart"].dt) == HOUR
    assert is_rounded_up(to_ms(work["dtstart"].dt), now + HOUR)
    assert is_rounded_up(to_ms(out["dtstart"].dt), ready.usual_ms)
    assert work["status"] == "TENTATIVE"
    assert str(out["summary"]) == "Ready, about: VN-9, Bass bar"
    assert f"Chance to keep the promise: 93 %, {AS_PLANNED}" in str(out["description"])
    commands.carry_out(
        {"about": "repair", "do": "move", "repair": "1", "step": "3", "fixed_ms": now + HOUR}, now
    )
    first, _ = icalendar.Calendar.from_ical(client.get(link).data).walk("VEVENT")
    assert first["status"] == "CONFIRMED"


@pytest.mark.parametrize("token", ["x", "t" * 39, "t" * 41, "é" * 40])
def test_a_wrong_link_finds_nothing(settings, commands, client, token):
    with shop_air.command_link(settings, commands):
        assert feed(client, token).status_code == 404
        assert client.get(f"/calendar/{token}/plan.ics").status_code == 404


def test_without_secrets_no_link_works(settings, commands, client):
    (settings.data / "secrets.json").unlink()
    assert feed(client, "None").status_code == 404
    assert calendar_feed.link(ShopData(settings)) == ""
