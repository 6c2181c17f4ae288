"""The problem in ticks of open time, as the greedy plan, the solver and the execution share it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

import numpy as np

from monitor.planning.open_time import OpenTicks, Ticks
from monitor.planning.problem import (
    TICK_MS,
    Z90,
    Problem,
    RepairToPlan,
    StepToPlan,
    TimeRange,
    WaitTimes,
)
from monitor.science.quantiles import quantile
from monitor.science.ranges import Floats

PEOPLE = "people"
"""Name of the people among the resources."""
LATE_FACTOR = 3.0
"""Weight of an hour after the promise against an hour of an earlier hand-out. [-]  Ours."""

ROUND_SHARE = 0.05
"""Waits are rounded up by at most this share: far less than their range. [-]  Ours, for speed."""

_QUANTILES: WeakKeyDictionary[WaitTimes, dict[float, Floats]] = WeakKeyDictionary()
"""Quantiles of waits by share: many steps, and each new plan, have the same waits."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Job:
    """A step that is still to be started.

    `starts`: ticks at which it may start. `off`, `ready`: first tick at which its clamps are off,
    and at which its joint may be loaded, by its start tick; shape (ticks + 1,), never falling.
    `after_off`, `after_ready`: jobs that it must follow, once off, and once loadable.
    """

    repair: int
    step: StepToPlan
    hands: int
    starts: Ticks
    off: Ticks
    ready: Ticks
    after_off: tuple[int, ...]
    after_ready: tuple[int, ...]
    earliest: int
    needs: dict[str, int]
    loaded: tuple[str, ...] = ()
    """Ids of all steps whose joints it loads."""
    may: Ticks
    """Ticks at which it may start by its own work and wait, also before a start that was chosen."""
    first: int
    """First tick at which the running steps let it start."""

    @property
    def before(self) -> tuple[int, ...]:
        """Jobs that it must follow."""
        return tuple(dict.fromkeys((*self.after_off, *self.after_ready)))


@dataclass(frozen=True, eq=False)
class Held:
    """Clamps, places or people that running work holds from now until a tick."""

    name: str
    count: int
    until: int


@dataclass(frozen=True, eq=False)
class Model:
    """Jobs in an order in which none comes before what it must follow.

    `floor`: ready tick of the running steps, by repair. `last`: last jobs of each repair.
    """

    problem: Problem
    time: OpenTicks
    jobs: tuple[Job, ...]
    held: tuple[Held, ...]
    floor: tuple[int, ...]
    due: tuple[int | None, ...]
    waiting: tuple[tuple[str, ...], ...]
    """By repair: ids of the steps that await consent, and of those that follow them."""

    def capacity(self) -> dict[str, int]:
        """Resources by name; what runs may hold more than there is."""
        found = {PEOPLE: self.problem.people, **self.problem.stock}
        for name in {h.name for h in self.held}:
            found[name] = max(
                found.get(name, 0), sum(h.count for h in self.held if h.name == name)
            )
        return found


def build(problem: Problem, share: float = 0.5) -> Model:
    """Model of a problem that has no faults, its waits at a quantile.

    Parameters
    ----------
    share : float
        Quantile of the waits that is planned with. [-]
    """
    time = OpenTicks(problem.open, problem.now_ms)
    jobs: list[Job] = []
    held: list[Held] = []
    floors, waiting, due = [], [], []
    for number, repair in enumerate(problem.repairs):
        index: dict[str, int] = {}
        running: dict[str, tuple[int, int]] = {}
        all_before: dict[str, set[str]] = {}
        blocked: set[str] = set()
        for step in ordered(repair):
            all_before[step.id] = {*step.after}.union(*(all_before[one] for one in step.after))
            if step.done:
                continue
            if step.running is not None:
                running[step.id] = _running(step, share, time, held)
                continue
            if step.awaits_consent or blocked.intersection(step.after):
                blocked.add(step.id)
                continue
            loaded = all_before[step.id] if step.loads else set()
            off = [running[one][0] for one in step.after if one in running]
            ready = [running[one][1] for one in loaded if one in running]
            job = _job(number, step, share, time, max([*off, *ready], default=0))
            after = tuple(index[one] for one in step.after if one in index)
            joints = sorted(index[one] for one in loaded if one in index)
            joints = [n for n in joints if jobs[n].step.load is not None]
            index[step.id] = len(jobs)
            jobs.append(
                replace(
                    job, after_off=after, after_ready=tuple(joints), loaded=tuple(sorted(loaded))
                )
            )
        floors.append(max((ready for _, ready in running.values()), default=0))
        waiting.append(tuple(step.id for step in repair.steps if step.id in blocked))
        late = repair.promised_ms is not None and repair.promised_ms > problem.now_ms
        due.append(repair.promised_ms if late else None)
    return Model(
        problem, time, tuple(jobs), tuple(held), tuple(floors), tuple(due), tuple(waiting)
    )


def ordered(repair: RepairToPlan) -> list[StepToPlan]:
    """Steps of a repair, each after those that it must follow, else in their own order."""
    rest, found, known = list(repair.steps), [], set[str]()
    while rest:
        step = next(s for s in rest if known.issuperset(s.after))
        rest.remove(step)
        found.append(step)
        known.add(step.id)
    return found


