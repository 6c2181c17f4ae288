"""The Plan page: what to do now and next, refusals at their fields, a stranger who only looks."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import replace
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air
import pytest
from board_requests import HERE, ask_dash, ask_page, do, said

from dashboard.data import plan as plan_queries
from dashboard.data.journal import CachedJournal
from dashboard.data.plan import PlanQueries
from dashboard.data.repairs import RepairQueries
from dashboard.data.shop import ShopData
from dashboard.plan import agenda as agendas
from dashboard.plan import figure, page, repair_page, text, view, wall
from dashboard.plan.agenda import Do
from dashboard.ui import plots
from dashboard.ui.themes import theme
from monitor.core.clock import now_ms
from monitor.domain.cautions import WORDS
from monitor.domain.repairs.repair import Promise, Repair
from monitor.domain.repairs.step import Step, StepKind, cautions_of
from monitor.planning import present
from monitor.planning.last_start import LastStart, StartVerdict
from monitor.planning.problem import DampAir, Note, NoteKind, PlannedRepair, PlannedStep, TimeRange
from monitor.planning.sensitivity import Shift
from monitor.planning.words import AGAINST, AS_PLANNED, ASSUMED, ASSUMED_IF, BY_RULES, Names
from monitor.service.state_publisher import repair_state
from monitor.store import Writer

HOUR, DAY = 3_600_000, 86_400_000


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A shop with an instrument, whose commands are carried out in this process."""
    settings = shop_air.settings_in(tmp_path_factory.mktemp("plan"))
    now = now_ms()
    with closing(Writer(settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now - 6 * DAY, now, 600_000, steady_pct=50.0)
        commands = shop_air.commanded(writer, settings)
        for reference in ("VN-1", "VC-2"):
            asked = {"do": "register", "about": "instrument", "kind": "violin"}
            commands.carry_out(asked | {"reference": reference, "place": "front-bench"}, now)
        with shop_air.command_link(settings, commands):
            yield settings


@pytest.fixture(scope="module")
def client(shop):
    return shop_air.board_client(shop)


@pytest.fixture(scope="module")
def data(shop):
    return ShopData(shop)


@pytest.fixture(scope="module")
def book(data):
    kept = CachedJournal(data)
    return PlanQueries(data, kept, RepairQueries(data, kept))


def tap(client, action, **more):
    return do(client, about="repair", do=action, at_ms=now_ms(), **more)


def page_of(client, path, **headers):
    return json.dumps(json.loads(ask_page(client, path, **headers).data), ensure_ascii=False)


def test_an_empty_shop_says_how_to_begin_and_the_wall_says_nothing(client, data, book):
    if not book.journal().repairs:
        assert text.BEGIN in page_of(client, "/plan", **HERE)
        assert wall.line(data, book, now_ms()) == []


def test_open_waits_that_no_repair_has_are_counted_beside_the_repairs(client, book, repair):
    assert text.waits_apart(book.journal()) == ""
    opening = {"about": "wait", "do": "open", "kind": "cleat", "place": "front-bench"}
    do(client, **opening, form={"instrument": "VC-2", "clamps": "1"})
    assert text.waits_apart(book.journal()) == (
        "1 open wait on Bench belongs to no repair. It has 1 clamp. The plan does not count its clamps "
        "and places."
    )
    do(client, **opening, form={"instrument": "VC-2", "clamps": "3"})
    words = text.waits_apart(book.journal())
    assert words.startswith("2 open waits on Bench belong to no repair. They have 4 clamps.")
    assert words in page_of(client, "/plan", **HERE)
    for wait in [one for one in book.journal().waits.values() if one.clamps and one.open]:
        do(client, about="wait", do="release", wait=wait.id)
    assert text.waits_apart(book.journal()) == ""


@pytest.fixture(scope="module")
def repair(client, shop, book):
    """A repair of open seams, taken in at the board, with a plan."""
    form = {"instrument": "VN-1", "template": "open-seams", "name": "", "promised": ""}
    status, answer = tap(client, "take in", form=form)
    assert status == 200, answer
    shop_air.keep_plan(shop, now_ms())
    return answer["done"]["repair"]


def test_the_first_step_can_be_started_or_is_first_when_the_shop_opens(data, book, repair):
    closes = agendas.closing(book.hours(), now_ms())
    found = agendas.agenda(book.journal(), book.plan(), now_ms(), closes)
    first = (*found.now, *found.leave, *found.next)[0]
    assert (first.step.id, first.do) == ("1", Do.START)
    assert "Clean, seams" in said(wall.line(data, book, now_ms()))


@pytest.mark.parametrize("kind", text.WARNINGS)
def test_what_stands_against_a_step_is_beside_it_in_now_and_next(data, book, repair, kind):
    journal, kept, hours, now = book.journal(), book.plan(), book.hours(), now_ms()
    found = agendas.agenda(journal, kept, now, agendas.closing(hours, now))
    first, *others = (*found.now, *found.leave, *found.next)
    note = Note(kind, repair, first.step.id, "A whole sentence.")
    warned = replace(kept, plan=replace(kept.plan, notes=(note,)))
    assert text.warning(warned, first).startswith(text.WARNINGS[kind])
    assert not any(text.warning(warned, one) for one in others)
    assert text.warning(warned, first._replace(do=Do.TAKE_OFF)) == ""  # the step has begun
    for plan in (kept, warned):
        shown = said(page.head(found, journal, plan, hours, data, now, writer=True))
        assert (text.WARNINGS[kind] in shown) == (plan is warned)


def test_a_ready_time_says_that_it_does_not_count_what_is_against_a_step(book, repair):
    kept, journal = book.plan(), book.journal()
    fixed, unsafe = NoteKind.FIXED_LATER, NoteKind.NOT_SAFE

    def listed(*kinds):
        plan = replace(kept.plan, notes=tuple(Note(one, repair, "1", f"{one}.") for one in kinds))
        warned = replace(kept, plan=plan)
        return text.notes(journal.repairs[repair], warned, Names(journal), "C")

    assert listed(unsafe, fixed) == [f"{fixed}.", ASSUMED, f"{unsafe}."]
    assert listed(fixed) == [f"{fixed}."]


def test_a_figure_that_rests_on_a_step_that_is_advised_against_says_so_beside_it(
    data, book, repair
):
    now, zone = now_ms(), data.settings.zone
    kept = replace(book.plan(), last_starts=())
    of = PlannedRepair(repair, TimeRange(now + DAY, now + 2 * DAY, now + 3 * DAY), 0.995)
    promises = (Promise(now, now + 9 * DAY),)
    found = replace(book.journal().repairs[repair], promises=promises)

    def told(*notes, starts=()):
        plan = replace(kept.plan, repairs=(of,), notes=notes)
        plan = replace(kept, plan=plan, last_starts=starts)
        return text.ready(found, plan, now, zone), text.promise(found, plan, now, zone)

    def ends(ready, promise):
        chance, date = promise.split("chance to keep it")[1].split(" Earliest time to promise ")
        return ready.rpartition(" (8 in 10 cases)")[2], chance, date.partition(": ")[0]

    figures = (".", ".", "with a 90 % chance")
    assert ends(*told()) == figures
    assert ends(*told(Note(NoteKind.NOT_SAFE, "another", "1", "Not safe."))) == figures
    condition = f", {AS_PLANNED}"
    with_it = (f"{condition}.", f"{condition}.", f"with a 90 % chance{condition}")
    for kind in AGAINST:
        assert ends(*told(Note(kind, repair, "1", "A whole sentence."))) == with_it
    start = LastStart(repair, "1", StartVerdict.AIR, of.ready, True, why="Too cold to glue.")
    assert ends(*told(starts=(start,))) == with_it  # the present air is against it
    assert ends(*told(starts=(start._replace(verdict=StartVerdict.NIGHT),))) == figures


def test_cautions_stand_where_a_step_can_be_started_and_nowhere_else(data, book, repair):
    journal = book.journal()
    found = journal.repairs[repair]
    finished = {one.id for one in found.steps if one.finished}
    for step in found.steps:
        if step.started_ms is not None:
            continue
        row = said(
            view.step_row(
                found, step, journal, {}, 20, (), now_ms(), data.settings.zone, "C", writer=True
            )
        )
        cautions = set(cautions_of(step, journal.book.get(step.wait_kind)))
        shown = {one for one in cautions if WORDS[one] in row}
        assert shown == (cautions if set(step.after) <= finished else set()), step.label


def test_a_step_goes_from_found_to_finished_on_the_board(client, shop, book, repair):
    status, answer = tap(client, "add", repair=repair, kind="glue crack")
    assert status == 200, answer
    crack = answer["done"]["step"]
    status, answer = tap(client, "start", repair=repair, step="1")
    assert status == 409
    assert "must follow Glue crack" in answer["refused"]
    assert tap(client, "start", repair=repair, step=crack)[0] == 200
    wait = book.journal().repairs[repair].step(crack).wait
    assert book.journal().waits[wait].open
    made = shop_air.keep_plan(shop, now_ms())
    assert any(one.running for one in made.plan.steps)
    status, answer = tap(client, "finish", repair=repair, step=crack)
    assert status == 409
    assert answer["question"] == (
        "The wait of “Glue crack” has not reached its safe minimum, 3 h. Leave the clamps on. "
        "Finish “Glue crack” anyway?"
    )
    assert tap(client, "finish", repair=repair, step=crack, sure="yes")[0] == 200
    assert not book.journal().waits[wait].open


@pytest.mark.parametrize(
    ("action", "more", "field", "words"),
    [
        ("promise", {"form": {"promised": ""}}, "promised", "is empty"),
        ("promise", {"form": {"promised": "soon"}}, "promised", "not a date"),
        ("promise", {"form": {"promised": "2020-01-01T10:00"}}, "promised", "past"),
        ("move", {"form": {"step": "5", "fixed": ""}}, "fixed", "is empty"),
        ("move", {"form": {"step": "5", "fixed": "2020-01-01T10:00"}}, "fixed", "past"),
        ("change", {"form": {"step": "5", "minutes": "many"}}, "minutes", "not a number"),
        ("change", {"form": {"step": "5", "minutes": "900"}}, "minutes", "480"),
        ("add", {"form": {"kind": "weld", "name": ""}}, "kind", "weld"),
    ],
)
def test_a_refusal_is_at_its_field_in_words(client, repair, action, more, field, words):
    status, answer = tap(client, action, repair=repair, **more)
    assert status == 409
    assert words in answer["fields"][field]


@pytest.mark.parametrize(
    "wrong", [{"fixed": "x"}, {"fixed": {}}, {"fixed": "9" * 30}, {"step": []}]
)
def test_a_tap_that_no_page_sends_is_refused_and_nothing_is_lost(client, book, repair, wrong):
    before = book.journal().version
    status, answer = tap(client, "move", **({"repair": repair, "step": "5"} | wrong))
    assert status == 409, answer
    assert book.journal().version == before


def test_a_step_is_moved_and_freed_again(client, book, repair):
    hours = book.hours()
    at = agendas.shifted(now_ms() + DAY, 1, hours or always(), now_ms())
    status, answer = tap(client, "move", repair=repair, step="5", fixed=str(at))
    assert status == 200, answer
    assert book.journal().repairs[repair].step("5").fixed_ms == at
    assert tap(client, "move", repair=repair, step="5", fixed="free")[0] == 200
    assert book.journal().repairs[repair].step("5").fixed_ms is None


def always():
    return tuple((now_ms() + i * DAY, now_ms() + i * DAY + 8 * HOUR) for i in range(10))


def test_the_form_of_a_step_shows_it_as_it_is_and_changes_all_of_it(client, book, repair):
    shown = page_of(client, f"/plan/{repair}", search="?step=4", **HERE)
    step = book.journal().repairs[repair].step("4")
    assert f"Change: {step.label}" in shown
    assert f"/plan/{repair}?step=4" in page_of(client, f"/plan/{repair}", **HERE)
    kept = {"name": step.name, "minutes": "", "place": "", "after": ", ".join(step.after)}
    kept |= {"overnight": "yes", "weekend": "yes", "needs.crack-clamps": "0"}
    form = kept | {
        "overnight": "no",
        "needs.crack-clamps": "2",
        "after": "1, 2",
        "name": "soundpost",
    }
    assert tap(client, "change", repair=repair, step="4", form=form)[0] == 200
    found = book.journal().repairs[repair].step("4")
    assert (found.after, found.needs, found.overnight) == (("1", "2"), {"crack-clamps": 2}, False)
    assert (found.name, found.weekend, found.hands_on_min) == (
        "soundpost",
        True,
        step.hands_on_min,
    )
    for wrong, field, words in (
        ({"after": "5"}, "after", "in a circle"),
        ({"needs.crack-clamps": "99"}, "needs", "the shop has 8"),
        ({"needs.crack-clamps": "x"}, "needs", "whole number"),
    ):
        status, answer = tap(client, "change", repair=repair, step="4", form=kept | wrong)
        assert status == 409
        assert words in answer["fields"][field]
    assert tap(client, "change", repair=repair, step="4", form=kept)[0] == 200
    assert book.journal().repairs[repair].step("4") == step


def test_a_usual_repair_is_added_at_the_board(client, repair, book):
    before = len(book.journal().repairs[repair].steps)
    form = {"template": "bushing"}
    assert tap(client, "add template", repair=repair, form=form)[0] == 200
    assert len(book.journal().repairs[repair].steps) == before + 5
    status, answer = tap(client, "add template", repair=repair, form={"template": "x"})
    assert status == 409
    assert "must be one of" in answer["fields"]["template"]


def test_the_stock_is_set_and_a_number_that_steps_need_is_kept(client, repair):
    def stock(form, own="spool-clamps"):
        return do(client, about="stock", do="set", stock=own, form=form)

    assert stock({"count": "40"})[0] == 200
    status, answer = stock({"count": "1"})
    assert status == 409
    assert "needs" in answer["fields"]["count"]
    assert "is empty" in stock({"count": ""})[1]["fields"]["count"]
    new = {"about": "stock", "do": "set", "form": {"name": "", "count": "2", "sort": "clamps"}}
    assert "is empty" in do(client, **new)[1]["fields"]["name"]


def test_a_start_under_now_that_waits_past_closing_makes_use_of_the_night(book, repair):
    found, made = book.journal().repairs[repair], book.plan()
    one = next(one for one in made.plan.steps if one.off.usual_ms > one.to_ms and not one.running)
    item = agendas.AgendaStep(found, found.step(one.step), Do.START, one.from_ms)
    before, after = one.off.usual_ms - 1, one.off.usual_ms
    assert agendas.uses_night(agendas.Agenda((item,), (), (), ()), made, before)
    assert not agendas.uses_night(agendas.Agenda((item,), (), (), ()), made, after)
    assert not agendas.uses_night(agendas.Agenda((), (item,), (), ()), made, before)


def test_last_starts_are_shown_from_an_hour_before_closing(data, book, repair):
    own = book.journal().repairs[repair]
    one = next(one for one in own.steps if agendas.can_start(own, one))
    now = now_ms()
    off = TimeRange(*[now + 9 * HOUR] * 3)
    verdicts = (LastStart(repair, one.id, StartVerdict.LEFT_ALONE, off),)
    present_ = replace(book.plan(), plan=replace(book.plan().plan, steps=()), last_starts=verdicts)
    shown = [
        agendas.agenda(book.journal(), present_, now, now + hours * HOUR).verdicts
        for hours in (1, 2)
    ]
    assert shown == [verdicts, ()]
    zone = ZoneInfo("UTC")
    assert text.no_last_start(18 * HOUR, 9 * HOUR, zone, night=False) == (
        "What to start for the night is shown from 17:00."
    )
    assert text.no_last_start(18 * HOUR, 17 * HOUR, zone, night=False).startswith("No start today")
    assert text.no_last_start(None, 0, zone, night=False) == "The shop is closed."
    by_rules = replace(book.plan(), improving=False)
    assert BY_RULES in said(page.listed(book.journal(), by_rules, data, book, now))
    assert BY_RULES not in said(
        page.listed(book.journal(), replace(by_rules, improving=True), data, book, now)
    )


def test_a_state_is_published_though_a_planned_step_is_gone_or_started_since(book, repair):
    found, names, made = book.journal().repairs[repair], Names(book.journal()), book.plan()
    planned = repair_state(found, names, made)
    first = next(one for one in found.steps if one.label == planned["next"])
    gone = tuple(one for one in found.steps if one is not first)
    begun = tuple(replace(one, started_ms=1) if one is first else one for one in found.steps)
    for steps in (gone, begun):
        told = repair_state(replace(found, steps=steps), names, made)
        assert told["next"] not in (None, first.label)


def test_a_strangers_device_reads_only(shop, repair):
    from dashboard.app import create_app

    stranger = create_app(shop).server.test_client()
    for path in ("/plan", f"/plan/{repair}", "/plan/stock"):
        shown = page_of(stranger, path, **HERE)
        assert '"data-do"' not in shown
    assert tap(stranger, "start", repair=repair, step="5")[0] == 403


def test_what_moves_a_repair_is_told_with_both_times(data, book, repair):
    found, now = book.journal().repairs[repair], now_ms()
    damp = DampAir("front-bench", now + HOUR, now + 15 * HOUR, 70.0)
    shifts = (
        Shift(repair, now + DAY, now + 2 * DAY, of=repair, step="1"),
        Shift(repair, now + DAY, now + 3 * DAY, air=damp),
        Shift("another", now + DAY, now + 2 * DAY, of="another", step="1"),
    )
    present = replace(book.plan(), shifts=shifts)
    zone, names = data.settings.zone, Names(book.journal())
    told = text.sensitive(found, present, names, data.place_names(), now, zone)
    assert told.count("VN-1 is usually ready") == 2
    assert "takes long (1 case in 5)" in told
    assert "If the mean humidity at Front bench is above 70 %" in told
    assert "another" not in told
    assert text.sensitive(found, None, names, {}, now, zone) == ""


def test_an_impossible_an_old_and_a_missing_plan_are_told(book, repair):
    journal, made = book.journal(), book.plan()
    later = journal.repairs[repair].events[-1].recorded_ms + 1
    good = replace(made, made_ms=max(later, made.made_ms))
    assert text.state(journal, good, good.made_ms) == ""
    assert "is 2 hours old" in text.state(journal, good, good.made_ms + 2 * HOUR)
    assert "being made" in text.state(journal, None, now_ms())
    assert "made again" in text.state(journal, replace(good, made_ms=1), 2)
    why = replace(good, plan=None, why_not=("The shop is never open",))
    assert text.state(journal, why, now_ms()) == "No plan is possible. The shop is never open."


@pytest.mark.slow
def test_an_old_plan_is_not_shown_as_what_to_do(client, shop, book, repair):
    good = shop_air.keep_plan(shop, now_ms())
    assert text.usable(good, good.made_ms) is good
    old = replace(good, made_ms=good.made_ms - 2 * HOUR, unknown=("front-bench",))
    assert text.usable(old, good.made_ms) is None
    present.keep(shop, old)
    shown = page_of(client, "/plan", **HERE)
    assert "The plan is 2 hours old" in shown
    assert "Not known without a plan." in shown
    assert "Nothing to start now" not in shown
    assert "Earliest time to promise" not in shown
    present.keep(shop, replace(good, unknown=("front-bench",)))
    assert "of this place is not known: Front bench" in page_of(client, "/plan", **HERE)
    present.keep(shop, good)


def test_work_on_a_joint_that_is_not_hard_is_advised_against():
    glue = Step(id="1", kind=StepKind.GLUE_CRACK, name="bass side", started_ms=0, finished_ms=HOUR)
    clean = Step(id="2", kind=StepKind.CLEAN, after=("1",), started_ms=HOUR, finished_ms=HOUR)
    cleat = Step(id="3", kind=StepKind.CLEAT, after=("2",), loads=True)
    own = Repair(id="1", instrument="i", name="Crack", taken_in_ms=0, steps=(glue, clean, cleat))
    off, hard = (TimeRange(at, at, at) for at in (HOUR, 24 * HOUR))
    runs = {("1", "1"): PlannedStep("1", "1", 0, 0, off, hard, running=True)}
    words = text.too_early(own, cleat, runs, 2 * HOUR, ZoneInfo("UTC"))
    assert words == (
        "Do not start this step yet. “Glue crack, bass side” is not ready yet. Do not work, "
        "load or string it before about tomorrow 00:00."
    )
    assert text.too_early(own, clean, runs, 2 * HOUR, ZoneInfo("UTC")) == ""
    assert text.too_early(own, cleat, runs, 24 * HOUR, ZoneInfo("UTC")) == ""
    hold = runs[("1", "1")]._replace(known=False)
    waits = replace(glue, wait_kind="plate-crack", finished_ms=None)
    assert text.step_state(waits, hold, HOUR, ZoneInfo("UTC")).endswith("See Bench.")


def test_a_start_moves_by_open_hours_over_a_night():
    hours = ((0, 4 * HOUR), (24 * HOUR, 28 * HOUR))
    assert agendas.shifted(3 * HOUR, 1, hours, -1 * HOUR) == 24 * HOUR
    assert agendas.shifted(24 * HOUR, -1, hours, -1 * HOUR) == 3 * HOUR
    assert agendas.shifted(HOUR, -1, hours, 2 * HOUR) is None  # it is past
    assert agendas.shifted(27 * HOUR, 1, hours, 0) is None


def test_only_who_may_change_gets_what_a_drag_needs_and_the_step_before_is_named(
    shop, data, book, repair
):
    present.keep(shop, replace(book.plan(), made_ms=now_ms()))
    seen, _, _ = page.drawn(data, book, {}, writer=False)
    assert seen.layout.meta is None
    drawn, _, _ = page.drawn(data, book, {}, writer=True)
    meta = drawn.layout.meta
    assert meta["zone"] == data.settings.zone.key
    planned = {one.step: one for one in book.plan().plan.steps if one.repair == repair}
    moves = {one["step"]: one for one in meta["moves"] if one["repair"] == repair}
    assert moves
    for own, one in moves.items():
        assert (one["from_ms"], one["may"]) == (planned[own].from_ms, planned[own].may)
        assert not planned[own].running
    last = moves["4"]
    assert last["first_ms"] >= planned["3"].off.usual_ms
    assert "comes first. It is ready about" in last["first"]


@pytest.mark.parametrize(
    ("hours", "words"),
    [(-36, "1.5 days earlier"), (24, "1 day later"), (1, "no change"), (-120, "5 days earlier")],
)
def test_a_change_is_told_in_days(hours, words):
    assert text.moved_words(0, hours * HOUR) == words


def test_the_plot_tells_work_from_waiting_by_shape_and_word_and_shades_closed_days(data):
    now = now_ms()
    bar = figure.Bar(now, now + HOUR, now + 20 * HOUR, "Close")
    ready = TimeRange(now + DAY, now + 2 * DAY, now + 3 * DAY)
    rows = [figure.Row("<b>VN-1", [bar], ready, now + 4 * DAY)]
    of = figure.view_of(rows, now, plots.View(0, 0, data.settings.zone, "C", 390))
    assert of.end_ms == now + 4 * DAY
    drawn = figure.plan_plot(rows, ((now, now + HOUR),), now, of, theme("night"))
    names = {trace.name: trace for trace in drawn.data}
    assert set(names) == {"waiting", "work", "ready, 10 to 90 %", "ready", "promised for later"}
    assert names["waiting"].marker.pattern.shape == "/"
    assert names["waiting"].x[0] == 19 * HOUR
    assert "&lt;b&gt;VN-1" in drawn.layout.yaxis.ticktext
    assert drawn.layout.xaxis.title.standoff is None  # "-Infinity" where no label fits
    shut = figure.closed_days(((now, now + HOUR),), of)
    assert 3 <= len(shut) <= 5


def test_every_part_of_the_pages_can_be_asked_for(client, data, book, repair):
    outputs = "..repairs-plot.figure...repairs-drawn.style...repairs-plotted.hidden.."
    inputs = [("token", "data", ""), ("bench-changed", "data", ""), ("screen", "data", None)]
    answer = ask_dash(client, outputs, inputs, trigger="token.data", **HERE)
    assert answer.status_code == 200
    assert "chance" in said(page.live(data, book, writer=False))
    names = Names(book.journal())
    assert names.repair(repair) in said(
        repair_page.live(data, book, book.journal().repairs[repair], writer=False)
    )


@pytest.mark.slow
def test_what_if_answers_in_days_and_refuses_in_words(client, book, repair, monkeypatch):
    def asked(**given):
        fields = ("template", "rush", "clamps", "more", "saturday", "place", "rh")
        state = [(f"repairs-if-{name}", "value", given.get(name, "")) for name in fields]
        inputs = [("repairs-if-ask", "n_clicks", 1)]
        answer = ask_dash(
            client,
            "repairs-if-said.children",
            inputs,
            state,
            trigger="repairs-if-ask.n_clicks",
            **HERE,
        )
        return json.dumps(json.loads(answer.data), ensure_ascii=False)

    monkeypatch.setattr(plan_queries, "LIMIT_S", 0.0)  # by rules
    assert "Choose at least one change" in asked()
    answer = asked(template="bushing", rush="yes", saturday="yes", place="front-bench", rh="45")
    assert "The new repair: ready" in answer
    assert f"90 % chance, {AS_PLANNED}" in answer
    assert ASSUMED_IF in answer
    assert Names(book.journal()).repair(repair) in answer
    assert "must be 0 to 100" in asked(clamps="spool-clamps", more="-4")
    assert "must be 20 to 80" in asked(place="front-bench", rh="wet")
    assert "one of front-bench, varnish-room" in asked(place="outdoors", rh="45")
