"""Inputs and results of the repair plan, as plain frozen data.

Times are ms since 1970-01-01 UTC, durations seconds. A repair has steps. A step is hands-on work
within opening hours, then a wait or none. `plan` in `planner.py` makes a `Plan` of a `Problem`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats

Z90 = 1.2816
"""Score of the 90 % quantile of the standard normal distribution. [-]"""
SOLVER = "CP-SAT"
"""Word for the solver in plans; other plans are made by rules."""
TICK_MS = 300_000
"""Work is planned in steps of this. [ms]"""


class TimeRange(NamedTuple):
    """Times that 10, 50 and 90 % of the outcomes do not exceed. [ms]"""

    low_ms: int
    usual_ms: int
    high_ms: int


class Seconds(NamedTuple):
    """Duration of hands-on work: 10, 50 and 90 % of how long it takes. [s]"""

    low: float
    usual: float
    high: float


@dataclass(frozen=True, eq=False, kw_only=True)
class WaitTimes:
    """Duration of a wait by its start, for members of the expected air.

    Parameters
    ----------
    start_ms : ndarray of int, shape (starts,), rising
        Between two starts the ready time is interpolated. After the last the duration stays.
    seconds : ndarray of shape (members, starts)
        Infinite where a member is not ready within what is known of the air. [s]
        Member i of all waits is the same air.
    minimum_s : float
        Safe minimum, which is never shortened. [s]
    spread : float
        Standard deviation of ln of the piece's own factor on the duration. [-]
    """

    start_ms: np.ndarray
    seconds: Floats
    minimum_s: float = 0.0
    spread: float = 0.0

    def __post_init__(self) -> None:
        if self.seconds.ndim != 2 or self.seconds.shape[1] != len(self.start_ms):
            raise OutOfRange("seconds axes", self.seconds.ndim, "", 2, 2)
        if not self.seconds.size or np.isnan(self.seconds).any() or (self.seconds < 0).any():
            raise OutOfRange("seconds", math.nan, "s", 0, None)


def steady_wait(low_s: float, usual_s: float, high_s: float, minimum_s: float = 0.0) -> WaitTimes:
    """Wait that takes equally long whenever it starts; 10, 50 and 90 % of its duration. [s]"""
    spread = math.log(high_s / low_s) / (2 * Z90) if low_s > 0 else 0.0
    return WaitTimes(
        start_ms=np.zeros(1, np.int64),
        seconds=np.array([[float(usual_s)]]),
        minimum_s=minimum_s,
        spread=spread,
    )


@dataclass(frozen=True, kw_only=True)
class RunningStep:
    """A step that was started: its hands-on work and when its wait ends.

    `off`: the clamps come off, past for a joint that is still setting. `ready`: it may be worked,
    loaded or strung; None: when the clamps come off. `known`: whether the readings give these times;
    if not, they are usual times, to plan with and not to act on.
    """

    since_ms: int
    hands_until_ms: int
    off: TimeRange
    ready: TimeRange | None = None
    known: bool = True


@dataclass(frozen=True, kw_only=True)
class StepToPlan:
    """A step of a repair: hands-on work, then a wait or none.

    `wait` lasts until the clamps come off, `load` until the joint may be worked, loaded or strung;
    both from the end of the hands-on work.
    """

    id: str
    name: str
    hands_on: Seconds
    wait: WaitTimes | None = None
    load: WaitTimes | None = None
    after: tuple[str, ...] = ()
    """Steps of the same repair that must be finished first, with their `wait`."""
    loads: bool = False
    """It works, loads or strings the joints of all steps before it, which have their `load` first."""
    needs: Mapping[str, int] = field(default_factory=dict)
    """Clamps and places by name, held from the start of the work until the clamps come off."""
    people: int = 1
    """People that the hands-on work takes."""
    overnight: bool = True
    """May it wait while the shop is closed? If not, the clamps come off before closing."""
    over_weekend: bool = True
    """May it wait over a closed day?"""
    hazardous: bool = False
    """Work with solvents or hot glue: even slow work ends before closing."""
    hands_out: bool = False
    """The instrument leaves the shop. This is not planned before the repair is usually ready."""
    awaits_consent: bool = False
    """Not planned, nor what follows it, until the client has agreed."""
    fixed_ms: int | None = None
    """Start that somebody chose: not before it, and at it if possible. [ms]"""
    running: RunningStep | None = None
    done: bool = False


@dataclass(frozen=True, kw_only=True)
class RepairToPlan:
    """A repair with its steps. A greater weight lets it be ready sooner than others."""

    id: str
    name: str
    steps: tuple[StepToPlan, ...]
    promised_ms: int | None = None
    weight: float = 1.0


class DampAir(NamedTuple):
    """Air of a place whose mean RH is above a value from one time to another. [ms], [%]"""

    place: str
    from_ms: int
    until_ms: int
    rh_pct: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Condition:
    """A condition of the air ahead. `holds`: whether it holds, by row of the waits' `seconds`; shape
    (members,)."""

    air: DampAir
    holds: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Problem:
    """Everything that the plan depends on.

    Parameters
    ----------
    open : tuple of (from, until)
        Opening hours from now on, rising, without overlap. [ms]
    people : int
        People at work at once.
    stock : mapping of name to count
        Clamps and places of the shop, as it calls them.
    conditions : tuple of Condition
        Of the air ahead, for what the plan is sensitive to.
    """

    now_ms: int
    open: tuple[tuple[int, int], ...]
    repairs: tuple[RepairToPlan, ...]
    people: int = 1
    stock: Mapping[str, int] = field(default_factory=dict)
    conditions: tuple[Condition, ...] = ()


class NoteKind(StrEnum):
    """Kinds of notes."""

    NOTHING_TO_DO = "nothing to do"
    PROMISE_PASSED = "promise passed"
    AWAITS_CONSENT = "awaits consent"
    FIXED_LATER = "fixed later"
    NO_ROOM = "no room"
    AIR_AHEAD = "air ahead"
    NOT_SAFE = "not safe to close"
    LEFT_OPEN = "left open"
    AIR_OLD = "air old"
    FRESH_JOINT = "fresh joint"


class Note(NamedTuple):
    """Note on a repair or a step: a whole sentence."""

    kind: NoteKind
    repair: str
    step: str
    text: str


MAY_DAYS = 14
"""Days for which the allowed starts of a step are kept. [-]"""


class PlannedStep(NamedTuple):
    """A step in the plan: its hands-on work, when the clamps come off, when it may be loaded.

    The usual times are those of the plan, in which each step takes its usual time; so no step
    begins before the usual end of one before it, and none hands out before the repair is usually
    ready. The ranges are from many executions.
    """

    repair: str
    step: str
    from_ms: int
    to_ms: int
    off: TimeRange
    ready: TimeRange
    running: bool = False
    known: bool = True
    """False where it runs and its readings give no ready time."""
    may: tuple[tuple[int, int], ...] = ()
    """Starts that are allowed, as spans in the next `MAY_DAYS`, if nothing before it moves. [ms]"""


class PlannedRepair(NamedTuple):
    """A repair in the plan. `ready` to be handed out is None if it is not known, `kept` without a
    promise. [-]"""

    repair: str
    ready: TimeRange | None
    kept: float | None


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan for all repairs.

    `objective_h` is the weighted sum of the times until the repairs are ready and of what they miss
    of their promises. [h]  `bound_h` is a proved lower bound of it. [h]  `gap` is the difference
    between both as a share of the objective. [-]
    """

    now_ms: int
    steps: tuple[PlannedStep, ...]
    repairs: tuple[PlannedRepair, ...]
    notes: tuple[Note, ...]
    solver: str
    objective_h: float
    bound_h: float
    gap: float
    seconds: float

    @property
    def proved(self) -> bool:
        """True if no plan is better by these inputs."""
        return self.gap <= 1e-9