def all_before(repair: RepairToPlan, step: StepToPlan) -> set[str]:
    """Ids of all steps that a step must follow, also by way of others."""
    steps, found, rest = {one.id: one for one in repair.steps}, set[str](), list(step.after)
    while rest:
        if (own := rest.pop()) not in found:
            found.add(own)
            rest += steps[own].after
    return found


def at_share(of: TimeRange, share: float) -> int:
    """Quantile of a range, linear between its three. [ms]"""
    return round(float(np.interp(share, (0.1, 0.5, 0.9), of)))


def wait_s(wait: WaitTimes | None, share: float, begin_ms: Ticks) -> Floats:
    """Quantile of a wait that begins at given times, never below its safe minimum. [s]"""
    if wait is None:
        return np.zeros(len(begin_ms))
    by_share = _QUANTILES.setdefault(wait, {})
    if share not in by_share:
        by_share[share] = quantile(wait.seconds.T, share)
    at = by_share[share] * factor(wait.spread, share)
    ends = np.maximum(at, wait.minimum_s)
    finite = np.isfinite(ends)
    if not finite.any():
        return np.full(len(begin_ms), np.inf)
    known_s = (wait.start_ms - wait.start_ms[0]) / 1000
    asked_s = (begin_ms - wait.start_ms[0]) / 1000
    ends_s = np.interp(asked_s, known_s, np.where(finite, known_s + ends, 0.0))
    found = np.where(asked_s > known_s[-1], ends[-1], ends_s - asked_s)
    found = np.where(asked_s < 0, ends[0], found)
    if not finite.all():
        found = np.where(np.interp(asked_s, known_s, (~finite).astype(float)) > 0, np.inf, found)
    return np.maximum(found, wait.minimum_s)


def factor(spread: float, share: float) -> float:
    """Factor of a piece's own spread at a quantile, linear in its score. [-]"""
    score = float(np.interp(share, (0.1, 0.5, 0.9), (-Z90, 0.0, Z90)))
    return float(np.exp(spread * score))


def _rounded_ms(wait: Floats) -> Floats:
    """Waits [s], rounded up by at most `ROUND_SHARE` of them or a tick. [ms]"""
    with np.errstate(divide="ignore", invalid="ignore"):
        grid_ms = TICK_MS * 2.0 ** np.floor(np.log2(1000 * ROUND_SHARE * wait / TICK_MS))
        grid_ms = np.where(np.isfinite(grid_ms), np.maximum(grid_ms, TICK_MS), TICK_MS)
        return grid_ms * np.ceil(1000 * wait / grid_ms - 1e-9)


def _running(step: StepToPlan, share: float, time: OpenTicks, held: list[Held]) -> tuple[int, int]:
    """Ticks at which a running step is off, and may be loaded; adds what it holds."""
    running = step.running
    if running is None:
        return 0, 0
    off = int(time.at_or_after(at_share(running.off, share)))
    if step.people and running.hands_until_ms > time.now_ms:
        held.append(Held(PEOPLE, step.people, int(time.at_or_after(running.hands_until_ms))))
    if running.off.high_ms > time.now_ms:
        held += [Held(name, count, max(off, 1)) for name, count in step.needs.items() if count]
    ready = int(time.at_or_after(at_share(running.ready or running.off, share)))
    return off, max(off, ready)


def _job(number: int, step: StepToPlan, share: float, time: OpenTicks, earliest: int) -> Job:
    """Job of a step that may start from a tick on, with nothing before it yet."""
    usual_s = step.hands_on.usual
    hands = int(np.ceil(1000 * usual_s / TICK_MS))
    count = len(time)
    start = np.arange(count)
    end_ms = time.begin_ms + round(1000 * usual_s)
    off_ms, high_ms = (
        end_ms + _rounded_ms(wait_s(step.wait, at, end_ms)) for at in (share, max(share, 0.9))
    )
    ready_ms = np.maximum(off_ms, end_ms + _rounded_ms(wait_s(step.load, share, end_ms)))
    longest_s = step.hands_on.high if step.hazardous else usual_s
    may = time.room >= max(int(np.ceil(1000 * longest_s / TICK_MS)), 1 if hands else 0)
    may &= np.isfinite(ready_ms)
    if not step.overnight:
        may &= high_ms <= time.closes_ms
    if not step.over_weekend:
        may &= high_ms <= time.long_closes_ms
    allowed, first = start[may], earliest
    if step.fixed_ms is not None:
        earliest = max(earliest, int(time.at_or_after(step.fixed_ms)))
    may[:earliest] = False

    def ticks(ms: Floats) -> Ticks:
        found = time.at_or_after(np.where(np.isfinite(ms), ms, np.inf))
        found = np.maximum(found, start + hands)
        return np.append(np.maximum.accumulate(found), count) if count else np.zeros(1, np.int64)

    return Job(
        repair=number,
        step=step,
        hands=hands,
        starts=start[may],
        off=ticks(off_ms),
        ready=ticks(ready_ms),
        after_off=(),
        after_ready=(),
        earliest=earliest,
        needs={name: count for name, count in step.needs.items() if count},
        may=allowed,
        first=first,
    )
