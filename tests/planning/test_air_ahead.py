"""Notes on the air, the wood, joints and open plates at the times that a plan has chosen."""

from __future__ import annotations

import re
from datetime import UTC

import pytest
from wait_bench import DAY, HOUR, NOW, Bench

from monitor.commands import Journal
from monitor.core import formats
from monitor.planning.air_ahead import with_air_notes
from monitor.planning.inputs import Inputs, ShopWaits
from monitor.planning.problem import NoteKind, Plan, PlannedStep, Problem, TimeRange

LATE = ("retouch", "clean", "fit")
"""Steps after the crack: the plan lets only the last wait until it may be loaded."""
WEEK = ((NOW - HOUR, NOW + 6 * HOUR), (NOW + 2 * DAY, NOW + 2 * DAY + 8 * HOUR))
"""Opening hours with a closed day between. [ms]"""


@pytest.fixture(scope="module")
def noted(tmp_path_factory):
    """The notes on steps of an open violin that start so many hours from now in air of an RH."""
    made = {}

    def notes(rh_pct, hours, temp_c=20, now=NOW, load_h=0):
        if (temp_c, rh_pct) not in made:
            made[temp_c, rh_pct] = _shop(tmp_path_factory.mktemp("ahead"), temp_c, rh_pct)
        bench, steps = made[temp_c, rh_pct]
        journal = Journal(bench.reader)
        waits = ShopWaits(bench.reader, bench.settings, journal, now, WEEK)
        planned = tuple(
            PlannedStep("1", steps[kind], at, at + HOUR, TimeRange(off, off, off), ready)
            for kind, after_h in hours.items()
            for at in [NOW + round(after_h * HOUR)]
            for off, load in [(at + 2 * HOUR, load_h * HOUR * (kind == "glue crack"))]
            for ready in [TimeRange(off + load - load // 4, off + load, off + 2 * load)]
        )
        plan = Plan(
            now_ms=now,
            steps=planned,
            repairs=(),
            notes=(),
            solver="greedy",
            objective_h=1,
            bound_h=0,
            gap=1,
            seconds=0,
        )
        inputs = Inputs(Problem(now_ms=now, open=WEEK, repairs=()), (), waits)
        found = with_air_notes(bench.reader, bench.settings, journal, inputs, plan).notes
        return {one.kind: one.text for one in found}

    notes.made = made
    return notes


def _shop(folder, temp_c, rh_pct):
    bench = Bench(folder)
    bench.air("bench", temp_c, rh_pct, step=600_000)
    bench.do(
        "register",
        about="instrument",
        reference="VN-1",
        kind="violin",
        place="bench",
        arrived_ms=NOW - 7 * DAY,
        open=True,
        home_rh_pct=45,
    )
    bench.do("take in", about="repair", instrument="VN-1", name="Top")
    add = {"about": "repair", "repair": "1", "between": False, "after": []}
    kinds = ("varnish", "glue crack", "close")
    steps = {kind: bench.do("add", kind=kind, **add)["step"] for kind in kinds}
    late = add | {"after": [steps["glue crack"]]}
    return bench, steps | {kind: bench.do("add", kind=kind, **late)["step"] for kind in LATE}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("air", "kind", "words"),
    [
        ((78, 20), "varnish", "The air at Bench is likely to be wrong for it then ("),
        ((78, 20), "varnish", "in 10): damp. Spirit varnish may blush."),
        ((78, 20), "glue crack", "very damp. Hide glue may not harden."),
        ((50, 12), "varnish", "too cold to varnish."),
        ((50, 12), "glue crack", "too cold to glue."),
    ],
)
def test_a_coat_or_a_joint_planned_for_wrong_air_is_noted(noted, air, kind, words):
    text = noted(air[0], {kind: 5, "close": 5}, air[1])[NoteKind.AIR_AHEAD]
    assert text.startswith("VN-1: ")
    assert " is planned for " in text
    assert words in noted(air[0], {kind: 5}, air[1])[NoteKind.AIR_AHEAD]


def test_work_that_starts_now_in_air_of_old_readings_says_that_it_is_not_known(noted):
    now = NOW + 5 * HOUR
    text = noted(50, {"glue crack": 5}, now=now)[NoteKind.AIR_OLD]
    assert "No reading from Bench since" in text
    assert text.endswith("The air there is not known: check it first.")
    assert NoteKind.AIR_OLD not in noted(50, {"glue crack": -1}, now=NOW - HOUR)


@pytest.mark.slow
def test_good_air_is_not_noted_nor_what_starts_now(noted):
    assert noted(50, {"varnish": 5, "glue crack": 4, "close": 5}) == {}
    assert NoteKind.AIR_AHEAD not in noted(78, {"varnish": 0.1})


def test_a_closing_of_wood_that_is_too_dry_is_noted(noted):
    text = noted(22, {"close": 5})[NoteKind.NOT_SAFE]
    assert "If the air stays as it is, it is not safe to close " in text
    assert "See Wood." in text


def test_a_plate_left_open_over_dry_closed_days_is_noted(noted):
    text = noted(22, {"varnish": 5})[NoteKind.LEFT_OPEN]
    assert text.startswith("VN-1 stays open while the shop is closed")
    assert "Bag opened plates" in text
    assert NoteKind.LEFT_OPEN not in noted(22, {"close": 5})  # closed before the shop is
    assert NoteKind.LEFT_OPEN in noted(22, {"close": 49})


def test_work_beside_a_joint_that_may_not_be_loaded_yet_says_until_when(noted):
    text = noted(50, {"glue crack": 0, "retouch": 3}, load_h=20)[NoteKind.FRESH_JOINT]
    assert text.startswith("VN-1: Retouch is planned for ")
    assert "The joint of “Glue crack” may be worked, " in text
    assert "keep the work away from it, and do not load or string it." in text
    low, usual, high = (formats.ahead(NOW + h * HOUR, NOW, UTC) for h in (17, 22, 42))
    assert f"strung from about {usual}, between {low} and {high}. Until Bench" in text
    both = noted(50, {"glue crack": 0, "retouch": 3, "clean": 4}, load_h=20)[NoteKind.FRESH_JOINT]
    assert re.match(
        r"VN-1: Retouch is planned for [^.]*\. Clean is planned for [^.]*\. The joint", both
    )
    assert both.count("“Glue crack”") == 1
    for work in ("retouch", "fit"):  # beside the joint; on it
        assert NoteKind.FRESH_JOINT in noted(50, {"glue crack": 0, work: 41}, load_h=20)
        assert NoteKind.FRESH_JOINT not in noted(50, {"glue crack": 0, work: 42}, load_h=20)
    assert NoteKind.FRESH_JOINT not in noted(50, {"glue crack": 0, "retouch": 3})


def test_closing_over_joints_that_no_step_has_is_noted(noted):
    """Air of 55 % RH: a shop of its own, as its joint stays."""
    assert NoteKind.FRESH_JOINT not in noted(55, {"close": 5})
    bench, _ = noted.made[20, 55]
    bench.open("plate-crack", instrument="vn-1")
    text = noted(55, {"close": 5})[NoteKind.FRESH_JOINT]
    assert text.startswith("VN-1: Close is planned for ")
    assert "Other joints of it are perhaps not ready by then: “Plate crack”." in text
    assert NoteKind.FRESH_JOINT not in noted(55, {"varnish": 5})
    bench.open("plate-crack", instrument="VN-2")
    assert noted(55, {"close": 5})[NoteKind.FRESH_JOINT] == text
    assert NoteKind.FRESH_JOINT not in noted(55, {"close": 500})
