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
from planned_shop import DAY_MS, HOUR_MS, MONDAY_MS, NOW_MS, weekdays
from rooms.catalogue import HOURS, spec_of, weather_of
from rooms.shops import simulate
from rooms.weather import Weather
from scenes.joints import JointLaw, rate

from monitor.domain.wait_types import KINDS
from monitor.planning.greedy import greedy
from monitor.planning.inputs import waits_in_air
from monitor.planning.model import build
from monitor.planning.planner import SEED
from monitor.planning.problem import TICK_MS, Problem, Running, Step, TimeRange, WaitTimes
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
Key = tuple[str, str]


class TrueAir(NamedTuple):
    """True air of a shop: temperature [°C] and RH [%] by the hour from `NOW_MS` on, and its readings."""

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
        read_ms = NOW_MS + (ts_ms[:now] - ts_ms[now])
        found.append(TrueAir(*by_hour, read_ms, temp[:now, r], rh[:now, r]))
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
        kind_id = self.kinds[key]
        if not kind_id:
            return worked_ms, worked_ms
        kind = KINDS[kind_id]
        off, load = (
            self._dried_ms(kind, basis_s, factor, worked_ms)
            for basis_s, factor in zip((kind.basis_s, kind.load_s), self.factor[key], strict=True)
        )
        return off, max(off, load)

    def _dried_ms(self, kind, basis_s, factor, from_ms) -> int:
        if not basis_s:
            return from_ms
        if isinstance(kind.law, RestLaw | FixedLaw):
            return from_ms + round(1000 * max(factor * basis_s, basis_s))
        done_h = np.concatenate(
            [[0.0], np.cumsum(rate(self.law, self.air.temp_c, self.air.rh_pct))]
        )
        at = np.arange(len(done_h))
        begin = np.interp((from_ms - NOW_MS) / HOUR_MS, at, done_h)
        needed_h = basis_s / 3600 * factor
        end_h = float(np.interp(begin + needed_h, done_h, at))
        # Clamps are not taken off before the usual time, whatever the joint is like.
        return max(NOW_MS + round(end_h * HOUR_MS), from_ms + round(1000 * basis_s))


def made_shop(number: int, air: TrueAir) -> MadeShop:
    """A shop by number: one or two people, each with usual repairs to do."""
    random = np.random.default_rng((number, 19))
    waits = believed_waits(air)
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


def _kind_of(step: Step) -> str:
    return _KINDS[step.name]


def believed_waits(air: TrueAir):
    """Waits by their start as the product calculates them from the readings before now."""
    log = air_log(air.read_ms, air.read_temp_c, air.read_rh_pct, NOW_MS)
    ahead = daily_pattern_ensemble(
        air.read_ms, air.read_temp_c, air.read_rh_pct, NOW_MS, 21 * 86_400.0, 50, 1, step_s=3600
    )
    days = (MONDAY_MS + day * DAY_MS for day in (0, 1, 2, 3, 4))
    start_ms = np.array([day + hour * HOUR_MS for day in days for hour in (9, 11, 13, 15, 17)])
    known: dict[str, tuple[WaitTimes, WaitTimes | None]] = {}

    def waits(kind_id: str, load: bool) -> WaitTimes | None:
        if kind_id not in known:
            kind = KINDS[kind_id]
            known[kind_id] = waits_in_air(kind, start_ms, log, ahead, SensorUncertainty(), 50)
        return known[kind_id][load]

    return waits


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

    def _may(self, key: Key, step: Step) -> bool:
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
    """What the plan has next, planned again each morning and noon."""

    def __init__(self, promised: dict[str, int] | None = None) -> None:
        self.promised = promised or {}
        self.from_ms: dict[Key, int] = {}
        self.next_ms = 0

    def __call__(self, bench: Bench, may: list[Key], closes_ms: int) -> Key | None:
        if bench.now_ms >= self.next_ms:
            self.from_ms = self._planned(self.problem(bench))
            self.next_ms = bench.now_ms + 6 * HOUR_MS
        return min(may, key=lambda key: self.from_ms.get(key, closes_ms))

    def _planned(self, problem: Problem) -> dict[Key, int]:
        model = build(problem)
        starts = greedy(model, SEED, PASSES)
        from_ms = model.time.ms(starts).tolist()
        return {
            (problem.repairs[job.repair].id, job.step.id): at
            for job, at in zip(model.jobs, from_ms, strict=True)
        }

    def problem(self, bench: Bench) -> Problem:
        """The problem as the plan sees it now."""
        repairs = []
        for one in bench.shop.problem.repairs:
            steps = tuple(self._seen(bench, (one.id, step.id), step) for step in one.steps)
            repairs.append(replace(one, steps=steps, promised_ms=self.promised.get(one.id)))
        shop = bench.shop.problem
        ahead = tuple(span for span in shop.open if span[1] > bench.now_ms)
        return replace(shop, now_ms=bench.now_ms, open=ahead, repairs=tuple(repairs))

    def _seen(self, bench: Bench, key: Key, step: Step) -> Step:
        begun, now_ms = bench.begun.get(key), bench.now_ms
        if begun is None:
            return step
        if max(begun.worked_ms, begun.load_ms) <= now_ms:
            return replace(step, done=True)
        until_ms = begun.since_ms + round(1000 * step.hands_on.usual)
        until_ms = max(until_ms, now_ms + TICK_MS) if begun.worked_ms > now_ms else begun.worked_ms
        off = believed(step.wait, until_ms, now_ms)
        if begun.off_ms <= now_ms:  # released
            off = TimeRange(begun.off_ms, begun.off_ms, begun.off_ms)
        load = believed(step.load, until_ms, now_ms) if step.load else None
        run = Running(since_ms=begun.since_ms, hands_until_ms=until_ms, off=off, ready=load)
        return replace(step, running=run)


def believed(wait: WaitTimes | None, worked_ms: int, now_ms: int) -> TimeRange:
    """Range of a running wait, by what is known: it is not over yet."""
    if wait is None:
        return TimeRange(*[max(worked_ms, now_ms)] * 3)
    column = wait.seconds[
        :, min(np.searchsorted(wait.start_ms, worked_ms), len(wait.start_ms) - 1)
    ]
    pieces = np.exp(wait.spread * np.array([-1.65, -1.0, -0.5, 0.0, 0.5, 1.0, 1.65]))
    ends = worked_ms + 1000 * np.maximum(np.outer(column, pieces), wait.minimum_s)
    ends = np.minimum(ends, now_ms + 30 * DAY_MS).ravel()
    left = ends[ends > now_ms]
    found = np.quantile(left, (0.1, 0.5, 0.9)) if len(left) else [now_ms + 2 * HOUR_MS] * 3
    return TimeRange(*(round(v) for v in found))
