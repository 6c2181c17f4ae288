"""Sensitivity of a plan: late waits, and air ahead, that move the hand-out of a repair."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from monitor.planning.execution import ExecutedPlan, executed
from monitor.planning.model import Model, build
from monitor.planning.planner import SEED, hinted
from monitor.planning.problem import DampAir, Plan, Problem
from monitor.planning.refusals import checked

LATE_SHARE = 0.8
"""A wait is late above this quantile of its outcomes. [-]  Ours."""
HOURS_MS = 3_600_000
SHIFT_MS = 4 * HOURS_MS
"""Least shift of a repair that is worth a sentence. [ms]  Ours: half a working day."""
FEWEST = 10
"""Fewest outcomes on either side of a comparison. [-]"""
DAY_MS = 86_400_000


class Shift(NamedTuple):
    """Effect of a late wait, or of a condition of the air, on when a repair is ready.

    Either `step` of the repair `of`, or `air`, is the cause. Medians of the outcomes with and
    without it. [ms]
    """

    repair: str
    without_ms: int
    with_ms: int
    of: str = ""
    step: str = ""
    air: DampAir | None = None


def sensitivity(
    problem: Problem, plan: Plan, *, seed: int = SEED, soon_ms: int = 2 * DAY_MS
) -> tuple[Shift, ...]:
    """Waits and conditions of the air that move the hand-out of a repair, the greatest first.

    Parameters
    ----------
    plan : Plan
        Of the same problem.
    soon_ms : int
        Only waits that start this soon count. [ms]
    """
    model = build(checked(problem))
    starts = hinted(model, plan)
    outcome = executed(model, starts, seed)
    ids = [repair.id for repair in problem.repairs]
    found = []
    for number, job in enumerate(model.jobs):
        if job.step.wait is None or model.time.ms(starts[number]) > problem.now_ms + soon_ms:
            continue
        took = outcome.took_ms[:, number]
        finite = took[np.isfinite(took)]
        late = (
            took >= np.quantile(finite, LATE_SHARE) if len(finite) else np.zeros(len(took), bool)
        )
        found += [
            Shift(*one, of=ids[job.repair], step=job.step.id)
            for one in _moved(model, outcome, late)
        ]
    for condition in problem.conditions:
        holds = condition.holds[outcome.member % len(condition.holds)]
        found += [Shift(*one, air=condition.air) for one in _moved(model, outcome, holds)]
    known = {one.repair for one in plan.repairs if one.ready is not None}
    found = [one for one in found if one.repair in known]
    return tuple(sorted(found, key=lambda s: s.without_ms - s.with_ms))


def _moved(
    model: Model, outcome: ExecutedPlan, holds: np.ndarray
) -> Iterable[tuple[str, int, int]]:
    """Repairs that are later in the outcomes where something holds, with both medians."""
    if min(holds.sum(), (~holds).sum()) < FEWEST:
        return
    last_ms = float(model.time.ms(len(model.time)))
    ready = np.minimum(outcome.repair_ms, last_ms)
    for number, repair in enumerate(model.problem.repairs):
        without, with_ = (
            float(np.quantile(ready[rows, number], 0.5, method="inverted_cdf"))
            for rows in (~holds, holds)
        )
        if with_ - without >= SHIFT_MS:
            yield repair.id, round(without), round(with_)
