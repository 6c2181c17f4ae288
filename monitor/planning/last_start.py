"""Last starts before closing: waits that make use of the night, and those that must not start."""

from __future__ import annotations

from enum import StrEnum
from itertools import pairwise
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.planning.model import all_before
from monitor.planning.open_time import LONG_CLOSED_MS
from monitor.planning.problem import (
    Plan,
    PlannedStep,
    Problem,
    RepairToPlan,
    StepToPlan,
    TimeRange,
    WaitTimes,
)

BEFORE_MS = 3_600_000
"""The notice comes so long before closing. [ms]"""
_SCORES = np.array([NormalDist().inv_cdf((i + 0.5) / 10) for i in range(10)])
"""Scores at which the own spread of a wait is taken. [-]"""


def shown_from(closes_ms: int) -> int:
    """Time from which last starts are shown; those that the air forbids are shown all day. [ms]"""
    return closes_ms - BEFORE_MS


class StartVerdict(StrEnum):
    """Verdict on a start before closing, as files and messages have it."""

    NIGHT = "uses the night"
    NO_TIME = "no time"
    LEFT_ALONE = "left alone"
    IN_THE_WAY = "in the way"
    AIR = "air"


class LastStart(NamedTuple):
    """A step that could be started before closing, and whether it should.

    `off`: when its clamps would come off. `planned`: the plan starts it before closing. `rival`: the
    repair and the step that it would be in the way of. `why`: reasons in the air, as sentences.
    """

    repair: str
    step: str
    verdict: StartVerdict
    off: TimeRange
    planned: bool = False
    rival: tuple[str, str] | None = None
    why: str = ""

    @property
    def good(self) -> bool:
        return self.verdict is StartVerdict.NIGHT


def last_starts(problem: Problem, plan: Plan) -> tuple[LastStart, ...]:
    """Verdicts on the steps with a wait that could start now, before the shop closes.

    None while it is closed, and none for a wait that ends before closing. Those that make use of
    the night come first, of these the ones that the plan starts today.
    """
    now_ms = problem.now_ms
    closes_ms = next((end for begin, end in problem.open if begin <= now_ms < end), None)
    if closes_ms is None:
        return ()
    free = dict(problem.stock)
    for repair in problem.repairs:
        for step in repair.steps:
            if step.running is not None and not step.done:
                for name, count in step.needs.items():
                    free[name] = free.get(name, 0) - count
    found = []
    for repair in problem.repairs:
        for step in repair.steps:
            if _can_start(repair, step) and _fits(step, free):
                one = _verdict(problem, plan, repair, step, closes_ms)
                if one is not None:
                    found.append(one)
    return tuple(sorted(found, key=lambda one: (not one.good, not one.planned, -one.off.usual_ms)))


def _can_start(repair: RepairToPlan, step: StepToPlan) -> bool:
    if step.wait is None or step.done or step.running is not None or step.awaits_consent:
        return False
    done = {one.id for one in repair.steps if one.done}
    return (all_before(repair, step) if step.loads else set(step.after)) <= done


def _fits(step: StepToPlan, free: dict[str, int]) -> bool:
    return all(count <= free.get(name, 0) for name, count in step.needs.items())


def _verdict(
    problem: Problem, plan: Plan, repair: RepairToPlan, step: StepToPlan, closes_ms: int
) -> LastStart | None:
    hands = step.hands_on
    on_ms = problem.now_ms + round(1000 * hands.usual)
    assert step.wait is not None  # noqa: S101 - for the type checker; asked by the caller
    off = wait_range(step.wait, on_ms)
    longest_s = hands.high if step.hazardous else hands.usual
    planned = any(
        one.repair == repair.id and one.step == step.id and one.from_ms < closes_ms
        for one in plan.steps
    )

    def verdict(of: StartVerdict, rival: tuple[str, str] | None = None) -> LastStart:
        return LastStart(repair.id, step.id, of, off, planned and of is StartVerdict.NIGHT, rival)

    if problem.now_ms + 1000 * longest_s > closes_ms:
        return verdict(StartVerdict.NO_TIME)
    if off.high_ms <= closes_ms:
        return None  # it is off before anybody leaves
    spans = [span for span in problem.open if span[1] >= closes_ms]
    weekend = any(
        opens - closes >= LONG_CLOSED_MS and closes < off.high_ms
        for (_, closes), (opens, _) in pairwise(spans)
    )
    if not step.overnight or (weekend and not step.over_weekend):
        return verdict(StartVerdict.LEFT_ALONE)
    if not planned and (rival := _rival(problem, plan, repair, step, off)):
        return verdict(StartVerdict.IN_THE_WAY, rival)
    return verdict(StartVerdict.NIGHT)


def _rival(
    problem: Problem, plan: Plan, repair: RepairToPlan, step: StepToPlan, off: TimeRange
) -> tuple[str, str] | None:
    """The first planned step for which clamps would be missing if `step` started now."""
    needs = {(r.id, s.id): s.needs for r in problem.repairs for s in r.steps}
    others = [one for one in plan.steps if (one.repair, one.step) != (repair.id, step.id)]

    def held(name: str, at_ms: int) -> int:
        return sum(
            needs.get((one.repair, one.step), {}).get(name, 0)
            for one in others
            if one.from_ms <= at_ms < one.off.usual_ms
        )

    for one in sorted(others, key=_from_ms):
        if problem.now_ms < one.from_ms < off.high_ms:
            for name, count in step.needs.items():
                wanted = needs.get((one.repair, one.step), {}).get(name, 0)
                if wanted and held(name, one.from_ms) + count > problem.stock.get(name, 0):
                    return one.repair, one.step
    return None


def _from_ms(one: PlannedStep) -> int:
    return one.from_ms


def wait_range(wait: WaitTimes, begin_ms: int) -> TimeRange:
    """End of a wait that begins at a moment: 10 %, usual and 90 %, over members and its own spread.

    A member that does not get ready within what is known counts as the latest that does.
    """
    at = np.array([np.interp(begin_ms, wait.start_ms, row) for row in wait.seconds])
    known = at[np.isfinite(at)]
    at = np.where(np.isfinite(at), at, known.max() if len(known) else 0.0)
    seconds = np.maximum(at[:, None] * np.exp(wait.spread * _SCORES), wait.minimum_s)
    low, usual, high = np.quantile(seconds, (0.1, 0.5, 0.9))
    return TimeRange(*(begin_ms + round(1000 * float(s)) for s in (low, usual, high)))
