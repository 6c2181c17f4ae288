"""Lost time of a wait: how much longer than in reference air it took, and by what.

Every stretch of air moves a wait on by Δτ, its time in reference air; reference air itself would
have moved it on by Δt. What is lost, Δt − Δτ, is split exactly. On hold, in a pause and where
nothing was read, all of it belongs to that. Elsewhere temperature and humidity share it: the mean
of putting right first the one, then the other (Shapley's value of two), so that the parts add up to
the whole whatever the law.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from monitor.science.ranges import Floats
from monitor.science.waits.air_log import AirCoverage, AirLog, Times, exponential_mean
from monitor.science.waits.drying import DryingLaw
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.laws import AdditiveLaw, Law, RelaxationLaw
from monitor.science.waits.parameters import REFERENCE_RH_PCT, REFERENCE_TEMP_C, Hold
from monitor.science.waits.relaxation_time import AT_THE_LIMIT, span

GAP_CREDIT = 0.5
"""Share of a gap that counts, as for the median ready time. [-]"""
STEP_S = 600.0
"""Longest stretch that is taken in one piece. [s]"""
NEAREST = 1e-9
"""Least distance of a state from the balance of reference air. [as the state]"""


class LossCause(StrEnum):
    """Causes of lost time."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    HOLD = "hold"
    PAUSE = "pause"
    GAP = "gap"
    OTHER = "other"
    """What does not come from the air, such as light or a thicker film."""


class LostTime(NamedTuple):
    """A wait from its start to its end, in steps. n steps."""

    edges_ms: Times
    """Begin of each step, and the end. (n + 1) [ms]"""
    counted_s: Floats
    """Time in reference air that each step was worth. (n) [s]"""
    lost_s: dict[LossCause, Floats]
    """Lost time of each step by its cause: all add up to the step less `counted_s`. (n) [s]"""
    temp_c: Floats
    """(n) [°C]  NaN in a pause and where nothing is known."""
    rh_pct: Floats
    """(n) [%]"""
    hold: NDArray[np.int64]
    """`Hold` of each step. (n)"""

    @property
    def seconds(self) -> Floats:
        return np.diff(self.edges_ms) / 1000

    @property
    def rate(self) -> Floats:
        """Rate relative to reference air; NaN where it is not known. (n) [-]"""
        known = np.isfinite(self.temp_c)
        return np.where(known, self.counted_s / self.seconds, np.nan)

    def total_s(self, cause: LossCause) -> float:
        return float(self.lost_s[cause].sum())


def lost_time(law: Law, usual_s: float, start_ms: int, air: AirLog) -> LostTime:
    """Lost time of a wait along its air, sensor taken at its word.

    Parameters
    ----------
    law : Law
    usual_s : float
        The wait in reference air, for this piece. [s]
    start_ms : int
        Before the end of the air. [ms since 1970-01-01 UTC]
    air : AirLog
        Up to where it was ready, to its release, or to now.
    """
    step = _steps(law, start_ms, air)
    n = len(step.temp_c)
    seconds = np.diff(step.edges_ms) / 1000
    parts = {cause: np.zeros(n) for cause in LossCause}
    paused, unread = step.known == AirCoverage.PAUSED, np.zeros(n, dtype=bool)
    share = np.ones(n)
    if law.needs_air:
        unread = ~paused & np.isnan(step.temp_c)
        share[step.known == AirCoverage.GAP] = GAP_CREDIT
    share[paused | unread] = 0.0
    parts[LossCause.PAUSE][paused] = seconds[paused]
    parts[LossCause.GAP][~paused] = ((1 - share) * seconds)[~paused]
    whole = share * seconds
    if isinstance(law, GlueLaw | DryingLaw):
        real, warm, damp, usual = _relaxing(law, usual_s, step, whole)
    else:
        real, warm, damp, usual = _adding(law, step, whole)
    hold = np.where(paused | unread, int(Hold.NONE), _holds(law, step))
    held = hold != Hold.NONE
    parts[LossCause.HOLD] = np.where(held, whole - real, 0.0)
    parts[LossCause.TEMPERATURE] = np.where(held, 0.0, ((usual - warm) + (damp - real)) / 2)
    parts[LossCause.HUMIDITY] = np.where(held, 0.0, ((usual - damp) + (warm - real)) / 2)
    parts[LossCause.OTHER] = np.where(held, 0.0, whole - usual)
    return LostTime(step.edges_ms, real, parts, step.temp_c, step.rh_pct, hold)


