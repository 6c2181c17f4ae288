"""The plan by constraint programming: OR-Tools CP-SAT, an optional extra (`planner`).

Times are ticks of open time. When others may follow a step is a function of its start that is flat
or rises with it, piece by piece: a wait over the night ends when the shop opens, however late it
began. Each repair is first planned alone, as if the shop had no other: that bounds it from below.
"""

from __future__ import annotations

import importlib.util
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from monitor.planning.greedy import (
    HOUR_MS,
    Starts,
    cost,
    cost_of_ready,
    in_order,
    place,
    ready_ticks,
    repair_cost,
)
from monitor.planning.model import LATE_FACTOR, PEOPLE, Model
from monitor.planning.open_time import Ticks
from monitor.planning.problem import TICK_MS

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import IntVar

SCALE = 100
"""Weights are whole hundredths. [-]"""
ALONE_SHARE = 0.05
"""Share of the limit that planning one repair alone may take. [-]  Ours."""
GUARD = 10.0
"""The clock stops a search after so many times its limit: a slow machine. [-]  Ours."""


class Solved(NamedTuple):
    """Starts by job, their objective [h] and a proved lower bound of it. [h]"""

    starts: Starts
    objective_h: float
    bound_h: float


class StartSpan(NamedTuple):
    """Starts from `first` to `last` with one result: `value`, or `value` after the start."""

    first: int
    last: int
    rises: bool
    value: int


def installed() -> bool:
    """True if the solver is there."""
    return importlib.util.find_spec("ortools") is not None


def solve(model: Model, first: Starts, seed: int, limit_s: float) -> Solved:
    """The best plan that is found, beginning with another. The same seed gives the same plan.

    Parameters
    ----------
    first : list of int
        Start tick by job of the first plan.
    limit_s : float
        Deterministic time, about seconds of one core. [s]
    """
    placed = [n for n, start in enumerate(first) if start < len(model.time)]
    best = Solved(first, cost(model, first), 0.0)
    ready = ready_ticks(model, first)
    least, left_s = list(model.floor), limit_s
    several = len({model.jobs[n].repair for n in placed}) > 1
    for number in range(len(least)):
        own = [n for n in placed if model.jobs[n].repair == number]
        if own and several:
            alone = _Search(model, first, own, {number: model.floor[number]})
            alone.run(seed, ALONE_SHARE * limit_s)
            left_s -= alone.took_s
            least[number] = alone.ready_bound(number)
        if len(own) < sum(job.repair == number for job in model.jobs):
            least[number] = ready[number]  # a step found no time: it stays without
    bound_h = cost_of_ready(model, least)
    if placed and best.objective_h > bound_h + 1e-9:
        whole = _Search(model, first, placed, dict(enumerate(least)))
        starts = whole.run(seed, max(left_s, ALONE_SHARE * limit_s))
        earlier = place(model, in_order(model, lambda j: float(starts[j])))
        for found in (earlier, starts):  # of equal plans the earlier: it has room for delays
            if (objective_h := cost(model, found)) < best.objective_h:
                best = Solved(found, objective_h, 0.0)
        bound_h = max(bound_h, whole.bound_h)
    return best._replace(bound_h=min(bound_h, best.objective_h))


