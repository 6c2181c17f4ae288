"""The plan keeps what must hold, and says what cannot be planned."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest
from planned_shop import NOW_MS, at, problem, repair, step

from monitor.core.errors import Rejected
from monitor.planning.planner import plan
from monitor.planning.problem import NoteKind, RunningStep, TimeRange, steady_wait
from monitor.planning.refusals import STEPS_MAX
from monitor.planning.words import range_words

OFF = TimeRange(at(0, 11), at(0, 12), at(0, 14))
RUNS = RunningStep(since_ms=at(0, 8), hands_until_ms=at(0, 8), off=OFF)


def starts(found):
    """Start of each planned step by its id. [ms]"""
    return {s.step: s.from_ms for s in found.steps}


def test_the_night_does_the_waiting():
    # Two hours of cleaning can be done at any time; the joint of 12 h makes use of the night.
    cello = repair(
        "cello",
        step("clean", 120),
        step("glue", 30, wait_h=12),
        step("close", 60, after=("glue", "clean")),
    )
    found = plan(problem(cello), limit_s=0.2)
    assert starts(found)["close"] == at(1, 9)
    assert found.repairs[0].ready.usual_ms == at(1, 10)


@pytest.mark.parametrize("fixed_ms", [None, at(0, 12)])
def test_no_instrument_is_handed_out_before_its_repair_is_usually_ready(fixed_ms):
    # Each coat is usually dry at 16:00 or 16:30. The last of the three is usually later.
    coats = [step(name, 30, wait_h=5.5) for name in ("top", "back", "ribs")]
    out = step("out", 20, after=("top", "back", "ribs"), hands_out=True, fixed_ms=fixed_ms)
    found = plan(problem(repair("viola", *coats, out), people=3), limit_s=0.2)
    (ready,) = (one.ready for one in found.repairs)
    (handed_out,) = (one for one in found.steps if one.step == "out")
    assert ready.usual_ms == handed_out.from_ms
    assert handed_out.to_ms == handed_out.off.usual_ms


def test_a_repair_of_which_only_handing_out_is_left_is_ready_now():
    found = plan(problem(repair("viola", step("out", 20, hands_out=True))), limit_s=0.2)
    assert found.repairs[0].ready == TimeRange(NOW_MS, NOW_MS, NOW_MS)


def test_a_step_that_may_not_wait_overnight_ends_before_closing():
    early = problem(
        repair("viola", step("clean", 240), step("dry", 30, wait_h=5, overnight=False))
    )
    (clean, dry) = (starts(plan(early, limit_s=0.2))[i] for i in ("clean", "dry"))
    assert dry == NOW_MS
    assert clean == at(0, 9.5)
    held = step("dry", 30, wait_h=5, overnight=False, after=("clean",))
    late = problem(repair("viola", step("clean", 240), held))
    assert starts(plan(late, limit_s=0.2))["dry"] == at(1, 9)


def test_a_step_that_may_not_wait_over_a_weekend_is_not_started_on_friday():
    friday = at(4, 14)
    bow = repair("bow", step("soak", 30, wait_h=20, over_weekend=False))
    assert starts(plan(problem(bow, now_ms=friday), limit_s=0.2))["soak"] == at(7, 9)


def test_clamps_that_are_taken_are_waited_for():
    a = repair("a", step("glue-a", 30, wait_h=3, needs={"crack clamps": 5}))
    b = repair("b", step("glue-b", 30, wait_h=3, needs={"crack clamps": 5}))
    first, second = sorted(starts(plan(problem(a, b), limit_s=0.2)).values())
    assert (first, second) == (NOW_MS, at(0, 12.5))


def test_running_work_holds_its_clamps_and_its_followers():
    glue = step("glue", needs={"crack clamps": 8}, running=RUNS)
    a = repair("a", glue, step("cleat", after=("glue",)))
    b = repair("b", step("other", wait_h=1, needs={"crack clamps": 1}))
    found = starts(plan(problem(a, b), limit_s=0.2))
    assert found["cleat"] >= at(0, 12)
    assert found["other"] >= at(0, 12)


def test_consent_and_an_empty_repair_are_noted_and_nothing_else_is_lost():
    a = repair(
        "a", step("fit"), step("varnish", awaits_consent=True), step("polish", after=("varnish",))
    )
    b = repair("b", step("glue", done=True))
    c = repair("c", step("set-up"), promised_ms=at(-3, 9))
    found = plan(problem(a, b, c), limit_s=0.2)
    assert {n.kind for n in found.notes} == {
        NoteKind.AWAITS_CONSENT,
        NoteKind.NOTHING_TO_DO,
        NoteKind.PROMISE_PASSED,
    }
    assert set(starts(found)) == {"fit", "set-up"}
    assert [r.ready is None for r in found.repairs] == [True, True, False]


def test_a_chosen_start_is_kept_or_noted():
    kept = repair("a", step("glue", fixed_ms=at(1, 11)), step("clean", after=("glue",)))
    assert starts(plan(problem(kept), limit_s=0.2))["glue"] == at(1, 11)
    late = repair("a", step("glue", wait_h=40), step("close", after=("glue",), fixed_ms=at(1, 9)))
    closed, too_long = (repair("a", step("fit", 90, fixed_ms=at(*t))) for t in ((5, 9), (1, 16.5)))
    for one in (late, closed, too_long):
        found = plan(problem(one), limit_s=0.2)
        assert [n.kind for n in found.notes] == [NoteKind.FIXED_LATER]


@pytest.mark.parametrize(
    ("steps", "field", "words"),
    [
        ([step("a", after=("b",)), step("b", after=("a",))], "repairs.x.steps.", "circle: "),
        ([step("a", after=("c",))], "repairs.x.steps.a.after", "another step"),
        ([step("a", needs={"crack clamps": 9})], "repairs.x.steps.a.needs.crack clamps", "0 to 8"),
        ([step("a", needs={"rolls": 1})], "repairs.x.steps.a.needs", "crack clamps, spool clamps"),
        ([step("a", 600)], "repairs.x.steps.a.hands_on", "longest opening of 8 h"),
        ([step("a", people=2)], "repairs.x.steps.a.people", "0 to 1"),
        ([step("a"), step("a")], "repairs.x.steps", "no other step"),
    ],
)  # fmt: skip # several on a line: a table
def test_what_cannot_be_planned_is_refused_at_its_field(steps, field, words):
    with pytest.raises(Rejected) as refused:
        plan(problem(repair("x", *steps)))
    assert any(f.field.startswith(field) and words in str(f) for f in refused.value.faults)


def test_the_same_seed_gives_the_same_plan():
    one = problem(
        *(repair(f"r{i}", *(step(f"s{k}", 45, wait_h=5) for k in range(4))) for i in range(3))
    )
    assert plan(one, limit_s=0.5).steps == plan(one, limit_s=0.5).steps


def test_only_work_that_loads_a_joint_waits_until_it_may_be_loaded():
    glue = step("glue", 30, wait_h=3, load=steady_wait(70_000, 86_400, 100_000))
    clean = step("clean", after=("glue",))
    fit = step("fit", after=("clean",), loads=True)  # the joint is not the step before it
    found = starts(plan(problem(repair("a", glue, clean, fit)), limit_s=0.2))
    assert found["clean"] == at(0, 12.5)
    assert at(1, 9.5) <= found["fit"] < at(1, 11)


def test_a_joint_that_is_still_setting_holds_no_clamps():
    off, ready = TimeRange(*[at(0, 8)] * 3), TimeRange(at(1, 9), at(1, 10), at(1, 12))
    sets = RunningStep(since_ms=at(-1, 9), hands_until_ms=at(-1, 9), off=off, ready=ready)
    glue = step("glue", needs={"crack clamps": 8}, running=sets)
    work = step("clean", needs={"crack clamps": 1}, after=("glue",))
    found = starts(
        plan(problem(repair("a", glue, work, step("fit", after=("clean",), loads=True))))
    )
    assert found["clean"] == NOW_MS
    assert found["fit"] == at(1, 10)


def test_more_steps_than_a_plan_takes_are_refused_in_words():
    many = [step(f"s{n}") for n in range(1 + STEPS_MAX)]
    with pytest.raises(Rejected, match="the plan takes at most 400"):
        plan(problem(repair("cello", *many)), limit_s=0)
    done = [replace(one, done=True) for one in many]
    assert plan(problem(repair("cello", *done)), limit_s=0).steps == ()


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        ((11, 12, 14), "12:00, between 11:00 and 14:00 (8 in 10 cases)"),
        ((12, 12, 14), "12:00, almost surely by 14:00"),
        ((11, 14, 14), "14:00, in 1 case of 10 already 11:00"),
        ((14, 14, 14), "14:00"),
    ],
)
def test_only_a_range_with_two_ends_is_said_to_hold_8_in_10_cases(hours, words):
    of = TimeRange(*(at(0, hour) for hour in hours))
    assert range_words(of, NOW_MS, UTC, " (8 in 10 cases)") == words