Worth: TypeAlias = tuple[Floats, Floats, Floats, Floats]
"""Time in reference air that each step was worth: in its own air, at its temperature in the
humidity of reference air, in its humidity at the temperature of reference air, in reference air.
[s]"""


def _adding(law: AdditiveLaw, step: _AirSteps, seconds: Floats) -> Worth:
    """Worth of steps under a rate that adds up."""
    t, rh = np.where(seconds > 0, step.temp_c, np.nan), step.rh_pct
    temp, humid = np.full(len(t), REFERENCE_TEMP_C), np.full(len(t), REFERENCE_RH_PCT)

    def worth(t: Floats, rh: Floats) -> Floats:
        return np.where(seconds > 0, np.nan_to_num(law.rate(t, rh)) * seconds, 0.0)

    return worth(t, rh), worth(t, humid), worth(temp, rh), worth(temp, humid)


def _relaxing(law: RelaxationLaw, usual_s: float, step: _AirSteps, seconds: Floats) -> Worth:
    """Worth of steps under a state that relaxes: each from the state that its own air led to."""
    kappa = float(span(law.start, law.threshold, law.reference)) / usual_s
    own = kappa * np.nan_to_num(law.speed(step.temp_c)) * seconds
    usual = kappa * seconds
    at_usual_rh = law.drive(step.temp_c, np.full(len(seconds), law.reference_rh_pct))
    at_usual_temp = step.drive  # the wood's memory knows no temperature
    if law.wood_memory_h == 0:
        at_usual_temp = law.drive(np.full(len(seconds), law.reference_temp_c), step.rh_pct)
    found = np.zeros((3, len(seconds)))
    state = law.start
    for i in np.flatnonzero(seconds > 0):
        ways = ((step.drive[i], own[i]), (at_usual_rh[i], own[i]), (at_usual_temp[i], usual[i]))
        after = [aim + (state - aim) * np.exp(-x) for aim, x in ways]
        away = max(state - law.reference, NEAREST)
        found[:, i] = [np.log(away / max(y - law.reference, NEAREST)) / kappa for y in after]
        state = float(after[0])
    return found[0], found[1], found[2], seconds


class _AirSteps(NamedTuple):
    """Air of a wait in steps of `STEP_S` at most; `drive` is what a state tends to. n steps."""

    edges_ms: Times
    temp_c: Floats
    rh_pct: Floats
    drive: Floats
    known: NDArray[np.int8]


def _steps(law: Law, start_ms: int, air: AirLog) -> _AirSteps:
    """The air from the start on, in steps."""
    drive = np.full(len(air.begin_ms), np.nan)
    if isinstance(law, GlueLaw | DryingLaw):
        drive = np.asarray(law.drive(air.temp_c, air.rh_pct))
        if law.wood_memory_h > 0:
            drive = exponential_mean(air, drive, 3600 * law.wood_memory_h)
    rows: list[int] = []
    edges = [np.array([start_ms], dtype=np.int64)]
    for i in np.flatnonzero(air.end_ms > start_ms):
        low, high = max(int(air.begin_ms[i]), start_ms), int(air.end_ms[i])
        pieces = max(int(np.ceil((high - low) / (1000 * STEP_S))), 1)
        edges.append(np.linspace(low, high, pieces + 1).round().astype(np.int64)[1:])
        rows += [int(i)] * pieces
    every = np.concatenate(edges)
    return _AirSteps(every, air.temp_c[rows], air.rh_pct[rows], drive[rows], air.known[rows])


def _holds(law: Law, step: _AirSteps) -> NDArray[np.int64]:
    """Hold of each step; a glue line with memory is held by the wood that it sees."""
    hold = np.where(np.isnan(step.temp_c), int(Hold.NONE), law.hold(step.temp_c, step.rh_pct))
    if isinstance(law, GlueLaw) and law.wood_memory_h > 0:
        wet = step.drive >= law.threshold - AT_THE_LIMIT
        by_wood = np.where(hold == Hold.DAMP, int(Hold.DAMP), int(Hold.WOOD_DAMP))
        damp = np.where(wet, by_wood, int(Hold.NONE))
        hold = np.where(np.isin(hold, [int(Hold.NONE), int(Hold.DAMP)]), damp, hold)
    return hold.astype(np.int64)
