"""The plan of all repairs: checked, planned, and with ranges from many possible futures."""

from __future__ import annotations

import logging
from time import perf_counter

import numpy as np

from monitor.planning import greedy as by_rules
from monitor.planning.execution import ExecutedPlan, executed
from monitor.planning.model import Job, Model, build, wait_s
from monitor.planning.problem import (
    MAY_DAYS,
    SOLVER,
    TICK_MS,
    Note,
    NoteKind,
    Plan,
    PlannedRepair,
    PlannedStep,
    Problem,
    TimeRange,
    WaitTimes,
)
from monitor.planning.refusals import checked
from monitor.planning.solver import Solved, installed, solve

log = logging.getLogger(__name__)

DAY_MS = 86_400_000
SEED = 20_261_129
PASSES = 60
"""Orders that the first plan tries. [-]  Ours: half a second on one core for five repairs."""
USUAL_STEPS = 100
"""With more steps fewer orders are tried, so that a first plan takes about as long.  Ours."""
PASSES_PER_S = 60
"""Orders that are tried for a second of the limit where the solver is not installed. [-]"""


def plan(
    problem: Problem, *, seed: int = SEED, limit_s: float = 10.0, hint: Plan | None = None
) -> Plan:
    """Plan of all open repairs.

    Parameters
    ----------
    problem : Problem
    seed : int
        The same seed gives the same plan.
    limit_s : float
        About how long the solver may take on one core; 0: the first plan is enough. [s]
    hint : Plan, optional
        An earlier plan, to begin with.

    Raises
    ------
    Rejected
        If it cannot be planned: with each fault at its field.
    """
    begin = perf_counter()
    model = build(checked(problem))
    solves = limit_s > 0 and installed()
    starts, objective_h, bound_h = best_starts(
        model, seed, limit_s, None if hint is None else hinted(model, hint)
    )
    outcome = executed(model, starts, seed)
    starts = _handed_out_ready(model, starts, outcome)
    found = Plan(
        now_ms=problem.now_ms,
        steps=_steps(model, starts, outcome),
        repairs=_repairs(model, starts, outcome),
        notes=notes(model, starts),
        solver=SOLVER if solves else "greedy",
        objective_h=objective_h,
        bound_h=bound_h,
        gap=(objective_h - bound_h) / objective_h if objective_h else 0.0,
        seconds=perf_counter() - begin,
    )
    log.info(
        "repairs planned steps=%d solver=%s objective_h=%.1f bound_h=%.1f gap_pct=%.1f seconds=%.2f",
        len(model.jobs),
        found.solver,
        objective_h,
        bound_h,
        100 * found.gap,
        found.seconds,
    )
    return found


def best_starts(model: Model, seed: int, limit_s: float, hint: list[int] | None = None) -> Solved:
    """Start tick of each job in the best plan that is found, its objective and a bound of it."""
    solves = limit_s > 0 and installed()
    passes = PASSES if solves else max(PASSES, round(PASSES_PER_S * limit_s))
    passes = round(passes * min(1.0, USUAL_STEPS / max(len(model.jobs), 1)))
    starts = by_rules.greedy(model, seed, passes, hint)
    if solves:
        return solve(model, starts, seed, limit_s)
    return Solved(starts, by_rules.cost(model, starts), 0.0)


def hinted(model: Model, hint: Plan) -> list[int]:
    """Start tick of each job in an earlier plan; that of a new job is the last."""
    known = {(s.repair, s.step): s.from_ms for s in hint.steps}
    repairs = model.problem.repairs
    last_ms = model.problem.open[-1][1]
    return [
        int(model.time.at_or_after(known.get((repairs[j.repair].id, j.step.id), last_ms)))
        for j in model.jobs
    ]


def _steps(model: Model, starts: list[int], outcome: ExecutedPlan) -> tuple[PlannedStep, ...]:
    """Steps of a plan by their time: what runs, and what is planned."""
    found = []
    for repair in model.problem.repairs:
        for step in repair.steps:
            if step.running is not None and not step.done:
                run = step.running
                found.append(
                    PlannedStep(
                        repair.id,
                        step.id,
                        run.since_ms,
                        run.hands_until_ms,
                        run.off,
                        run.ready or run.off,
                        running=True,
                        known=run.known,
                    )
                )
    for number, (job, start) in enumerate(zip(model.jobs, starts, strict=True)):
        if start >= len(model.time):
            continue
        from_ms = int(model.time.begin_ms[start])
        to_ms = from_ms + round(1000 * job.step.hands_on.usual)
        repair = model.problem.repairs[job.repair]
        off_ms = to_ms + round(1000 * _usual_s(job.step.wait, to_ms))
        ready_ms = max(off_ms, to_ms + round(1000 * _usual_s(job.step.load, to_ms)))
        off, ready = _around(off_ms, outcome.off[number]), _around(ready_ms, outcome.ready[number])
        may = _may_start(model, starts, job)
        found.append(PlannedStep(repair.id, job.step.id, from_ms, to_ms, off, ready, may=may))
    return tuple(sorted(found, key=lambda s: (s.from_ms, s.repair, s.step)))


