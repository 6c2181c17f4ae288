"""Many possible executions of a plan, over the members of the air and the hands-on ranges.

People do what the plan has next among what can be done, as soon as it can be done. Nobody waits for
the planned time of a step while there is nothing else to do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.planning.model import PEOPLE, Job, Model
from monitor.planning.open_time import Ticks
from monitor.planning.problem import Z90, RepairToPlan, RunningStep, Seconds, TimeRange, WaitTimes
from monitor.science.ranges import Floats

DRAWS = 200
"""Executions of a plan. [-]"""


@dataclass(frozen=True, eq=False)
class ExecutedPlan:
    """Executions of a plan.

    `off`, `ready`: ranges by job. `took_ms`: duration of the waits, shape (draws, jobs).
    `repair_ms`: shape (draws, repairs), when all work of each repair but handing out is done and the
    shop is open; infinite: not within the known opening hours. [ms]
    """

    off: tuple[TimeRange, ...]
    ready: tuple[TimeRange, ...]
    repairs: tuple[TimeRange, ...]
    took_ms: Floats
    repair_ms: Floats
    member: np.ndarray
    """Number of the member of the air, by draw; for waits of fewer members, modulo their number."""

    def kept(self, number: int, repair: RepairToPlan) -> float | None:
        """Chance that a repair is ready by its promised time; None without one. [-]"""
        if repair.promised_ms is None:
            return None
        return float((self.repair_ms[:, number] <= repair.promised_ms).mean())


def executed(model: Model, starts: list[int], seed: int, draws: int = DRAWS) -> ExecutedPlan:
    """Executions of a plan.

    Parameters
    ----------
    starts : list of int
        Start tick by job.
    draws : int
    """
    run = _Run(model, starts, np.random.default_rng(seed), draws)
    while run.rest.any():
        run.start_next()
    return run.outcome()


class _Run:
    """State of all executions: who and what is free when, and what can start when."""

    def __init__(
        self, model: Model, starts: list[int], random: np.random.Generator, draws: int
    ) -> None:
        self.model, self.time, self.random = model, model.time, random
        jobs, count = model.jobs, len(model.time)
        shape = (draws, len(jobs))
        self.member = np.arange(draws)
        self.hands_score, self.wait_score, self.load_score = random.standard_normal((3, *shape))
        self.off_ms, self.ready_ms = np.full(shape, np.inf), np.full(shape, np.inf)
        self.took_ms = np.full(shape, np.inf)
        self.rest = np.ones(shape, bool)
        self.missing = np.tile([len(job.before) for job in jobs], (draws, 1))
        self.after: list[list[tuple[int, bool]]] = [[] for _ in jobs]
        """Jobs that follow each, and whether they load its joint."""
        for number, job in enumerate(jobs):
            for before in job.before:
                self.after[before].append((number, before in job.after_ready))
        self.next = np.array([_next_starts(job, count) for job in jobs]).reshape(
            len(jobs), count + 1
        )
        self.rank = np.argsort(np.argsort(starts, kind="stable"), kind="stable")
        self.floor = np.zeros(shape, np.int64)
        self.repair_ms = np.full((draws, len(model.problem.repairs)), float(model.time.now_ms))
        self._start_running(draws)

    def _start_running(self, draws: int) -> None:
        """Draws when the running steps end, and what is free when."""
        model, time = self.model, self.time
        units = {
            name: np.zeros((draws, count), np.int64) for name, count in model.capacity().items()
        }
        off: dict[tuple[int, str], Ticks] = {}
        ready: dict[tuple[int, str], Ticks] = {}
        for number, repair in enumerate(model.problem.repairs):
            for step in repair.steps:
                if step.done or step.running is None:
                    continue
                off_ms, ready_ms = _running_ends(step.running, time.now_ms, self.random, draws)
                off[number, step.id] = time.at_or_after(off_ms)
                ready[number, step.id] = time.at_or_after(ready_ms)
                at_ms = time.ms(ready[number, step.id])
                self.repair_ms[:, number] = np.maximum(self.repair_ms[:, number], at_ms)
                taken = {}
                if step.running.off.high_ms > time.now_ms:
                    taken = {name: (count, off_ms) for name, count in step.needs.items()}
                if step.running.hands_until_ms > time.now_ms:
                    until = np.full(draws, float(step.running.hands_until_ms))
                    taken[PEOPLE] = (step.people, until)
                for name, (count, until) in taken.items():
                    free = np.sort(units[name], axis=1)
                    free[:, :count] = np.maximum(time.at_or_after(until)[:, None], free[:, :count])
                    units[name] = free
        self.free = {name: np.sort(free, axis=1) for name, free in units.items()}
        for number, job in enumerate(model.jobs):
            for ends, steps in ((off, job.step.after), (ready, job.loaded)):
                for one in steps:
                    if (job.repair, one) in ends:
                        self.floor[:, number] = np.maximum(
                            self.floor[:, number], ends[job.repair, one]
                        )

    def start_next(self) -> None:
        """Starts in each execution the job that can start first, by the plan among several."""
        jobs, count = self.model.jobs, len(self.time)
        at = self.floor.copy()
        for name, free in self.free.items():
            if name == PEOPLE:
                needed = np.array([job.step.people if job.hands else 0 for job in jobs])
            else:
                needed = np.array([job.needs.get(name, 0) for job in jobs])
            some = np.flatnonzero(needed)
            if len(some):
                at[:, some] = np.maximum(at[:, some], free[:, needed[some] - 1])
        at = self.next[np.arange(len(jobs))[None, :], np.minimum(at, count)]
        order = at * (len(jobs) + 1) + self.rank
        order[~self.rest | (self.missing > 0)] = np.iinfo(np.int64).max
        chosen = order.argmin(axis=1)
        for number in np.unique(chosen):
            rows = np.flatnonzero((chosen == number) & self.rest[np.arange(len(chosen)), chosen])
            if len(rows):
                self._start(int(number), rows, at[rows, number])

    def _start(self, number: int, rows: np.ndarray, at: Ticks) -> None:
        job, time = self.model.jobs[number], self.time
        step = job.step
        begin_ms = time.ms(at)
        worked_ms = begin_ms + 1000 * _drawn(step.hands_on, self.hands_score[rows, number])
        off_ms, load_ms = (
            worked_ms + 1000 * _drawn_wait(wait, worked_ms, self.member[rows], score[rows, number])
            for wait, score in ((step.wait, self.wait_score), (step.load, self.load_score))
        )
        never = at >= len(time)
        off_ms[never] = np.inf
        ready_ms = np.maximum(off_ms, load_ms)
        self.off_ms[rows, number], self.ready_ms[rows, number] = off_ms, ready_ms
        self.took_ms[rows, number] = ready_ms - worked_ms
        off, ready = time.at_or_after(off_ms), time.at_or_after(ready_ms)
        self.rest[rows, number] = False
        for after, loads in self.after[number]:
            self.missing[rows, after] -= 1
            ends = ready if loads else off
            self.floor[rows, after] = np.maximum(self.floor[rows, after], ends)
        if not step.hands_out:
            out_ms = np.where(ready < len(time), time.ms(ready), np.inf)
            self.repair_ms[rows, job.repair] = np.maximum(self.repair_ms[rows, job.repair], out_ms)
        if job.hands and step.people:
            self._take(PEOPLE, step.people, rows, time.at_or_after(worked_ms))
        for name, count in job.needs.items():
            self._take(name, count, rows, off)

    def _take(self, name: str, count: int, rows: np.ndarray, until: Ticks) -> None:
        free = self.free[name][rows]
        free[:, :count] = np.maximum(until[:, None], free[:, :count])
        self.free[name][rows] = np.sort(free, axis=1)

    def outcome(self) -> ExecutedPlan:
        """The executions with their ranges."""
        last_ms = float(self.time.ms(len(self.time)))
        return ExecutedPlan(
            off=_ranges(self.off_ms, last_ms),
            ready=_ranges(self.ready_ms, last_ms),
            repairs=_ranges(self.repair_ms, last_ms),
            took_ms=self.took_ms,
            repair_ms=self.repair_ms,
            member=self.member,
        )


def _next_starts(job: Job, count: int) -> Ticks:
    """First tick at or after each at which a job may start."""
    after = np.searchsorted(job.starts, np.arange(count + 1))
    return np.append(job.starts, count)[after]


def _drawn(seconds: Seconds, score: Floats) -> Floats:
    """Durations at scores of the standard normal distribution, from three quantiles. [s]"""
    low, usual, high = (max(s, 1e-3) for s in seconds)
    ratio = np.where(score > 0, high / usual, usual / low)
    return seconds.usual * ratio ** (score / Z90)


def _drawn_wait(
    wait: WaitTimes | None, begin_ms: Floats, member: np.ndarray, score: Floats
) -> Floats:
    """Durations of a wait in members of the air, at scores of its own spread. [s]"""
    if wait is None:
        return np.zeros(len(begin_ms))
    rows = member % len(wait.seconds)
    known = wait.start_ms
    right = np.clip(np.searchsorted(known, begin_ms), 1, max(len(known) - 1, 1))
    left = right - 1
    right = np.minimum(right, len(known) - 1)
    span = np.maximum(known[right] - known[left], 1)
    part = np.clip((begin_ms - known[left]) / span, 0.0, 1.0)
    first, second = wait.seconds[rows, left], wait.seconds[rows, right]
    known_both = np.isfinite(first) & np.isfinite(second)
    with np.errstate(invalid="ignore"):
        between = np.where(known_both, first + (second - first) * part, np.inf)
    return np.maximum(between * np.exp(wait.spread * score), wait.minimum_s)


def _running_ends(
    running: RunningStep, now_ms: int, random: np.random.Generator, draws: int
) -> tuple[Floats, Floats]:
    """Draws of when the clamps come off, and when others may follow. [ms]"""
    score = random.standard_normal(draws)

    def drawn(of: TimeRange) -> Floats:
        above, below = of.high_ms - of.usual_ms, of.usual_ms - of.low_ms
        at = of.usual_ms + np.where(score > 0, above, below) * score / Z90
        return np.maximum(at, now_ms)

    off = drawn(running.off)
    return off, off if running.ready is None else np.maximum(off, drawn(running.ready))


def _ranges(at_ms: Floats, last_ms: float) -> tuple[TimeRange, ...]:
    """Ranges by column, each end a time that a draw has, so never between a Friday and a Monday; a
    time beyond the known opening hours counts as their end."""
    at_ms = np.minimum(at_ms, last_ms)
    found = np.quantile(at_ms, (0.1, 0.5, 0.9), axis=0, method="inverted_cdf")
    return tuple(TimeRange(*(round(v) for v in column)) for column in found.T.tolist())
