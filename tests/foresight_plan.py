"""The least mean time to hand-out of a made shop, if somebody knew the truth from the first day."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import patch

import numpy as np
from made_repair_shops import HOUR_MS, NOW_MS, MadeShop, first_come, worked

from monitor.planning import model as planning_model
from monitor.planning import solver
from monitor.planning.greedy import greedy
from monitor.planning.model import build
from monitor.planning.planner import PASSES, SEED
from monitor.planning.problem import TICK_MS, Problem, Seconds, StepToPlan, WaitTimes

KNOWN_MS = NOW_MS + np.arange(24 * 90) * HOUR_MS


def alone_ms(shop: MadeShop) -> float:
    """Mean of when the repairs are ready, each as if the shop had no other, and hands for all. [ms]"""
    ready = []
    for one in shop.problem.repairs:
        stock = dict.fromkeys(shop.problem.stock, 99)
        problem = replace(shop.problem, repairs=(one,), people=9, stock=stock)
        ready += worked(replace(shop, problem=problem), first_come).values()
    return float(np.mean(ready))


def foreseen_ms(shop: MadeShop, limit_s: float) -> tuple[float, float]:
    """Mean of when the repairs are ready in the best plan that knows the truth, and its bound. [ms]

    Nobody who chooses by any rule can be faster than the bound: the work that is slower than usual
    counts as usual, for it may end after closing, and waits count a tick less than they last.
    """
    with patch.object(planning_model, "ROUND_SHARE", 1e-9):
        model = build(_true_problem(shop))
    found = solver.solve(model, greedy(model, SEED, PASSES), SEED, limit_s)
    mean_h = (found.objective_h / len(model.due), found.bound_h / len(model.due))
    return NOW_MS + mean_h[0] * HOUR_MS, NOW_MS + mean_h[1] * HOUR_MS


def _true_problem(shop: MadeShop) -> Problem:
    repairs = tuple(
        replace(one, steps=tuple(_true_step(shop, (one.id, step.id), step) for step in one.steps))
        for one in shop.problem.repairs
    )
    return replace(shop.problem, repairs=repairs)


def _true_step(shop: MadeShop, key: tuple[str, str], step: StepToPlan) -> StepToPlan:
    usual_s = min(shop.hands_s[key], step.hands_on.usual)
    slower_ms = round(1000 * (shop.hands_s[key] - usual_s))
    off_ms, load_ms = shop.all_ends_ms(key, KNOWN_MS + slower_ms)
    waits = [
        WaitTimes(
            start_ms=KNOWN_MS, seconds=np.maximum(ends_ms - KNOWN_MS - TICK_MS, 0)[None, :] / 1000
        )
        for ends_ms in (off_ms, load_ms)
    ]
    hands = Seconds(usual_s, usual_s, usual_s)
    load = waits[1] if step.load is not None else None
    return replace(step, hands_on=hands, wait=waits[0], load=load)