def _handed_out_ready(model: Model, starts: list[int], outcome: ExecutedPlan) -> list[int]:
    """Starts, with no instrument handed out before its repair is usually ready.

    In a plan each step takes its usual time. Of several, one is often late.
    """
    found = list(starts)
    for number, job in enumerate(model.jobs):
        if job.step.hands_out and starts[number] < len(model.time):
            ready = int(model.time.at_or_after(outcome.repairs[job.repair].usual_ms))
            later = job.starts[job.starts >= max(starts[number], ready)]
            found[number] = int(later[0]) if len(later) else starts[number]
    return found


def _usual_s(wait: WaitTimes | None, begin_ms: int) -> float:
    """Usual duration of a wait that begins at a moment. [ms], [s]"""
    return float(wait_s(wait, 0.5, np.array([begin_ms]))[0])


def _around(usual_ms: int, of: TimeRange) -> TimeRange:
    """A range of executions that has the plan's own time as its middle. [ms]"""
    return TimeRange(min(of.low_ms, usual_ms), usual_ms, max(of.high_ms, usual_ms))


def _may_start(model: Model, starts: list[int], job: Job) -> tuple[tuple[int, int], ...]:
    """Spans of the starts that a job may be moved to, if the jobs before it stay. [ms]"""
    time, jobs = model.time, model.jobs
    ends = [int(jobs[n].off[starts[n]]) for n in job.after_off]
    ends += [int(jobs[n].ready[starts[n]]) for n in job.after_ready]
    begin_ms = time.begin_ms[job.may[job.may >= max([job.first, *ends])]]
    begin_ms = begin_ms[begin_ms < model.problem.now_ms + MAY_DAYS * DAY_MS]
    parts = np.split(begin_ms, np.flatnonzero(np.diff(begin_ms) > TICK_MS) + 1)
    return tuple((int(part[0]), int(part[-1])) for part in parts if len(part))


def _repairs(model: Model, starts: list[int], outcome: ExecutedPlan) -> tuple[PlannedRepair, ...]:
    unplanned = {
        job.repair for job, s in zip(model.jobs, starts, strict=True) if s >= len(model.time)
    }
    found = []
    for number, repair in enumerate(model.problem.repairs):
        to_do = any(not step.done for step in repair.steps)
        if number in unplanned or model.waiting[number] or not to_do:
            found.append(PlannedRepair(repair.id, None, None))
            continue
        found.append(
            PlannedRepair(repair.id, outcome.repairs[number], outcome.kept(number, repair))
        )
    return tuple(found)


def notes(model: Model, starts: list[int]) -> tuple[Note, ...]:
    """Sentences on repairs and steps that need a look."""
    found = []
    names = {(r.id, s.id): s.name for r in model.problem.repairs for s in r.steps}
    for repair, waiting in zip(model.problem.repairs, model.waiting, strict=True):
        if all(step.done for step in repair.steps):
            text = f"{repair.name}: every step is done. There is nothing to plan."
            if not repair.steps:
                text = f"{repair.name}: the repair has no steps. Add a step."
            found.append(Note(NoteKind.NOTHING_TO_DO, repair.id, "", text))
        elif repair.promised_ms is not None and repair.promised_ms <= model.problem.now_ms:
            text = f"{repair.name}: the promised date has passed. Agree on a new date."
            found.append(Note(NoteKind.PROMISE_PASSED, repair.id, "", text))
        for one in waiting:
            if next(s for s in repair.steps if s.id == one).awaits_consent:
                text = f"{repair.name}: {names[repair.id, one]} awaits the client's consent."
                found.append(Note(NoteKind.AWAITS_CONSENT, repair.id, one, text))
    for job, start in zip(model.jobs, starts, strict=True):
        repair = model.problem.repairs[job.repair]
        if start >= len(model.time):
            text = (
                f"{repair.name}: no time was found for {job.step.name} within the opening hours "
                "that are known. Look at its hands-on time, whether it may wait overnight, and "
                "whether the air at its place is too damp or too cold."
            )
            found.append(Note(NoteKind.NO_ROOM, repair.id, job.step.id, text))
        elif job.step.fixed_ms is not None and (
            model.time.ms(start) >= max(job.step.fixed_ms, model.time.now_ms) + TICK_MS
        ):
            text = f"{repair.name}: {job.step.name} cannot start at the chosen time. It is later."
            found.append(Note(NoteKind.FIXED_LATER, repair.id, job.step.id, text))
    return tuple(found)


__all__ = ["SEED", "TimeRange", "plan"]
