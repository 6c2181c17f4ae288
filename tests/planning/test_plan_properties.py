"""No plan breaks an order, a stock, the opening hours or a safe minimum."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planned_shop import NOW_MS, at, problem, repair, step, weekdays

from monitor.planning.planner import plan


@st.composite
def shops(draw):
    """A shop with one to three repairs of up to five steps."""
    repairs = []
    for r in range(draw(st.integers(1, 3))):
        steps = []
        for s in range(draw(st.integers(1, 5))):
            wait_h = draw(st.sampled_from([0.0, 0.0, 3.0, 7.5, 20.0]))
            before = [one.id for one in steps]
            steps.append(
                step(
                    f"s{s}",
                    draw(st.sampled_from([0, 5, 33, 120, 400])),
                    wait_h,
                    after=tuple(
                        draw(st.sets(st.sampled_from(before), max_size=2)) if before else ()
                    ),
                    needs={"crack clamps": draw(st.integers(1, 8))} if wait_h else {},
                    overnight=wait_h in (0.0, 20.0) or draw(st.booleans()),
                    over_weekend=draw(st.booleans()),
                    people=draw(st.integers(0, 2)),
                )
            )
        promised = draw(st.sampled_from([None, at(1, 12), at(-2, 12)]))
        repairs.append(repair(f"r{r}", *steps, promised_ms=promised))
    now_ms = draw(st.sampled_from([NOW_MS, at(0, 13.3), at(4, 16.9), at(5, 12)]))
    return problem(*repairs, people=2, now_ms=now_ms)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(shops(), st.sampled_from([0.0, 0.3]))
def test_no_plan_breaks_a_rule(shop, limit_s):
    found = plan(shop, limit_s=limit_s)
    steps = {(r.id, s.id): s for r in shop.repairs for s in r.steps}
    planned = {(s.repair, s.step): s for s in found.steps}
    moments = sorted({s.from_ms for s in found.steps})
    ends = {}
    for key, one in planned.items():
        step_, worked_ms = steps[key], one.to_ms
        if one.to_ms > one.from_ms:
            assert any(a <= one.from_ms and one.to_ms <= b for a, b in weekdays())
        assert one.from_ms >= shop.now_ms
        wait_ms = 0 if step_.wait is None else round(1000 * step_.wait.seconds[0, 0])
        ends[key] = worked_ms + wait_ms
        if step_.wait is not None:
            # The range is from executions that may start earlier or later than the plan.
            assert one.off.low_ms >= shop.now_ms + 1000 * step_.wait.minimum_s
    for key, one in planned.items():
        assert one.off.low_ms <= one.off.usual_ms <= one.off.high_ms
        for before in steps[key].after:
            assert one.from_ms >= ends[key[0], before]
            # No row begins before the usual end that is shown of the row before it.
            assert one.from_ms >= planned[key[0], before].off.usual_ms
            for first_ms, _ in one.may:
                assert first_ms >= planned[key[0], before].off.usual_ms
        for first_ms, last_ms in one.may:
            assert any(a <= first_ms <= last_ms < b for a, b in weekdays())
        if steps[key].fixed_ms is None:
            assert any(a <= one.from_ms <= b for a, b in one.may)
    for now_ms in moments:
        working = [k for k, s in planned.items() if s.from_ms <= now_ms < s.to_ms]
        assert sum(steps[k].people for k in working) <= shop.people
        held = [k for k, s in planned.items() if s.from_ms <= now_ms < ends[k]]
        assert sum(steps[k].needs.get("crack clamps", 0) for k in held) <= 8
    unplanned = {(n.repair, n.step) for n in found.notes}
    assert all(key in planned or key in unplanned for key in steps)
