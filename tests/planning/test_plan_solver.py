"""The solver proves what can be proved, and its plans keep the same rules."""

from __future__ import annotations

import numpy as np
import pytest
from planned_repairs import USUAL, five_large, made, one_large, waits_in_made_air
from planned_shop import problem
from psplib import INSTANCES, TICKS_PER_H, as_problem

from monitor.planning import planner, solver
from monitor.planning.greedy import cost, greedy, in_order, place
from monitor.planning.model import build

pytest.importorskip("ortools")


@pytest.mark.slow
@pytest.mark.parametrize("name", INSTANCES)
def test_published_problems_are_solved_to_their_proved_optimum(name):
    """Source: PSPLIB, set J30; see data/SOURCES.md. Exact."""
    optimum = INSTANCES[name]["optimum"]
    model = build(as_problem(INSTANCES[name]))
    first = greedy(model, 1, planner.PASSES)
    assert cost(model, first) * TICKS_PER_H <= 1.15 * optimum
    found = solver.solve(model, first, 1, 60)
    assert found.objective_h * TICKS_PER_H == pytest.approx(optimum)
    assert found.bound_h * TICKS_PER_H == pytest.approx(optimum)


def test_one_repair_of_25_steps_is_proved_optimal():
    problem = one_large()
    assert len(problem.repairs[0].steps) == 25
    assert planner.plan(problem, limit_s=2).proved


def test_of_equal_plans_the_solver_gives_the_earlier():
    random = np.random.default_rng(4)
    waits = waits_in_made_air(random, members=5, days=30)
    repairs = tuple(made(n, USUAL[n], waits, random) for n in ("open seams", "bushing", "retouch"))
    model = build(problem(*repairs))
    first = place(model, range(len(model.jobs)))
    found = solver.solve(model, first, 1, 1)
    assert found.objective_h < cost(model, first)
    order = in_order(model, lambda job: float(found.starts[job]))
    assert place(model, order) == found.starts


@pytest.mark.slow
def test_five_large_repairs_are_planned_within_3_percent_of_the_best():
    model = build(five_large(2))
    first = greedy(model, 1, planner.PASSES)
    found = solver.solve(model, first, 1, 10)
    assert found.objective_h - found.bound_h <= 0.03 * found.objective_h


def test_without_the_solver_the_plan_is_by_rules(monkeypatch):
    monkeypatch.setattr(planner, "installed", lambda: False)
    found = planner.plan(one_large(), limit_s=0.5)
    assert found.solver == "greedy"
    assert all(r.ready is not None for r in found.repairs)
