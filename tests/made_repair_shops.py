"""Made shops with repairs, worked through in their true air by several ways of choosing what is next.

The rooms are those of `tests/rooms`, the joints dry by the laws of `tests/scenes`, and hands are
slower or faster than planned: none of it is the plan's own model. The plan knows the readings of the
four weeks before, and what was started and finished since.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from planned_repairs import STOCK, USUAL, made
from planned_shop import DAY_MS, HOUR_MS, NOW_MS, weekdays
from rooms.catalogue import HOURS, spec_of, weather_of
from rooms.shops import simulate
from rooms.weather import Weather
from scenes.joints import JointLaw, rate

from monitor.domain.wait_types import KINDS
from monitor.planning.greedy import greedy
from monitor.planning.inputs import waits_in_air
from monitor.planning.model import build
from monitor.planning.planner import SEED
from monitor.planning.problem import (
    TICK_MS,
    Problem,
    RunningStep,
    StepToPlan,
    TimeRange,
    WaitTimes,
)
from monitor.planning.solver import installed, solve
from monitor.science.waits.air_log import air_log
from monitor.science.waits.daily_pattern import daily_pattern_ensemble
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.timed_rest import FixedLaw, RestLaw

HISTORY_DAYS, AHEAD_DAYS = 28, 98
LAST_MS = 2 * HOUR_MS
"""The rule of thumb looks for a long wait in this time before closing. [ms]"""
REPAIRS = (5, 10)
"""Open repairs for each person: from, below."""
PASSES = 12
"""Orders that the plan tries each time: few, for many plans are made."""
REPLAN_MS, NEW_AIR_MS = 3 * HOUR_MS, 20 * HOUR_MS
"""The plan is made again after this, and its waits in the newest air after that. [ms]"""
LIMIT_S = 0.3
"""Limit of the solver each time: short, for many plans are made. [s]"""
Key = tuple[str, str]


class TrueAir(NamedTuple):
    """True air of a shop: temperature [°C] and RH [%] by the hour from `NOW_MS` on; all its readings."""

    temp_c: np.ndarray
    rh_pct: np.ndarray
    read_ms: np.ndarray
    read_temp_c: np.ndarray
    read_rh_pct: np.ndarray


def true_airs(numbers) -> list[TrueAir]:
    """Air of shops by number, each in another season."""
    hours = 24 * (HISTORY_DAYS + AHEAD_DAYS)
    specs = [spec_of(n) for n in numbers]
    weathers = []
    for n, spec in zip(numbers, specs, strict=True):
        first = int(np.random.default_rng((n, 3)).integers(0, HOURS - hours))
        whole = weather_of(n, spec)[1]
        weathers.append(Weather(*(part[first : first + hours] for part in whole)))
    ts_ms, temp, rh = simulate(specs, weathers, 5)[:3]
    now = HISTORY_DAYS * 144
    found = []
    for r, spec in enumerate(specs):
        true_rh = np.clip(rh[:, r] - spec.rh_offset_pct, 1, 100)
        by_hour = (column[now:].reshape(-1, 6).mean(axis=1) for column in (temp[:, r], true_rh))
        read_ms = NOW_MS + (ts_ms - ts_ms[now])
        found.append(TrueAir(*by_hour, read_ms, temp[:, r], rh[:, r]))
    return found


@dataclass
class MadeShop:
    """A shop at `NOW_MS`: its problem as the plan sees it, and how long things really take."""

    problem: Problem
    air: TrueAir
    law: JointLaw
    kinds: dict[Key, str]
    hands_s: dict[Key, float]
    factor: dict[Key, tuple[float, float]] = field(default_factory=dict)

    def ends_ms(self, key: Key, worked_ms: int) -> tuple[int, int]:
        """True times at which the clamps come off, and at which the joint may be loaded."""
        off_ms, load_ms = self.all_ends_ms(key, np.array([worked_ms]))
        return round(off_ms[0]), round(load_ms[0])

    def all_ends_ms(self, key: Key, worked_ms: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The same for many times at which the work is done."""
        kind_id = self.kinds[key]
        if not kind_id:
            return worked_ms, worked_ms
        kind = KINDS[kind_id]
        off, load = (
            self._dried_ms(kind, basis_s, factor, worked_ms)
            for basis_s, factor in zip((kind.basis_s, kind.load_s), self.factor[key], strict=True)
        )
        return off, np.maximum(off, load)

    def _dried_ms(self, kind, basis_s, factor, from_ms: np.ndarray) -> np.ndarray:
        if not basis_s:
            return from_ms
        if isinstance(kind.law, RestLaw | FixedLaw):
            return from_ms + 1000 * max(factor * basis_s, basis_s)
        done_h = np.concatenate(
            [[0.0], np.cumsum(rate(self.law, self.air.temp_c, self.air.rh_pct))]
        )
        at = np.arange(len(done_h))
        begin = np.interp((from_ms - NOW_MS) / HOUR_MS, at, done_h)
        end_h = np.interp(begin + basis_s / 3600 * factor, done_h, at)
        # Clamps are not taken off before the usual time, whatever the joint is like.
        return np.maximum(NOW_MS + end_h * HOUR_MS, from_ms + 1000 * basis_s)


