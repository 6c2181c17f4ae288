"""Published scheduling problems as problems of the repair plan."""

from __future__ import annotations

import json

from conftest import ROOT

from monitor.planning.problem import TICK_MS, Problem, RepairToPlan, Seconds, StepToPlan

INSTANCES = json.loads((ROOT / "data/published/psplib_j30.json").read_text("utf-8"))["instances"]
TICKS_PER_H = 3_600_000 // TICK_MS


def as_problem(instance) -> Problem:
    """A project as one repair in a shop that is always open: a unit of time is a tick."""
    before = [[] for _ in instance["duration"]]
    for number, after in enumerate(instance["successors"]):
        for one in after:
            before[one - 1].append(str(number))
    steps = []
    for number, units in enumerate(instance["duration"]):
        demand = enumerate(instance["demand"][number])
        steps.append(
            StepToPlan(
                id=str(number),
                name=str(number),
                hands_on=Seconds(*[units * TICK_MS / 1000.0] * 3),
                people=0,
                after=tuple(before[number]),
                needs={str(resource): count for resource, count in demand if count},
            )
        )
    stock = {str(resource): count for resource, count in enumerate(instance["capacity"])}
    project = RepairToPlan(id="project", name="Project", steps=tuple(steps))
    open_ = ((0, sum(instance["duration"]) * TICK_MS),)
    return Problem(now_ms=0, open=open_, repairs=(project,), stock=stock)
