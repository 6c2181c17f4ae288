"""A small shop worked through in its true air; `bench_plan.py` does so with many."""

from __future__ import annotations

import made_repair_shops as made
import numpy as np
import pytest
from made_repair_shops import ByPlan, TrueAir, first_come, made_shop, worked
from planned_shop import HOUR_MS, NOW_MS


def damp_nights(hours):
    """Air that is damp by night and dry by day. [°C], [%]"""
    phase = 2 * np.pi * np.asarray(hours) / 24
    return 19 + np.cos(phase), 52 - 10 * np.cos(phase)


@pytest.mark.slow
def test_work_by_the_plan_keeps_orders_and_hands_all_instruments_out(monkeypatch):
    monkeypatch.setattr(made, "REPAIRS", (2, 3))
    read = np.arange(-28 * 6 * 24, 98 * 6 * 24) / 6
    air = TrueAir(
        *damp_nights(np.arange(24 * 98)),
        NOW_MS + np.round(read * HOUR_MS).astype(np.int64),
        *damp_nights(read),
    )
    shop = made_shop(1, air)
    by_plan, by_arrival = (worked(shop, choose) for choose in (ByPlan(), first_come))
    assert by_plan.keys() == by_arrival.keys() == {r.id for r in shop.problem.repairs}
    longest_ms = max(max(by_plan.values()), max(by_arrival.values())) - NOW_MS
    assert sum(by_plan.values()) <= sum(by_arrival.values()) + 0.1 * len(by_plan) * longest_ms
