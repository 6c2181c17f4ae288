"""A plan by serial schedule generation: each step at its first time in an order of priority.

Orders are tried by several rules, then changed at random where that makes the plan better. It is the
first plan that the solver improves, and the plan where the solver is not installed.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from monitor.planning.model import LATE_FACTOR, PEOPLE, Job, Model
from monitor.planning.open_time import Ticks
from monitor.science.ranges import Floats

HOUR_MS = 3_600_000

Starts = list[int]
"""Start tick by job; the number of ticks for one that finds no time."""


def greedy(model: Model, seed: int, passes: int, hint: Starts | None = None) -> Starts:
    """The best plan of a number of orders. The same seed gives the same plan.

    Parameters
    ----------
    passes : int
        Orders that are tried, from 1.
    hint : list of int, optional
        Starts of an earlier plan, whose order is tried too.
    """
    jobs = model.jobs
    if not jobs:
        return []
    random = np.random.default_rng(seed)
    orders = [in_order(model, key) for key in _keys(model)]
    if hint is not None:
        orders.append(in_order(model, lambda j: float(hint[j])))
    tried = [(cost(model, starts := place(model, order)), starts, order) for order in orders]
    best_cost, best, order = min(tried, key=lambda one: one[0])
    for _ in range(max(passes - len(orders), 0)):
        changed = _changed(model, order, random)
        starts = place(model, changed)
        if (found := cost(model, starts)) <= best_cost:
            best_cost, best, order = found, starts, changed
    return best


def place(model: Model, order: Sequence[int]) -> Starts:
    """Start of each job, placed one after another at the first time that is free."""
    count = len(model.time)
    capacity = model.capacity()
    used = {name: np.zeros(count + 1, np.int32) for name in capacity}
    for held in model.held:
        used[held.name][: held.until] += held.count
    starts = [count] * len(model.jobs)
    for number in order:
        job = model.jobs[number]
        off = (_at(model.jobs[b].off, starts[b], count) for b in job.after_off)
        ready = (_at(model.jobs[b].ready, starts[b], count) for b in job.after_ready)
        start = _first_free(job, max([job.earliest, *off, *ready]), used, capacity, count)
        starts[number] = start
        if start >= count:
            continue
        used[PEOPLE][start : start + job.hands] += job.step.people
        for name, needed in job.needs.items():
            used[name][start : job.off[start]] += needed
    return starts


def cost(model: Model, starts: Sequence[int]) -> float:
    """Weighted sum of the times until the repairs are ready and of what they miss. [h]"""
    return cost_of_ready(model, ready_ticks(model, starts))


def ready_ticks(model: Model, starts: Sequence[int]) -> list[int]:
    """Tick at which each repair is ready."""
    ready = list(model.floor)
    count = len(model.time)
    for job, start in zip(model.jobs, starts, strict=True):
        ready[job.repair] = max(ready[job.repair], _at(job.ready, start, count))
    return ready


def cost_of_ready(model: Model, ready: Sequence[int]) -> float:
    """Objective of repairs that are ready at ticks. [h]"""
    return sum(float(repair_cost(model, r, np.int64(at))) for r, at in enumerate(ready))


def repair_cost(model: Model, number: int, ready: ArrayLike) -> Floats:
    """Part of a repair in the objective, if it is ready at ticks. [h]"""
    at_ms, due_ms = model.time.ms(ready), model.due[number]
    late_ms = np.maximum(at_ms - due_ms, 0) if due_ms is not None else 0
    took_ms = at_ms - model.problem.now_ms + LATE_FACTOR * late_ms
    return model.problem.repairs[number].weight * took_ms / HOUR_MS


def _at(ends: Ticks, start: int, count: int) -> int:
    return int(ends[start]) if start < count else count


def _first_free(
    job: Job, first: int, used: dict[str, np.ndarray], capacity: dict[str, int], count: int
) -> int:
    """First tick from which people, clamps and places are free for as long as it takes."""
    at = int(np.searchsorted(job.starts, first))
    while at < len(job.starts):
        start = int(job.starts[at])
        blocked = -1
        spans = [(PEOPLE, job.step.people, start + job.hands)]
        spans += [(name, needed, int(job.off[start])) for name, needed in job.needs.items()]
        for name, needed, end in spans:
            busy = np.flatnonzero(used[name][start:end] > capacity[name] - needed)
            if len(busy):
                blocked = max(blocked, start + int(busy[-1]))
        if blocked < 0:
            return start
        at = int(np.searchsorted(job.starts, blocked + 1))
    return count


def in_order(model: Model, key: Callable[[int], float]) -> list[int]:
    """Jobs by a key, the least first, each after those that it must follow."""
    follows: list[list[int]] = [[] for _ in model.jobs]
    missing = [len(job.before) for job in model.jobs]
    for number, job in enumerate(model.jobs):
        for before in job.before:
            follows[before].append(number)
    heap = [(key(n), n) for n, count in enumerate(missing) if not count]
    heapq.heapify(heap)
    order = []
    while heap:
        _, number = heapq.heappop(heap)
        order.append(number)
        for after in follows[number]:
            missing[after] -= 1
            if not missing[after]:
                heapq.heappush(heap, (key(after), after))
    return order


def tails(model: Model) -> list[float]:
    """Longest way from the start of each job to the end of its repair, without others. [h]"""
    count = len(model.time)
    found = [0.0] * len(model.jobs)
    own = []
    for job in model.jobs:
        start = int(job.starts[0]) if len(job.starts) else count
        begin_ms, end_ms = model.time.ms([start, job.ready[start]]).tolist()
        own.append((end_ms - begin_ms) / HOUR_MS)
    after = [0.0] * len(model.jobs)
    for number in reversed(range(len(model.jobs))):
        found[number] = own[number] + after[number]
        for before in model.jobs[number].before:
            after[before] = max(after[before], found[number])
    return found


def _keys(model: Model) -> list[Callable[[int], float]]:
    """Priorities: shortest repair first, longest way first, least slack first, as they came."""
    tail = tails(model)
    jobs, repairs = model.jobs, model.problem.repairs
    length = [0.0] * len(repairs)
    hands = [0.0] * len(repairs)
    for job, way in zip(jobs, tail, strict=True):
        length[job.repair] = max(length[job.repair], way)
        hands[job.repair] += job.hands * job.step.people
    wanted = [
        min(length[r], (due - model.problem.now_ms) / HOUR_MS if due is not None else np.inf)
        for r, due in enumerate(model.due)
    ]
    fixed = [-1e6 if job.step.fixed_ms is not None else 0.0 for job in jobs]
    weight = [repair.weight for repair in repairs]

    def by(of: Callable[[int], float]) -> Callable[[int], float]:
        return lambda j: of(j) + fixed[j]

    return [
        by(lambda j: 1e3 * length[jobs[j].repair] / weight[jobs[j].repair] - tail[j]),
        by(lambda j: 1e3 * hands[jobs[j].repair] / weight[jobs[j].repair] - tail[j]),
        by(lambda j: -tail[j]),
        by(lambda j: wanted[jobs[j].repair] - tail[j]),
        by(lambda j: 1e3 * wanted[jobs[j].repair] - tail[j]),
        by(lambda j: float(j)),
    ]


def _changed(model: Model, order: list[int], random: np.random.Generator) -> list[int]:
    """An order with a job, or all jobs of a repair, moved to another position."""
    rank = np.empty(len(order))
    rank[order] = np.arange(len(order))
    jobs = model.jobs
    one = int(random.integers(len(order)))
    shift = float(random.normal(0.0, 1 + len(order) / 6))
    if random.random() < 0.3:
        shift = float(random.normal(0.0, 1 + len(order) / 3))
        for number, job in enumerate(jobs):
            rank[number] += shift if job.repair == jobs[one].repair else 0.0
    else:
        rank[one] += shift
        if shift < 0:  # those before it come along
            _pull(model, one, rank)
    return in_order(model, lambda j: float(rank[j]))


def _pull(model: Model, number: int, rank: np.ndarray) -> None:
    for before in model.jobs[number].before:
        if rank[before] >= rank[number]:
            rank[before] = rank[number] - 0.01
            _pull(model, before, rank)