class _Search:
    """Search for a plan of some jobs, beginning with another plan.

    `least`: tick before which a repair cannot be ready, by repair.
    """

    def __init__(
        self, model: Model, first: Starts, jobs: list[int], least: dict[int, int]
    ) -> None:
        from ortools.sat.python import cp_model

        self.model, self.first, self.jobs, self.least = model, first, jobs, least
        self.library = cp_model
        self.cp = cp_model.CpModel()
        self.bound_h = self.took_s = 0.0
        self.offset_h = 0.0
        ready = ready_ticks(model, first)
        self.ready = {r: ready[r] for r in least}
        self.latest = self._latest_ready()
        self.begin: dict[int, IntVar] = {}
        self.ready_at: dict[int, Any] = {}
        self.off: dict[int, Any] = {}
        self.capacity = {
            name: count
            for name, count in model.capacity().items()
            if name == PEOPLE or self._scarce(name, count)
        }
        self._add_jobs()
        self._add_resources()
        self._add_objective()

    def run(self, seed: int, limit_s: float) -> Starts:
        """The best starts found; those of the first plan for other jobs, or if none is found."""
        solver = self.library.CpSolver()
        parameters = solver.parameters
        parameters.random_seed = seed % 2**31
        parameters.num_workers = 1  # the same plan on any machine
        parameters.linearization_level = 0
        parameters.cp_model_probing_level = 0
        parameters.max_deterministic_time = limit_s
        parameters.max_time_in_seconds = GUARD * limit_s
        state = solver.solve(self.cp)
        self.took_s = solver.response_proto.deterministic_time
        self.bound_h = solver.best_objective_bound * TICK_MS / HOUR_MS / SCALE
        starts = list(self.first)
        if state in (self.library.OPTIMAL, self.library.FEASIBLE):
            for number, var in self.begin.items():
                starts[number] = solver.value(var)
        return starts

    def ready_bound(self, number: int) -> int:
        """First tick at which a repair can be ready, if this was a search of it alone."""
        costs = repair_cost(self.model, number, np.arange(len(self.model.time) + 1))
        return int(np.searchsorted(costs, self.bound_h - 1e-6))

    def _latest_ready(self) -> dict[int, int]:
        """Latest tick at which each repair is ready in a plan no worse than the first."""
        ticks = np.arange(len(self.model.time) + 1)
        costs = {r: repair_cost(self.model, r, ticks) for r in self.least}
        room_h = sum(costs[r][self.ready[r]] - costs[r][low] for r, low in self.least.items())
        return {
            r: int(np.searchsorted(costs[r], costs[r][low] + room_h + 1e-6, side="right")) - 1
            for r, low in self.least.items()
        }

    def _scarce(self, name: str, count: int) -> bool:
        wanted = sum(self.model.jobs[n].needs.get(name, 0) for n in self.jobs)
        return wanted + sum(h.count for h in self.model.held if h.name == name) > count

    def _add_jobs(self) -> None:
        windows = self._windows()
        for number in self.jobs:
            job = self.model.jobs[number]
            starts = windows[number]
            start = self.cp.new_int_var_from_domain(
                self.library.Domain.from_values(starts.tolist()), ""
            )
            hint = self.first[number]
            self.cp.add_hint(start, hint)
            self.begin[number] = start
            self.ready_at[number] = self._function(start, starts, job.ready[starts], hint)
            self.off[number] = self.ready_at[number]
            if job.step.load is not None:
                self.off[number] = self._function(start, starts, job.off[starts], hint)
            for before in job.after_off:
                self.cp.add(start >= self.off[before])
            for before in job.after_ready:
                self.cp.add(start >= self.ready_at[before])

    def _windows(self) -> dict[int, Ticks]:
        """Starts of each job that a plan no worse than the first may have."""
        jobs, most = self.model.jobs, len(self.model.time)
        last_off, last = dict[int, int](), dict[int, int]()
        for number in reversed(self.jobs):
            job = jobs[number]
            may = job.starts[
                job.ready[job.starts] <= min(last.get(number, most), self.latest[job.repair])
            ]
            may = may[job.off[may] <= last_off.get(number, most)]
            if job.step.fixed_ms is not None:
                may = may[may <= self.first[number]]
            for before, ends in ((job.after_off, last_off), (job.after_ready, last)):
                ends.update({b: min(ends.get(b, most), int(may[-1])) for b in before})
            last[number] = int(may[-1])
        found: dict[int, Ticks] = {}
        for number in self.jobs:
            job = jobs[number]
            off = (int(jobs[b].off[found[b][0]]) for b in job.after_off)
            ready = (int(jobs[b].ready[found[b][0]]) for b in job.after_ready)
            first = max([0, *off, *ready])
            found[number] = job.starts[(job.starts >= first) & (job.starts <= last[number])]
        return found

    def _function(self, var: IntVar, at: Ticks, values: Ticks, hint: int) -> Any:
        """Variable, or expression, that is a function of another: `values` at its values `at`."""
        parts = pieces(at, values)
        results = [var + one.value if one.rises else one.value for one in parts]
        if len(parts) == 1:
            return results[0]
        value = self.cp.new_int_var(int(values[0]), int(values[-1]), "")
        self.cp.add_hint(value, int(values[np.searchsorted(at, hint)]))
        chosen = [self.cp.new_bool_var("") for _ in parts]
        self.cp.add_exactly_one(chosen)
        for one, expected, true in zip(parts, results, chosen, strict=True):
            self.cp.add_hint(true, one.first <= hint <= one.last)
            self.cp.add_linear_constraint(var, one.first, one.last).only_enforce_if(true)
            self.cp.add(value == expected).only_enforce_if(true)
        return value

    def _add_resources(self) -> None:
        for name, capacity in self.capacity.items():
            intervals, demands = [], []
            for number in self.jobs:
                job = self.model.jobs[number]
                start = self.begin[number]
                if name == PEOPLE:
                    count = job.step.people if job.hands else 0
                    end, size = start + job.hands, job.hands
                else:
                    count, end = job.needs.get(name, 0), self.off[number]
                    size = end - start
                if count:
                    if not isinstance(size, int):
                        span = self._windows_span(number)
                        length = self.cp.new_int_var(*span, "")
                        self.cp.add(length == size)
                        hint = self.first[number]
                        self.cp.add_hint(length, int(job.off[hint]) - hint)
                        size = length
                    intervals.append(self.cp.new_interval_var(start, size, end, ""))
                    demands.append(count)
            for held in self.model.held:
                if held.name == name and held.until > 0:
                    intervals.append(self.cp.new_fixed_size_interval_var(0, held.until, ""))
                    demands.append(held.count)
            if sum(demands) > capacity:
                self.cp.add_cumulative(intervals, demands, capacity)

    def _windows_span(self, number: int) -> tuple[int, int]:
        job = self.model.jobs[number]
        lengths = job.off[job.starts] - job.starts
        return int(lengths.min()), int(
            max(lengths.max(), (job.ready[job.starts] - job.starts).max())
        )

    def _add_objective(self) -> None:
        model = self.model
        terms: list[Any] = []
        for r, low in self.least.items():
            at = np.arange(low, self.latest[r] + 1)
            taken = (model.time.ms(at) - model.problem.now_ms) // TICK_MS
            ready = self.cp.new_int_var(low, self.latest[r], "")
            self.cp.add_hint(ready, self.ready[r])
            for number in self.jobs:
                if model.jobs[number].repair == r:
                    self.cp.add(ready >= self.ready_at[number])
            when = self._function(ready, at, taken, self.ready[r])
            weight = max(int(SCALE * model.problem.repairs[r].weight), 1)
            terms.append(weight * when)
            due_ms = model.due[r]
            if due_ms is not None:
                due = -((model.problem.now_ms - due_ms) // TICK_MS)
                late = self.cp.new_int_var(0, max(int(taken[-1]) - due, 0), "")
                self.cp.add(late >= when - due)
                self.cp.add_hint(late, max(int(taken[self.ready[r] - low]) - due, 0))
                terms.append(round(LATE_FACTOR * weight) * late)
        self.cp.minimize(sum(terms))


def pieces(at: Ticks, values: Ticks) -> list[StartSpan]:
    """A function in as few pieces as a walk along it finds, each flat or rising with its argument.

    >>> pieces(np.array([0, 1, 2, 3]), np.array([4, 5, 6, 6]))
    [StartSpan(first=0, last=2, rises=True, value=4), StartSpan(first=3, last=3, rises=False, value=6)]
    """
    found, begin = [], 0
    after = values - at
    flat_ends, rise_ends = _run_ends(values), _run_ends(after)
    while begin < len(at):
        rises = rise_ends[begin] > flat_ends[begin]
        end = int(rise_ends[begin] if rises else flat_ends[begin])
        value = int(after[begin] if rises else values[begin])
        found.append(StartSpan(int(at[begin]), int(at[end]), bool(rises), value))
        begin = end + 1
    return found


def _run_ends(values: Ticks) -> Ticks:
    """Last position of the run of equal values that each is in."""
    ends = np.append(np.flatnonzero(np.diff(values)), len(values) - 1)
    return ends[np.searchsorted(ends, np.arange(len(values)))]
