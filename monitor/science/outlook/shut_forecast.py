"""Learning and forecasting with unannounced shut days.

A forecast from a moment at which the shop may be shut is run once for each number of shut days that
may come, and each has its part of the members.
"""

from __future__ import annotations

import numpy as np

from monitor.science.outlook import shop_model, verification
from monitor.science.outlook.hourly_log import LEADS_H, STEPS, Issues
from monitor.science.outlook.room_model import PreparedLog
from monitor.science.outlook.shop_model import HoursAhead, ShopModel
from monitor.science.outlook.shut_days import (
    DOUBT,
    ShutOutlook,
    day_misfits,
    shut_outlook,
    supposed,
)
from monitor.science.ranges import Floats


def learn(k: PreparedLog, issues: Issues, stop: int, before: ShopModel | None = None) -> ShopModel:
    """Learn as `shop_model.learn` does, with the days seen as shut as closed days.

    Raises
    ------
    OutOfRange
        If the log is shorter than four days.
    """
    if before is None:
        before = shop_model.learn(k, issues, stop)
        if not len(seen_by(before, k, [stop])[0].seen):
            return before
    return shop_model.learn(supposed(k, seen_by(before, k, [stop])[0], 0), issues, stop, before)


def seen_by(shop: ShopModel, k: PreparedLog, ends: list[int]) -> list[ShutOutlook]:
    """Shut days by the readings up to each of the hours number `ends`, rising."""
    misfits = day_misfits(shop.room, k, ends[-1])
    return [shut_outlook(shop.room, k, misfits, end, STEPS) for end in ends]


def predict(
    shop: ShopModel,
    k: PreparedLog,
    issues: Issues,
    ends: np.ndarray,
    members: int,
    seed: int,
    trust: verification.Trust = verification.UNTRIED,
    shuts: list[ShutOutlook] | None = None,
) -> HoursAhead:
    """Forecast as `shop_model.predict` does, with members for an open shop and for a shut one.

    `shuts`: what `seen_by` saw at `ends`, if it was asked already.
    """
    shuts = shuts or seen_by(shop, k, ends.tolist())
    plans = [_plan(shut) for shut in shuts]
    groups: dict[tuple[int, ...], list[tuple[int, int]]] = {}
    for i, (shut, plan) in enumerate(zip(shuts, plans, strict=True)):
        for count in plan:
            days = (*shut.seen.tolist(), *shut.days[:count].tolist())
            groups.setdefault(days, []).append((i, count))
    found: dict[tuple[int, int], HoursAhead] = {}
    for one in groups.values():
        some = np.array([i for i, _ in one])
        known = supposed(k, shuts[one[0][0]], one[0][1])
        seen = shop_model.predict(shop, known, issues, ends[some], members, seed, trust)
        for n, key in enumerate(one):
            found[key] = HoursAhead(*(field[..., n] for field in seen))
    wider = np.stack([np.interp(np.arange(1, STEPS + 1), LEADS_H, w) for w in trust.widths])
    mixed = [
        _mixed([found[i, count] for count in plan], list(plan.values()), wider, (seed, 3, i))
        for i, plan in enumerate(plans)
    ]
    return HoursAhead(*(np.stack(column, axis=-1) for column in zip(*mixed, strict=True)))


def _plan(shut: ShutOutlook) -> dict[int, float]:
    """Weights of the numbers of shut days that are run."""
    if shut.now < DOUBT:
        return {0: 1.0}
    kept = {n: float(p) for n, p in enumerate(shut.chance) if p >= DOUBT}
    return {n: p / sum(kept.values()) for n, p in kept.items()}


def _mixed(
    runs: list[HoursAhead], weights: list[float], wider: Floats, seed: tuple[int, ...]
) -> HoursAhead:
    """Mixture of the runs of one moment, each with its weight's part of the members."""
    if len(runs) == 1:
        return runs[0]
    pairs = runs[0].members.shape[1] // 2
    edges = np.round(np.cumsum([0.0, *weights]) * pairs).astype(int)
    deal = np.random.default_rng(seed).permutation(pairs)
    members = np.concatenate(
        [
            run.members[:, np.concatenate([mine, mine + pairs])]
            for run, a, b in zip(runs, edges[:-1], edges[1:], strict=True)
            for mine in [deal[a:b]]
        ],
        axis=1,
    )
    low, high = np.quantile(members, [0.1, 0.9], axis=1)
    fitted, given = (
        np.tensordot(weights, np.stack([getattr(run, name) for run in runs]), 1)
        for name in ("fitted", "given")
    )
    return HoursAhead(fitted, given, runs[0].plainer, members, (high - low) / 2 / wider)
