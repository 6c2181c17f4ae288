"""Last starts before closing: what makes use of the night, and what must not be started."""

from __future__ import annotations

from dataclasses import replace

import pytest
from planned_shop import HOUR_MS, NOW_MS

from monitor.planning import present
from monitor.planning.last_start import StartVerdict, last_starts, wait_range
from monitor.planning.planner import plan
from monitor.planning.present import PresentPlan
from monitor.planning.problem import (
    Problem,
    RepairToPlan,
    RunningStep,
    Seconds,
    StepToPlan,
    TimeRange,
    steady_wait,
)

DAY_MS = 24 * HOUR_MS
HALF_HOUR = Seconds(1200, 1800, 2700)


def glue(own="glue", hours=8.0, **more):
    wait = steady_wait(0.9 * hours * 3600, hours * 3600, 1.1 * hours * 3600)
    given = {"hands_on": HALF_HOUR, "wait": wait, "needs": {"clamps": 4}, "hazardous": True}
    return StepToPlan(id=own, name=own, **(given | more))


def shop(*steps, closes_h=1.5, opens_h=16.0, stock=4):
    """A shop that closes in so many hours, and opens again so long from now."""
    opens_ms = NOW_MS + round(opens_h * HOUR_MS)
    days = [(opens_ms + i * DAY_MS, opens_ms + 9 * HOUR_MS + i * DAY_MS) for i in range(9)]
    spans = ((NOW_MS - HOUR_MS, NOW_MS + round(closes_h * HOUR_MS)), *days)
    repairs = tuple(
        RepairToPlan(
            id=str(i), name=f"repair {i}", steps=(one,) if isinstance(one, StepToPlan) else one
        )
        for i, one in enumerate(steps)
    )
    return Problem(now_ms=NOW_MS, open=spans, repairs=repairs, stock={"clamps": stock})


def verdicts(problem):
    found = last_starts(problem, plan(problem, limit_s=0))
    return {one.repair: one.verdict for one in found}


def test_a_glue_up_that_hardens_overnight_makes_use_of_the_night():
    problem = shop(glue())
    (one,) = last_starts(problem, plan(problem, limit_s=0))
    assert one.good
    assert one.planned
    assert one.off.usual_ms == pytest.approx(NOW_MS + 8.5 * HOUR_MS, abs=HOUR_MS / 10)


def test_what_is_off_before_closing_is_not_told():
    assert verdicts(shop(glue(hours=0.5))) == {}


@pytest.mark.parametrize(
    ("step", "more", "verdict"),
    [
        (
            glue(hands_on=Seconds(1800, 3600, 7200)),
            {},
            StartVerdict.NO_TIME,
        ),  # hot glue may take 2 h
        (glue(overnight=False), {}, StartVerdict.LEFT_ALONE),
        (glue(over_weekend=False), {"opens_h": 64.0 - 24}, StartVerdict.LEFT_ALONE),
        (glue(over_weekend=False), {}, StartVerdict.NIGHT),
    ],
)
def test_what_must_not_be_left_is_not_started(step, more, verdict):
    assert verdicts(shop(step, **more)) == {"0": verdict}


def test_a_joint_is_not_loaded_before_it_is_hard_even_two_steps_later():
    set_ = TimeRange(*[NOW_MS + 20 * HOUR_MS] * 3)
    off = TimeRange(*[NOW_MS - HOUR_MS] * 3)
    crack = StepToPlan(
        id="crack",
        name="crack",
        hands_on=HALF_HOUR,
        running=RunningStep(since_ms=0, hands_until_ms=0, off=off, ready=set_),
    )
    clean = StepToPlan(id="clean", name="clean", hands_on=HALF_HOUR, after=("crack",), done=True)
    assert verdicts(shop((crack, clean, glue(after=("clean",), loads=True)))) == {}
    assert verdicts(shop((crack, clean, glue(after=("clean",))))) == {"0": StartVerdict.NIGHT}


