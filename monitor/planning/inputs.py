"""The planning problem of the shop, from its store: repairs, stock, hours, and waits by their start."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.commands.closing import shop_hours
from monitor.commands.waits import wait_if_opened
from monitor.core.clock import to_ms
from monitor.core.errors import Rejected
from monitor.core.formats import local
from monitor.domain.cautions import Caution
from monitor.domain.opening_hours import of_date
from monitor.domain.repairs import learning
from monitor.domain.repairs.repair import Repair
from monitor.domain.repairs.step import Step, StepKind, cautions_of
from monitor.domain.repairs.stock import counts
from monitor.domain.wait import OpenWait
from monitor.domain.wait_type_registry import from_mapping
from monitor.domain.wait_types import LOAD_SPREAD, WaitType
from monitor.outlook.place_air import PlaceAirs
from monitor.planning.problem import (
    Condition,
    DampAir,
    Problem,
    RepairToPlan,
    RunningStep,
    Seconds,
    StepToPlan,
    TimeRange,
    WaitTimes,
    steady_wait,
)
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import AirLog
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.readiness import ready_draws
from monitor.science.waits.wait import Readiness
from monitor.waits.evaluation import WaitStatus, for_load, statuses, wait_inputs

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.commands import Journal
    from monitor.domain.opening_hours import Hours
    from monitor.settings import Settings
    from monitor.store import Reader

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
PLAN_DAYS = 120
"""Days of opening hours that a plan may use. [-]"""
KNOWN_DAYS = 8
"""Starts on these days are calculated; later ones take the value of the last. [-]  Ours."""
AIR_S = 24 * 86_400.0
"""The air is expected for so long. [s]"""
LONGEST = 3.0
"""A wait that may end beyond it, at this many usual times, has its usual time. [-]  Ours."""
DRAWS = 100
"""Members of the air that waits are calculated in. [-]"""
DAMP_SHARE = 0.75
"""Share of the members that are no damper than a damp night. [-]  Ours."""
UNKNOWN_SPREAD = 0.4
"""Standard deviation of ln of a wait where the air is not known. [-]  Ours: a factor 1.7 either way."""
NOT_HELD: Mapping[str, float] = {}
SOLVENTS_OR_HOT_GLUE = {Caution.HOT_GLUE_POT, Caution.SOLVENTS}


class Inputs(NamedTuple):
    """A problem, and the places whose air is not known: waits there have their usual times."""

    problem: Problem
    unknown: tuple[str, ...]
    waits: ShopWaits


def opening(hours: Hours, zone: ZoneInfo, now_ms: int) -> Iterator[tuple[int, int]]:
    """Opening hours that are not over, of the next `PLAN_DAYS` days. [ms]"""
    today = local(now_ms, zone).date()
    for ahead in range(PLAN_DAYS):
        day = today + timedelta(days=ahead)
        if (found := of_date(hours, day)) is not None:
            opens, closes = (to_ms(datetime.combine(day, at, zone)) for at in found)
            if closes > now_ms:
                yield opens, closes


def problem_of(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    now_ms: int,
    *,
    people: int = 1,
    held_pct: Mapping[str, float] = NOT_HELD,
    waits: ShopWaits | None = None,
) -> Inputs:
    """The planning problem of all open repairs.

    Parameters
    ----------
    now_ms : int
        [ms since 1970-01-01 UTC]
    people : int
        People at work at once.
    held_pct : mapping of place to RH
        Air that is held, to suppose so. [%]
    waits : ShopWaits, optional
        Those of a short time ago, if nothing has changed for them.
    """
    hours = tuple(opening(shop_hours(reader, settings), settings.zone, now_ms))
    waits = waits or ShopWaits(reader, settings, journal, now_ms, hours, held_pct)
    taught = learning.LearnedHandsOn(journal.repairs.values())
    here = {own for own, one in journal.instruments.items() if one.here}
    repairs = [one for one in journal.repairs.values() if one.open and one.instrument in here]
    asked = {
        step.wait: journal.waits[step.wait]
        for one in repairs
        for step in one.steps
        if step.wait and (journal.waits[step.wait].open or journal.waits[step.wait].setting)
    }
    found = statuses(reader, settings, asked.values(), now_ms)
    status = dict(zip(asked, found, strict=True))
    planned = tuple(_repair(one, journal, waits, taught, status, now_ms) for one in repairs)
    stock = counts(journal.stock)
    problem = Problem(
        now_ms=now_ms,
        open=hours,
        repairs=planned,
        people=people,
        stock=stock,
        conditions=tuple(waits.damp_nights(hours)),
    )
    return Inputs(problem, tuple(sorted(waits.unknown)), waits)


def repair_if_taken_in(
    journal: Journal, waits: ShopWaits, steps: tuple[Step, ...], place: str, *, id_: str = "new"
) -> RepairToPlan:
    """A repair with steps that is not taken in yet, for a promise or a what-if."""
    taught = learning.LearnedHandsOn(journal.repairs.values())
    made = tuple(_step(step, place, journal, waits, taught) for step in steps)
    return RepairToPlan(id=id_, name=id_.capitalize(), steps=made)


class ShopWaits:
    """Waits by their start, each type at each place calculated once.

    `unknown` has the places whose air is not known.
    """

    def __init__(
        self,
        reader: Reader,
        settings: Settings,
        journal: Journal,
        now_ms: int,
        hours: tuple[tuple[int, int], ...],
        held_pct: Mapping[str, float] = NOT_HELD,
    ) -> None:
        self.journal, self.settings, self.now_ms = journal, settings, now_ms
        self.airs = PlaceAirs(reader, now_ms, {}, settings=settings)
        self.unknown: set[str] = set()
        self._held_pct = held_pct
        self._starts = np.array(sorted(set(_starts(hours, now_ms))), np.int64)
        self._air: dict[str, AirEnsemble | None] = {}
        self._found: dict[tuple[str, str], tuple[WaitTimes, WaitTimes | None]] = {}

    def of(self, kind_id: str, place: str) -> tuple[WaitTimes, WaitTimes | None]:
        """Wait of a type at a place until the clamps come off, and until it may be loaded."""
        if (kind_id, place) not in self._found:
            request = OpenWait(kind=kind_id, place=place)
            kind = from_mapping(wait_if_opened(self.journal, request, self.now_ms).kind)
            self._found[kind_id, place] = self._calculated(kind, place)
        return self._found[kind_id, place]

    def air(self, place: str) -> AirEnsemble | None:
        """Expected air of a place; None if it is not known."""
        if place not in self._air:
            self._air[place] = self._expected(place)
        return self._air[place]

    def _expected(self, place: str) -> AirEnsemble | None:
        """Expected air of a place, at the RH that it is held at; None if it is not known."""
        air = self.airs.coming_long(place, AIR_S)
        if air is None or place not in self._held_pct:
            return air
        return replace(air, rh_pct=np.full_like(air.rh_pct, self._held_pct[place]))

    def damp_nights(self, hours: tuple[tuple[int, int], ...]) -> Iterator[Condition]:
        """Damp air of the coming night at each place, as the dampest quarter of its members has it."""
        if len(hours) < 2:
            return
        from_ms, until_ms = hours[0][1], hours[1][0]
        for place in dict.fromkeys(place for _, place in self._found):
            air = self.air(place)
            if air is None or until_ms > air.end_ms:
                continue
            first, last = (
                (at - air.start_ms) // round(1000 * air.step_s) for at in (from_ms, until_ms)
            )
            mean_pct = air.rh_pct[:, first : max(last, first + 1)].mean(axis=1)
            limit_pct = 5.0 * math.floor(float(np.quantile(mean_pct, DAMP_SHARE)) / 5)
            holds = (mean_pct > limit_pct)[np.arange(DRAWS) % len(mean_pct)]
            yield Condition(air=DampAir(place, from_ms, until_ms, limit_pct), holds=holds)

    def _calculated(self, kind: WaitType, place: str) -> tuple[WaitTimes, WaitTimes | None]:
        ahead_s = (int(self._starts[-1]) - self.now_ms) / 1000
        air = self.air(place)
        if air is None:
            self.unknown.add(place)
        if air is None or ahead_s + LONGEST * max(kind.basis_s, kind.load_s) > AIR_S:
            return usual_wait(kind), usual_wait(kind, load=True) if kind.load_s else None
        log, sensor = self.airs.log(place), self.airs.sensor_error(place, self.settings)
        return waits_in_air(kind, self._starts, log, air, sensor)


def waits_in_air(
    kind: WaitType,
    start_ms: np.ndarray,
    log: AirLog,
    air: AirEnsemble,
    sensor: SensorUncertainty,
    draws: int = DRAWS,
) -> tuple[WaitTimes, WaitTimes | None]:
    """Waits of a type by their start until the clamps come off, and until it may be loaded.

    `log` ends now. Days after the last of the starts are like that day. [ms]
    """
    now_ms = log.until_ms
    own = [wait_inputs(kind, int(at), log, air, sensor) for at in start_ms]
    loads = [for_load(one, kind) for one in own] if kind.load_s else []
    found = []
    for inputs, spread in ((own, kind.spread), (loads, max(kind.spread, LOAD_SPREAD))):
        if inputs:
            # The piece's own factor is drawn for each step, so not here for all at once.
            alike = [replace(one, spread=0.0) for one in inputs]
            after_now_s = ready_draws(alike, now_ms, draws=draws)
            seconds = after_now_s.T - (start_ms - now_ms) / 1000
            found.append(_lasting(start_ms, seconds, inputs[0].floor_s, spread))
    return found[0], found[1] if loads else None


def usual_wait(kind: WaitType, *, load: bool = False) -> WaitTimes:
    """Wait of a type in air that is not known."""
    usual_s = (max(kind.load_s, kind.basis_s) if load else kind.basis_s) * kind.law.basis_factor
    ratio = math.exp(1.2816 * UNKNOWN_SPREAD)
    minimum_s = usual_s if kind.never_shorter else kind.minimum_s
    return steady_wait(usual_s / ratio, usual_s, usual_s * ratio, minimum_s)


def _starts(hours: tuple[tuple[int, int], ...], now_ms: int) -> Iterator[int]:
    """Now, and each hour that the shop is open on the first days, with its closing. [ms]"""
    yield now_ms
    for opens, closes in hours[:KNOWN_DAYS]:
        yield from range(max(opens, now_ms), closes, HOUR_MS)
        yield closes


def _lasting(
    start_ms: np.ndarray, seconds: np.ndarray, minimum_s: float, spread: float
) -> WaitTimes:
    """Waits by start, those of the last day repeated at the same hours of later days."""
    last = start_ms > start_ms[-1] - DAY_MS
    days = 1 + np.arange(PLAN_DAYS)
    later = (start_ms[last][None, :] + DAY_MS * days[:, None]).ravel()
    return WaitTimes(
        start_ms=np.concatenate([start_ms, later]),
        seconds=np.hstack([seconds, np.tile(seconds[:, last], PLAN_DAYS)]),
        minimum_s=minimum_s,
        spread=spread,
    )


def _repair(
    repair: Repair,
    journal: Journal,
    waits: ShopWaits,
    taught: learning.LearnedHandsOn,
    status: dict[str, WaitStatus],
    now_ms: int,
) -> RepairToPlan:
    instrument = journal.instruments.get(repair.instrument)
    place = instrument.place if instrument is not None else ""
    steps = []
    for one in repair.steps:
        running = _running(one, journal, taught, status, now_ms)
        step = _step(one, place, journal, waits, taught, begun=one.started_ms is not None)
        steps.append(replace(step, running=running, done=one.finished and running is None))
    name = instrument.reference if instrument is not None else repair.name
    return RepairToPlan(
        id=repair.id, name=name, steps=tuple(steps), promised_ms=repair.promised_ms
    )


def _step(
    step: Step,
    place: str,
    journal: Journal,
    waits: ShopWaits,
    taught: learning.LearnedHandsOn,
    *,
    begun: bool = False,
) -> StepToPlan:
    wait = load = None
    if step.wait_kind and not begun:
        try:
            wait, load = waits.of(step.wait_kind, step.place or place)
        except Rejected:  # its type was retired since: the usual time counts
            kind = journal.retired.get(step.wait_kind)
            if kind is None:
                raise
            wait, load = usual_wait(kind), usual_wait(kind, load=True) if kind.load_s else None
    cautions = set(cautions_of(step, journal.book.get(step.wait_kind)))
    return StepToPlan(
        id=step.id,
        name=step.label,
        hands_on=Seconds(*(60.0 * minutes for minutes in taught.of(step))),
        wait=wait,
        load=load,
        after=step.after,
        loads=step.loads,
        needs=step.needs,
        overnight=step.overnight,
        over_weekend=step.weekend,
        hazardous=bool(cautions & SOLVENTS_OR_HOT_GLUE),
        hands_out=step.kind is StepKind.HAND_OUT,
        awaits_consent=step.consent_awaited,
        fixed_ms=step.fixed_ms,
    )


def _running(
    step: Step,
    journal: Journal,
    taught: learning.LearnedHandsOn,
    status: dict[str, WaitStatus],
    now_ms: int,
) -> RunningStep | None:
    """Running part of a step: its work, its wait, or a joint that may not be loaded yet."""
    if step.started_ms is None:
        return None
    since_ms = step.started_ms
    if step.finished_ms is not None:
        of = status.get(step.wait)
        if of is None or of.loadable:
            return None
        return RunningStep(
            since_ms=since_ms,
            hands_until_ms=since_ms,
            off=TimeRange(*[step.finished_ms] * 3),
            ready=_range(of.load or of.readiness, since_ms, of.kind, now_ms, load=True),
        )
    if not step.wait_kind:
        low, usual, high = (since_ms + round(60_000 * m) for m in taught.of(step))
        ends = TimeRange(*(max(at, now_ms) for at in (low, usual, high)))
        return RunningStep(since_ms=since_ms, hands_until_ms=ends.usual_ms, off=ends)
    of = status.get(step.wait)
    kind = of.kind if of is not None else journal.book[step.wait_kind]
    found = [of.readiness if of else None, of.load if of and kind.load_s else None]
    off = _range(found[0], since_ms, kind, now_ms)
    ready = _range(found[1], since_ms, kind, now_ms, load=True) if kind.load_s else None
    known = found[0] is not None and found[0].ready_ms is not None
    return RunningStep(
        since_ms=since_ms, hands_until_ms=since_ms, off=off, ready=ready, known=known
    )


def _range(
    readiness: Readiness | None, since_ms: int, kind: WaitType, now_ms: int, *, load: bool = False
) -> TimeRange:
    """Range of a ready time; the usual time where it is not known, and never before now. [ms]

    A wait that is paused or whose air is not known takes its usual time from now.
    """
    usual = usual_wait(kind, load=load)
    ratio = math.exp(1.2816 * usual.spread)
    usual_ms = 1000 * float(usual.seconds[0, 0])
    if readiness is None:
        found = [usual_ms / ratio, usual_ms, usual_ms * ratio]
        return TimeRange(*(max(since_ms + round(ms), now_ms) for ms in found))
    end_ms = max(readiness.horizon_ms, now_ms + round(usual_ms))
    low, middle, high = (
        end_ms if at is None else max(at, now_ms)
        for at in (readiness.ready_low_ms, readiness.ready_ms, readiness.ready_high_ms)
    )
    return TimeRange(min(low, middle), middle, max(middle, high))
