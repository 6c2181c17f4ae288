"""Late waits and damp nights that move a repair are found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from planned_shop import HOUR_MS, MONDAY_MS, at, problem, repair, step

from monitor.planning.planner import plan
from monitor.planning.problem import Condition, DampAir, WaitTimes
from monitor.planning.sensitivity import sensitivity


def damp_or_dry(dry_h, damp_h, members=40):
    """A wait that takes longer in the second half of the members."""
    hours = np.where(np.arange(members) < members // 2, dry_h, damp_h)
    start_ms = MONDAY_MS + np.arange(240) * HOUR_MS
    return WaitTimes(start_ms=start_ms, seconds=3600.0 * np.tile(hours[:, None], 240))


def test_a_damp_night_that_moves_the_closing_is_named():
    glue = step("glue", wait_h=1)
    glue = replace(glue, wait=damp_or_dry(8, 30))
    cello = repair("cello", glue, step("close", after=("glue",)))
    viola = repair("viola", step("set-up"))
    night = Condition(air=DampAir("bench", at(0, 17), at(1, 9), 70.0), holds=np.arange(40) >= 20)
    shop = problem(cello, viola, people=2, conditions=(night,))
    shifts = sensitivity(shop, plan(shop, limit_s=0))
    assert {s.repair for s in shifts} == {"cello"}
    by_air = next(s for s in shifts if s.air is not None)
    assert by_air.air.rh_pct == 70
    # Dry: 9:30 to 17:30, so closed on Tuesday at 9:30. Damp: off on Tuesday at 15:30, ready at 16:00.
    assert by_air.without_ms == pytest.approx(at(1, 9.6), abs=HOUR_MS / 2)
    assert by_air.with_ms == pytest.approx(at(1, 16.1), abs=HOUR_MS / 2)
    assert any(s.step == "glue" for s in shifts)
    made = plan(shop, limit_s=0)
    unknown = replace(made, repairs=tuple(r._replace(ready=None) for r in made.repairs))
    assert not sensitivity(shop, unknown)  # no ready time is named beside "not known"