def test_a_wait_that_lasts_into_a_weekend_is_not_started_before_it():
    problem = shop(glue(hours=40.0, over_weekend=False))
    opens = problem.open[:2] + tuple((a + 2 * DAY_MS, b + 2 * DAY_MS) for a, b in problem.open[2:])
    assert verdicts(problem) == {"0": StartVerdict.NIGHT}
    assert verdicts(replace(problem, open=opens)) == {"0": StartVerdict.LEFT_ALONE}


def test_a_glue_up_that_takes_the_clamps_of_tomorrow_is_in_the_way():
    # The second repair may only be glued tomorrow morning, and then needs all clamps.
    long = glue(hours=40.0, fixed_ms=NOW_MS + 5 * DAY_MS)
    soon = (glue(fixed_ms=NOW_MS + 17 * HOUR_MS, hours=4.0),)
    problem = shop(long, soon)
    found = {one.repair: one for one in last_starts(problem, plan(problem, limit_s=0))}
    assert found["0"].verdict is StartVerdict.IN_THE_WAY
    assert found["0"].rival == ("1", "glue")
    many = shop(long, soon, stock=8)
    assert verdicts(many)["0"] is StartVerdict.NIGHT


def test_only_what_can_start_is_told():
    off = TimeRange(NOW_MS, NOW_MS + HOUR_MS, NOW_MS + 2 * HOUR_MS)
    held = glue(running=RunningStep(since_ms=NOW_MS - HOUR_MS, hands_until_ms=NOW_MS, off=off))
    assert verdicts(shop(held, glue())) == {}  # all clamps are in use
    follows = (StepToPlan(id="fit", name="fit", hands_on=HALF_HOUR), glue(after=("fit",)))
    assert verdicts(shop(follows)) == {}
    assert verdicts(shop(glue(awaits_consent=True))) == {}
    closed = shop(glue())
    night = Problem(
        now_ms=NOW_MS, open=closed.open[1:], repairs=closed.repairs, stock=closed.stock
    )
    assert last_starts(night, plan(night, limit_s=0)) == ()


def test_the_range_of_a_wait_keeps_its_minimum():
    wait = steady_wait(3600, 2 * 3600, 4 * 3600, minimum_s=1.5 * 3600)
    low, usual, high = wait_range(wait, NOW_MS)
    assert low == NOW_MS + 1.5 * HOUR_MS
    assert usual == pytest.approx(NOW_MS + 2 * HOUR_MS, abs=HOUR_MS / 10)
    assert high > NOW_MS + 3.5 * HOUR_MS


class Shop:
    """Settings of a shop that keeps its plan in a folder."""

    def __init__(self, data):
        self.data = self.store_address = self.read_address = data


def test_the_present_plan_is_read_as_it_was_written(tmp_path):
    problem = shop(glue(), glue(overnight=False))
    made = plan(problem, limit_s=0)
    kept = PresentPlan(
        made_ms=NOW_MS, version=7, plan=made, last_starts=last_starts(problem, made)
    )
    one = Shop(tmp_path)
    assert present.read(one) is None
    assert present.kept_at(one) == 0
    present.keep(one, kept)
    assert present.read(one) == kept
    assert kept.fresh(NOW_MS + HOUR_MS // 4)
    assert not kept.fresh(NOW_MS + HOUR_MS)
    assert kept.by_rules
    assert not replace(kept, improving=True).by_rules
    secret = tmp_path / "other.txt"
    secret.write_text("kept")
    for name in ("plan.part", "plan.json.part"):
        (tmp_path / name).symlink_to(secret)
    present.keep(one, kept)
    assert secret.read_text() == "kept"  # a link beside the plan is not followed
    (one.data / present.NAME).write_text('{"half')
    assert present.read(one) is None
    present.keep(one, PresentPlan(made_ms=1, version=1, plan=None, format=0))
    assert present.read(one) is None
