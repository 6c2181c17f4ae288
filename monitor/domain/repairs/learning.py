"""Lessons of finished repairs: hands-on times of steps, and how many promises were kept."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

from monitor.domain.repairs.repair import Repair
from monitor.domain.repairs.step import HandsOn, Step, StepKind

PRIOR_STEPS = 3.0
"""The figures of a step count as much as so many finished steps. [-]  Ours."""
Z90 = 1.2816
"""90 % point of the standard normal distribution. [-]"""
LONGEST_MIN = 480.0
"""A step that lay between start and finish for longer was left alone, so its time is not known. [min]"""

Work = tuple[StepKind, str]
"""Kind of step and type of wait: what is learned alike."""


class Experience(NamedTuple):
    """Finished steps of one kind: their number, and the sum and the squares of ln(taken/usual)."""

    number: int = 0
    total: float = 0.0
    squares: float = 0.0


class LearnedHandsOn:
    """Hands-on times of steps, with what finished steps have taught.

    The ratio of the time taken to the usual time is lognormal. A step's own figures count as
    `PRIOR_STEPS` observations of 1 with its own spread.
    """

    def __init__(self, repairs: Iterable[Repair]) -> None:
        self._of: dict[Work, Experience] = {}
        for repair in repairs:
            for step in repair.steps:
                taken = taken_min(step)
                if taken:
                    x = math.log(taken / step.hands_on_min.usual)
                    n, total, squares = self._of.get(_work(step), Experience())
                    self._of[_work(step)] = Experience(n + 1, total + x, squares + x * x)

    def count(self, step: Step) -> int:
        """Number of finished steps that a step learns from."""
        return self._of.get(_work(step), Experience()).number

    def of(self, step: Step) -> HandsOn:
        """Hands-on time of a step. [min]"""
        given = step.hands_on_min
        n, total, squares = self._of.get(_work(step), Experience())
        if not n:
            return given
        low, high = (math.log(one / given.usual) / Z90 for one in (given.low, given.high))
        mean = total / (n + PRIOR_STEPS)
        spread2 = ((high - low) / 2) ** 2
        # Sum of squares about the common mean, of the observations and of the prior at 0.
        around = squares - 2 * mean * total + n * mean**2 + PRIOR_STEPS * (spread2 + mean**2)
        sd = math.sqrt(around / (n + PRIOR_STEPS))
        usual = given.usual * math.exp(mean)
        return HandsOn(usual * math.exp(-Z90 * sd), usual, usual * math.exp(Z90 * sd))


def taken_min(step: Step) -> float | None:
    """Hands-on time of a finished step: as noted, else from start to finish without a wait. [min]"""
    if step.finished_ms is None or step.started_ms is None:
        return None
    if step.taken_min is not None:
        return step.taken_min or None
    if step.wait_kind:
        return None
    between = (step.finished_ms - step.started_ms) / 60_000
    return between if 0 < between <= LONGEST_MIN else None


def _work(step: Step) -> Work:
    return step.kind, step.wait_kind


class KeptPromises(NamedTuple):
    """Numbers of repairs that were ready by the time first promised, and of all with a promise."""

    kept: int
    promised: int


def kept_promises(repairs: Iterable[Repair]) -> KeptPromises:
    """Kept promises of the repairs that were handed out with all work finished.

    The first promise counts: a later one does not make an earlier one kept.
    """
    kept = promised = 0
    for repair in repairs:
        first = next((p.promised_ms for p in repair.promises if p.promised_ms), None)
        if first is None or repair.open or repair.unfinished or repair.ready_ms is None:
            continue
        promised += 1
        kept += repair.ready_ms <= first
    return KeptPromises(kept, promised)