def made_shop(number: int, air: TrueAir) -> MadeShop:
    """A shop by number: one or two people, each with usual repairs to do."""
    random = np.random.default_rng((number, 19))
    waits = Believed(air, NOW_MS).coming
    names = list(USUAL)
    people = int(random.integers(1, 3))
    count = people * int(random.integers(*REPAIRS))
    repairs = tuple(
        made(f"r{i}", USUAL[names[int(random.integers(len(names)))]], waits, random)
        for i in range(count)
    )
    problem = Problem(
        now_ms=NOW_MS,
        open=weekdays(AHEAD_DAYS // 7 - 1),
        repairs=repairs,
        people=people,
        stock=STOCK,
    )
    kinds = {(r.id, s.id): _kind_of(s) for r in repairs for s in r.steps}
    habit = {kind: float(np.exp(0.1 * random.standard_normal())) for kind in KINDS}
    hands_s = {
        (r.id, s.id): s.hands_on.usual * float(np.exp(0.03 + 0.25 * random.standard_normal()))
        for r in repairs
        for s in r.steps
    }
    factor = {
        key: tuple(
            habit[kind] * float(np.exp(spread * random.standard_normal()))
            for spread in (KINDS[kind].spread, 0.25)
        )
        for key, kind in kinds.items()
        if kind
    }
    law = list(JointLaw)[int(random.integers(2))]
    return MadeShop(problem, air, law, kinds, hands_s, factor)


_KINDS = {work.name: work.kind for works in USUAL.values() for work in works}


def _kind_of(step: StepToPlan) -> str:
    return _KINDS[step.name]


class Believed:
    """Waits as the product calculates them at a moment, from the readings before it."""

    def __init__(self, air: TrueAir, now_ms: int) -> None:
        read = [column[air.read_ms < now_ms] for column in air[2:]]
        self.log = air_log(*read, now_ms)
        seconds = 21 * 86_400.0
        self.ahead = daily_pattern_ensemble(*read, now_ms, seconds, 50, 1, step_s=3600)
        opens = (a for a, _ in weekdays(AHEAD_DAYS // 7) if a + 8 * HOUR_MS > now_ms)
        days = [next(opens) for _ in range(3)]
        hours = np.array([day + hour * HOUR_MS for day in days for hour in (0, 3, 6, 8)])
        self.start_ms = np.append(now_ms, hours[hours > now_ms])
        self._known: dict[tuple[str, int], tuple[WaitTimes, WaitTimes | None]] = {}

    def coming(self, kind_id: str, load: bool) -> WaitTimes | None:
        """Waits of a kind by their start from now on."""
        return self._waits(kind_id, 0)[load]

    def running(self, kind_id: str, load: bool, worked_ms: int, now_ms: int) -> TimeRange | None:
        """Range of a wait that has begun and is not over yet."""
        wait = self._waits(kind_id, worked_ms)[load]
        if wait is None:
            return None
        pieces = np.exp(wait.spread * np.array([-1.65, -1.0, -0.5, 0.0, 0.5, 1.0, 1.65]))
        lasts_s = np.maximum(np.outer(wait.seconds[:, 0], pieces), wait.minimum_s)
        ends = np.minimum(worked_ms + 1000 * lasts_s, now_ms + 30 * DAY_MS).ravel()
        left = ends[ends > now_ms]
        if not len(left):
            return TimeRange(*[now_ms + 2 * HOUR_MS] * 3)
        return TimeRange(*(round(v) for v in np.quantile(left, (0.1, 0.5, 0.9))))

    def _waits(self, kind_id: str, worked_ms: int) -> tuple[WaitTimes, WaitTimes | None]:
        if (kind_id, worked_ms) not in self._known:
            start_ms = np.array([worked_ms]) if worked_ms else self.start_ms
            self._known[kind_id, worked_ms] = waits_in_air(
                KINDS[kind_id], start_ms, self.log, self.ahead, SensorUncertainty(), 50
            )
        return self._known[kind_id, worked_ms]


class Begun(NamedTuple):
    """A step that was started: when its work and its waits really end."""

    since_ms: int
    worked_ms: int
    off_ms: int
    load_ms: int


class Bench:
    """State of a shop at a moment, as somebody at the bench sees it."""

    def __init__(self, shop: MadeShop) -> None:
        self.shop = shop
        self.now_ms = NOW_MS
        self.begun: dict[Key, Begun] = {}
        self.steps = {(r.id, s.id): s for r in shop.problem.repairs for s in r.steps}
        self.joints: dict[Key, list[Key]] = {}
        for one in shop.problem.repairs:
            before: dict[str, set[str]] = {}
            for step in one.steps:
                before[step.id] = {*step.after}.union(*(before[a] for a in step.after))
                self.joints[one.id, step.id] = [(one.id, b) for b in before[step.id]]

    def startable(self, closes_ms: int) -> list[Key]:
        """Steps that can be started now and whose work ends before closing."""
        used: dict[str, int] = {}
        for key, begun in self.begun.items():
            if begun.off_ms > self.now_ms:
                for name, count in self.steps[key].needs.items():
                    used[name] = used.get(name, 0) + count
        stock = self.shop.problem.stock
        return [
            key
            for key, step in self.steps.items()
            if key not in self.begun
            and self._may(key, step)
            and self.now_ms
            + 1000 * (step.hands_on.high if step.hazardous else step.hands_on.usual)
            <= closes_ms
            and all(used.get(n, 0) + c <= stock[n] for n, c in step.needs.items())
        ]

    def _may(self, key: Key, step: StepToPlan) -> bool:
        after = (self.begun.get((key[0], one)) for one in step.after)
        if not all(b and max(b.worked_ms, b.off_ms) <= self.now_ms for b in after):
            return False
        return not step.loads or all(
            self.begun[j].load_ms <= self.now_ms for j in self.joints[key]
        )

    def start(self, key: Key) -> None:
        """Start a step now."""
        worked_ms = self.now_ms + round(1000 * self.shop.hands_s[key])
        self.begun[key] = Begun(self.now_ms, worked_ms, *self.shop.ends_ms(key, worked_ms))

    def busy(self) -> int:
        """People at work now."""
        return sum(one.worked_ms > self.now_ms for one in self.begun.values())

    def ready_ms(self) -> dict[str, int]:
        """When each repair was ready, rounded up to the next opening."""
        ends: dict[str, int] = {}
        for (repair, _), begun in self.begun.items():
            end = max(begun.worked_ms, begun.load_ms)
            ends[repair] = max(ends.get(repair, 0), end)
        return {
            name: next(max(a, end) for a, b in self.shop.problem.open if end <= b)
            for name, end in ends.items()
        }


Choose = Callable[[Bench, list[Key], int], Key | None]
"""What to start of several steps, before closing [ms]; None: nothing yet."""


def worked(shop: MadeShop, choose: Choose) -> dict[str, int]:
    """When each repair is ready, if somebody chooses by a rule. [ms]"""
    bench = Bench(shop)
    for opens, closes in shop.problem.open:
        for now_ms in range(opens, closes, TICK_MS):
            bench.now_ms = now_ms
            while bench.busy() < shop.problem.people:
                may = bench.startable(closes)
                key = choose(bench, may, closes) if may else None
                if key is None:
                    break
                bench.start(key)
        if len(bench.begun) == len(bench.steps):
            return bench.ready_ms()
    raise AssertionError("the repairs are not finished within the time that is simulated")


def first_come(bench: Bench, may: list[Key], closes_ms: int) -> Key:
    """The first step of the repair that came first."""
    return may[0]


def longest_before_leaving(bench: Bench, may: list[Key], closes_ms: int) -> Key:
    """First come, first served; in the last hours the longest wait that fits."""
    if closes_ms - bench.now_ms > LAST_MS:
        return may[0]

    def usual_s(key: Key) -> float:
        kind = KINDS.get(bench.shop.kinds[key])
        return max(kind.basis_s, kind.load_s) if kind else 0.0

    return max(may, key=usual_s)


class ByPlan:
    """What the plan has next, planned again several times a day, each day in the newest air."""

    def __init__(self, promised: dict[str, int] | None = None) -> None:
        self.promised = promised or {}
        self.from_ms: dict[Key, int] = {}
        self.next_ms = self.air_ms = 0

    def __call__(self, bench: Bench, may: list[Key], closes_ms: int) -> Key | None:
        if bench.now_ms >= self.air_ms:
            self.believed = Believed(bench.shop.air, bench.now_ms)
            self.air_ms = bench.now_ms + NEW_AIR_MS
        if bench.now_ms >= self.next_ms:
            self.from_ms = self._planned(self.problem(bench))
            self.next_ms = bench.now_ms + REPLAN_MS
        return min(may, key=lambda key: self.from_ms.get(key, closes_ms))

    def _planned(self, problem: Problem) -> dict[Key, int]:
        model = build(problem)
        keys = [(problem.repairs[job.repair].id, job.step.id) for job in model.jobs]
        hint = None
        if self.from_ms:
            hint = [int(model.time.at_or_after(self.from_ms[key])) for key in keys]
        starts = greedy(model, SEED, PASSES, hint)
        if installed():
            starts = solve(model, starts, SEED, LIMIT_S).starts
        return dict(zip(keys, model.time.ms(starts).tolist(), strict=True))

    def problem(self, bench: Bench) -> Problem:
        """The problem as the plan sees it now."""
        repairs = []
        for one in bench.shop.problem.repairs:
            steps = tuple(self._seen(bench, (one.id, step.id), step) for step in one.steps)
            repairs.append(replace(one, steps=steps, promised_ms=self.promised.get(one.id)))
        shop = bench.shop.problem
        ahead = tuple(span for span in shop.open if span[1] > bench.now_ms)
        return replace(shop, now_ms=bench.now_ms, open=ahead, repairs=tuple(repairs))

    def _seen(self, bench: Bench, key: Key, step: StepToPlan) -> StepToPlan:
        begun, now_ms, kind = bench.begun.get(key), bench.now_ms, bench.shop.kinds[key]
        if begun is None:
            if not kind:
                return step
            wait, load = (self.believed.coming(kind, part) for part in (False, True))
            return replace(step, wait=wait, load=load if step.load is not None else None)
        if max(begun.worked_ms, begun.load_ms) <= now_ms:
            return replace(step, done=True)
        until_ms = begun.since_ms + round(1000 * step.hands_on.usual)
        until_ms = max(until_ms, now_ms + TICK_MS) if begun.worked_ms > now_ms else begun.worked_ms
        off = load = None
        if kind:
            off, load = (
                self.believed.running(kind, part, until_ms, now_ms) for part in (False, True)
            )
            load = load if step.load is not None else None
        if begun.off_ms <= now_ms:  # released
            off = TimeRange(*[begun.off_ms] * 3)
        elif off is None:
            off = TimeRange(*[until_ms] * 3)
        run = RunningStep(since_ms=begun.since_ms, hands_until_ms=until_ms, off=off, ready=load)
        return replace(step, running=run)
