"""A year of answers in the made shops, of joints that dry by laws that are not the product's.

The shops' air and the joints are the scenes'; the advised release and the learning are the product's.
The joints are no measurement: that learning does no harm here does not validate it.
"""

from __future__ import annotations

import math
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest

import scenes
from monitor.domain.wait_types import KINDS
from monitor.science.waits.air_log import AirLog, air_log
from monitor.science.waits.learning import (
    JUDGEMENT_SD,
    LONG_BEFORE,
    Evidence,
    JointAtRelease,
    UsualTimePrior,
    learn,
)
from monitor.science.waits.lost_time import lost_time
from monitor.science.waits.monte_carlo import SensorUncertainty
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.wait import WaitInputs, WaitState
from scenes.joints import JointLaw, dried

pytestmark = pytest.mark.slow

HOUR_MS, DAY_H = 3_600_000, 24
NOW = 1_700_006_400_000
CRACK = KINDS["plate-crack"]
USUAL_S, MINIMUM_S = CRACK.basis_s, CRACK.minimum_s
TRUE_PARTS = (0.5, 0.7, 1.0, 1.4, 2.0)
"""True time of the joints in reference air, as parts of the usual time."""
BEFORE_H, AFTER_H = 2 * DAY_H, 6 * DAY_H
"""Air that is known of a joint before its start and after it. [h]"""
JOINTS = 24
BY_A_YES = 0.06
"""Share of the lot by which a shorter time that a person takes may make more joints soft. [-]  A
proposal leaves one joint in twenty longer than it, by its quantile; and one joint of the lot."""
WITHIN_JOINTS = 12
"""Number of joints within which fewer than 10 % of joints are released soft, as in `tests/waits`."""


class Made(NamedTuple):
    """A joint of a shop: the air from its start, by the hour, and the product's log of it."""

    temp_c: np.ndarray
    rh_pct: np.ndarray
    log: AirLog


@cache
def lot() -> tuple[Made, ...]:
    """Joints of every shop, one each season, begun at ten in the morning."""
    found = []
    for i, shop in enumerate(scenes.shops()):
        room = scenes.shop_year(shop).room
        for season in range(4):
            start = DAY_H * (5 + 91 * season + 5 * i) + 10
            hours = np.arange(start - BEFORE_H, start + AFTER_H) % 8760
            t, rh = room.temp_c[hours], np.minimum(room.rh_pct[hours], 100)
            ts = NOW - HOUR_MS * np.arange(hours.size, 0, -1)
            log = air_log(ts, t, rh, NOW, 3600)
            found.append(Made(t[BEFORE_H:], rh[BEFORE_H:], log))
    return tuple(found)


def waits(used_s: float) -> list[WaitInputs]:
    """The product's wait for each joint of the lot, at this usual time."""
    return [
        WaitInputs(
            law=CRACK.law,
            basis_s=used_s,
            start_ms=NOW - AFTER_H * HOUR_MS,
            air=joint.log,
            outlook=None,
            spread=CRACK.spread,
            never_shorter=CRACK.never_shorter,
            minimum_s=MINIMUM_S,
            sensor=SensorUncertainty(0.3, 2.0),
        )
        for joint in lot()
    ]


@cache
def advised(used_s: float) -> tuple[tuple[int, float, float], ...]:
    """Joints that the product calls ready within the days known: which, after how long [h], and the
    time in reference air that they had had by then [s]."""
    each = waits(used_s)
    found = []
    for i, (wait, told) in enumerate(zip(each, ready_times(each, NOW, draws=40), strict=True)):
        if told.state is WaitState.READY and told.ready_ms is not None:
            had = lost_time(wait.law, used_s, wait.start_ms, wait.air)
            counted_s = np.concatenate([[0.0], np.cumsum(had.counted_s)])
            had_s = float(np.interp(told.ready_ms, had.edges_ms, counted_s))
            found.append((i, (told.ready_ms - wait.start_ms) / HOUR_MS, had_s))
    return tuple(found)


@cache
def dried_by_then(law: JointLaw, used_s: float) -> np.ndarray:
    """Share that joints of an hour have dried when the product calls them ready, for each `advised`."""
    each = ((lot()[i], hours) for i, hours, _ in advised(used_s))
    return np.array([dried(law, one.temp_c, one.rh_pct, hours, 1.0) for one, hours in each])


def year_of_answers(law: JointLaw, true_s: float, *, says_yes: bool, seed: int = 5):
    """Share of the lot that is soft when released as advised, before each joint of a year and after
    the last, by one who releases as told and answers as the joint is."""
    random = np.random.default_rng(seed)
    items: list[Evidence] = []
    prior = UsualTimePrior(USUAL_S, CRACK.spread, MINIMUM_S)
    shares, used = [], []
    for _ in range(JOINTS + 1):
        told = learn(prior, items)
        if says_yes and told.shorter_s is not None:
            prior = prior._replace(basis_s=told.shorter_s)
            items = [item._replace(before_set=True) for item in items]
            told = learn(prior, items)
        used.append(told.used_s)
        true_share = dried_by_then(law, told.used_s) / (true_s / 3600)
        shares.append(np.mean(true_share < 1))
        pick = random.integers(len(true_share))
        _, _, had_s = advised(told.used_s)[pick]
        felt = -math.log(true_share[pick]) + JUDGEMENT_SD * random.normal()
        verdict = JointAtRelease.SOFT if felt > 0 else JointAtRelease.RIGHT
        if felt <= math.log(LONG_BEFORE):
            verdict = JointAtRelease.LONG_BEFORE
        items.append(Evidence(verdict, had_s, told.used_s))
    return shares, used, items


def test_most_joints_of_the_shops_become_ready_within_the_days_that_are_known():
    """Rung: property."""
    assert len(lot()) == 60
    assert len(advised(USUAL_S)) >= 50


@pytest.mark.parametrize("says_yes", [False, True], ids=["answers", "takes shorter times"])
@pytest.mark.parametrize("true_part", TRUE_PARTS)
@pytest.mark.parametrize("law", JointLaw)
def test_no_answer_makes_more_joints_soft_and_a_shorter_time_hardly_any(law, true_part, says_yes):
    """Rung: property, in an independent model."""
    for seed in (5, 6):
        shares, used, items = year_of_answers(
            law, true_part * USUAL_S, says_yes=says_yes, seed=seed
        )
        if says_yes:
            # A shorter time is asked for, shown with its answers, and set by a person only.
            assert max(np.maximum(0, shares - np.minimum.accumulate(shares))) < BY_A_YES, seed
        else:
            assert shares == sorted(shares, reverse=True), seed
        assert max(shares[WITHIN_JOINTS:]) < 0.1, seed
        assert min(used) >= MINIMUM_S
        assert len({item.verdict for item in items}) > 1 or true_part < 1


def test_joints_that_are_longer_than_usual_are_released_soft_before_anyone_answers():
    """Rung: property. The year's test above could not fail if no joint were ever soft."""
    for law in JointLaw:
        shares, used, _ = year_of_answers(law, 2 * USUAL_S, says_yes=False)
        assert shares[0] > 0.5
        assert used[-1] > 1.5 * used[0]
