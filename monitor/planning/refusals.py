"""Faults of a planning problem, each at its field and in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from itertools import pairwise

from monitor.core.errors import Fault, Rejected
from monitor.planning.problem import Problem, RepairToPlan, StepToPlan

HOUR_S = 3600.0
STEPS_MAX = 400
"""Most unfinished steps of all repairs together.  Ours: more would take minutes and gigabytes."""


def checked(problem: Problem) -> Problem:
    """The problem itself, if it can be planned.

    Raises
    ------
    Rejected
        With each fault. A field is as `repairs.cello.steps.close.after`.
    """
    found = list(faults(problem))
    if found:
        raise Rejected(*found)
    return problem


def faults(problem: Problem) -> Iterator[Fault]:
    """Faults of a problem that cannot be planned."""
    if problem.people < 1:
        yield Fault("", "people", problem.people, "at least 1")
    for name, count in problem.stock.items():
        if count < 0:
            yield Fault("", f"stock.{name}", count, "at least 0")
    if any(a >= b for a, b in problem.open) or any(a[1] > b[0] for a, b in pairwise(problem.open)):
        yield Fault("must be in order and must not overlap", "open")
    if not problem.open or problem.open[-1][1] <= problem.now_ms:
        yield Fault("The shop is never open. Set its opening hours under Settings.", "")
    ids = [repair.id for repair in problem.repairs]
    for one in sorted({i for i in ids if ids.count(i) > 1}):
        yield Fault("", "repairs", one, "an id that no other repair has")
    count = sum(not step.done for repair in problem.repairs for step in repair.steps)
    if count > STEPS_MAX:
        yield Fault(
            f"{count} steps are not finished, and the plan takes at most {STEPS_MAX}. Finish or "
            "remove steps, or hand out repairs",
            "",
        )
    longest_s = max((b - a) / 1000 for a, b in problem.open) if problem.open else 0.0
    for repair in problem.repairs:
        yield from repair_faults(repair, problem, longest_s)


def repair_faults(repair: RepairToPlan, problem: Problem, longest_s: float) -> Iterator[Fault]:
    """Faults of one repair. `longest_s` is the longest opening of the shop. [s]"""
    path = f"repairs.{repair.id}"
    if repair.weight <= 0:
        yield Fault("", f"{path}.weight", repair.weight, "above 0")
    ids = [step.id for step in repair.steps]
    for one in sorted({i for i in ids if ids.count(i) > 1}):
        yield Fault("", f"{path}.steps", one, "an id that no other step of the repair has")
    for step in repair.steps:
        yield from _step_faults(step, f"{path}.steps.{step.id}", set(ids), problem, longest_s)
    if round_ := circle(repair.steps):
        names = {step.id: step.name for step in repair.steps}
        way = " → ".join(names[i] for i in round_)
        yield Fault(
            f"goes in a circle: {way}. Remove one of these orders",
            f"{path}.steps.{round_[0]}.after",
        )


def _step_faults(
    step: StepToPlan, path: str, ids: set[str], problem: Problem, longest_s: float
) -> Iterator[Fault]:
    low, usual, high = step.hands_on
    if not 0 <= low <= usual <= high:
        yield Fault("", f"{path}.hands_on", list(step.hands_on), "three rising times from 0 s on")
    for one in step.after:
        if one not in ids or one == step.id:
            yield Fault("", f"{path}.after", one, "another step of the same repair")
    if step.done or step.running:
        return
    if not 0 <= step.people <= problem.people:
        yield Fault(
            "", f"{path}.people", step.people, f"0 to {problem.people}, the people at work"
        )
    for name, count in step.needs.items():
        have = problem.stock.get(name)
        if have is None:
            known = ", ".join(problem.stock) or "nothing yet"
            yield Fault("", f"{path}.needs", name, f"in the shop's stock: {known}")
        elif not 0 <= count <= have:
            yield Fault("", f"{path}.needs.{name}", count, f"0 to {have}, the shop's stock")
    work_s = high if step.hazardous else usual
    if work_s > longest_s:
        yield Fault(
            f"{work_s / HOUR_S:.3g} h of work do not fit in the longest opening of "
            f"{longest_s / HOUR_S:.3g} h. Split the step",
            f"{path}.hands_on",
        )


def circle(steps: tuple[StepToPlan, ...]) -> list[str]:
    """Circle of "must follow" among steps, its first id again at the end; empty without one."""
    try:
        TopologicalSorter({step.id: step.after for step in steps}).prepare()
    except CycleError as exc:
        return list(exc.args[1])
    return []
