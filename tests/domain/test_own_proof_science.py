"""Own proof recovers a known truth from data that an independent calculation made."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.core.errors import OutOfRange
from monitor.science.own_proof import case_leak as leaks
from monitor.science.own_proof import coupon as coupons
from monitor.science.own_proof.joints import laps, softening
from monitor.science.own_proof.lacks import Lack

HOUR = 3600.0
# Rung: independent. The truth is stepped by Euler in minutes with a transcribed EMC formula; the
# product's code fits a closed form. Coverage of an 80 % range over 60 trials: 48 expected, the
# binomial's 0.1 % tails at 38 and 57. Tolerance: ours.
COVERED = (38, 58)


def emc(temp_c, rh_pct):
    """Source: Wood Handbook, 2010, eq. 4-5, °C form. Second-hand: transcribed anew for this test."""
    t, h = temp_c, rh_pct / 100
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    first = k * h / (1 - k * h)
    second = (k1 * k * h + 2 * k1 * k2 * (k * h) ** 2) / (1 + k1 * k * h + k1 * k2 * (k * h) ** 2)
    return 1800 / w * (first + second)


def made_coupon(tau_h, offset, seed, *, start=11.0, days=6, each_h=12, balance_g=0.02):
    """A coupon of 20 g dry whose moisture is stepped by the minute, and the log of its place."""
    random = np.random.default_rng(seed)
    minutes = np.arange(days * 1440)
    rh = 45 + 6 * np.sin(2 * np.pi * minutes / 1440) + 3 * np.sin(2 * np.pi * minutes / 5000)
    target = emc(20.0, rh) + offset
    moisture = np.empty(len(minutes))
    m = start
    for i, one in enumerate(target):
        moisture[i] = m
        m += (one - m) / (tau_h * 60)
    pick = np.arange(0, len(minutes), each_h * 60)
    mass = 20 * (1 + moisture[pick] / 100) + random.normal(0, balance_g / 2, len(pick))
    dry = 20 + random.normal(0, 0.01)
    means = rh.reshape(-1, 10).mean(axis=1)
    air = coupons.LoggedAir(600.0 * np.arange(len(means)), np.full(len(means), 20.0), means)
    return coupons.Weighings(60.0 * pick, mass, dry, 0.02, balance_g), air


@pytest.mark.slow
def test_a_coupon_gives_back_the_offset_and_the_time_constant_it_was_made_with():
    random = np.random.default_rng(14)
    hits = np.zeros(2)
    for seed in range(60):
        tau, offset = random.uniform(12, 48), random.uniform(-1, 1)
        found = coupons.coupon(*made_coupon(tau, offset, seed))
        assert found.offset_pct is not None
        assert found.tau_h is not None
        assert found.offset_pct.median == pytest.approx(offset, abs=0.4)
        assert found.tau_h.median == pytest.approx(tau, rel=0.25)
        hits += (
            found.offset_pct.low <= offset <= found.offset_pct.high,
            found.tau_h.low <= tau <= found.tau_h.high,
        )
    assert ((hits >= COVERED[0]) & (hits <= COVERED[1])).all(), hits


def test_a_coupon_that_did_not_change_tells_no_time_constant():
    weighed, air = made_coupon(24, 0.0, 1, start=float(emc(20.0, 45.0)), days=3, balance_g=0.2)
    found = coupons.coupon(weighed, air)
    assert found.tau_h is None
    assert found.lacks.reasons == (Lack.CHANGE,)


def test_too_few_weighings_too_soon_or_without_air_conclude_nothing():
    weighed, air = made_coupon(24, 0.0, 1)

    def first(n, step=1):
        return weighed._replace(at_s=weighed.at_s[:n] / step, mass_g=weighed.mass_g[:n])

    for n in range(coupons.LEAST):
        found = coupons.coupon(first(n), air)
        assert (found.offset_pct, found.tau_h) == (None, None)
        assert found.lacks == (coupons.LEAST - n, (Lack.MEASUREMENTS,))
    assert coupons.coupon(first(6, 10), air).lacks.reasons == (Lack.TIME,)
    half = coupons.LoggedAir(*(c[: len(c) // 2] for c in air[:3]))
    assert coupons.coupon(weighed, half).lacks.reasons == (Lack.AIR,)


def test_a_coupon_lighter_than_its_dry_mass_is_refused():
    weighed, air = made_coupon(24, 0.0, 1)
    with pytest.raises(OutOfRange, match="dry_g"):
        coupons.coupon(weighed._replace(dry_g=25.0), air)


def test_a_known_start_gives_the_dry_mass():
    # Rung: identity. Moisture is water over dry mass.
    dry, u = coupons.dry_mass(22.0, 10.0, 1.0)
    assert dry == pytest.approx(20.0)
    assert 22 / (dry + u) == pytest.approx(1.09, abs=0.001)


def test_laps_find_the_true_time_relative_to_the_foretold():
    # Rung: independent. Each lap has a hardening time of its own, spread by a logistic of the same
    # standard deviation as the judgement's; truths come from the stated prior.
    random = np.random.default_rng(5)
    hit = told = 0
    for _ in range(150):
        truth = float(np.exp(random.normal(0, 0.5)))
        shares = np.repeat([0.5, 1.0, 1.5], 3)
        own = truth * np.exp(random.logistic(0, 0.15 * np.sqrt(3) / np.pi, 9))
        found = laps(shares.tolist(), (shares < own).tolist())
        if found.limit is None:
            continue
        told += 1
        hit += found.limit.low <= truth <= found.limit.high
    assert told > 80
    assert hit / told >= 0.7


@pytest.mark.parametrize(
    ("soft", "lacks"),
    [
        ([], (6, (Lack.MEASUREMENTS,))),
        ([True, False, False], (3, (Lack.MEASUREMENTS,))),
        ([True] * 6, (1, (Lack.HELD,))),
        ([False] * 7, (1, (Lack.SOFT,))),
    ],
)
def test_joints_that_are_too_few_or_all_alike_conclude_nothing(soft, lacks):
    assert laps([1.0] * len(soft), soft) == (None, lacks)
    assert softening([75.0] * len(soft), [1.0] * len(soft), soft) == (None, lacks)


def test_joints_over_salts_find_the_humidity_at_which_they_give_way():
    random = np.random.default_rng(6)
    boxes = np.repeat([59.0, 69.0, 75.5, 81.0, 85.0, 93.0], 2)
    hits = told = 0
    for _ in range(60):
        truth = random.uniform(65, 90)
        own = truth + random.logistic(0, 2.0 * np.sqrt(3) / np.pi, 12)
        true_rh = boxes + np.repeat(random.normal(0, 0.75, 6), 2)
        found = softening(boxes.tolist(), [1.5] * 12, (true_rh > own).tolist())
        if found.limit is None:
            continue
        told += 1
        hits += found.limit.low <= truth <= found.limit.high
    assert told > 50
    assert 0.65 <= hits / told <= 0.95


def made_case(changes_day, seed, *, give_g_day=0.45, room_pct=30.0, days=12):
    """A case stepped by the minute: humidifier, lining, gaps; two sensors, each off by its own."""
    random = np.random.default_rng(seed)
    # Source: 0.1729 g/m³ for each % RH at 20 °C, from saturation at 17.3 g/m³: from memory.
    leak = changes_day * 18 / 1000 * 0.1729
    capacity = 0.25 * 1.25 ** random.uniform(-1, 1)
    give = give_g_day / 1440
    # It has been shut with its humidifier for a while: within a fifth of where it settles.
    rise_pct = give_g_day * (1 - room_pct / 100) / (leak + give_g_day / 100)
    rh, water, log = room_pct + random.uniform(0.8, 1) * rise_pct, 30.0, []
    mass, after = [], []
    for minute in range(days * 1440 + 1):
        if minute % 1440 == 0:
            mass.append(water + random.normal(0, 0.01))
            water += (refill := float(minute // 1440 % 3))  # on some days
            after.append(mass[-1] + refill + random.normal(0, 0.01))
        log.append(rh)
        gave = give * (1 - rh / 100)
        water -= gave
        rh += (gave - leak * (rh - room_pct) / 1440) / (capacity + 0.003)
    log = np.array(log) + random.normal(0, 0.5) - random.normal(0, 0.5)
    means = log[:-1].reshape(days, 1440).mean(axis=1) - room_pct
    rise = np.diff(log[::1440])
    at = np.arange(days + 1.0)
    return leaks.CaseWeighings(
        at, np.array(mass), np.array(after), means, rise, 20.0, 0.02, 1.0
    ), leak


@pytest.mark.slow
def test_a_weighed_humidifier_gives_back_the_leak_of_its_case():
    random = np.random.default_rng(7)
    hits = 0
    for seed in range(60):
        changes = random.uniform(2, 8)
        weighed, leak = made_case(changes, seed)
        found = leaks.case_leak(weighed, 18.0, 0.253, 1.25)
        assert found.leak_g_day_pct is not None
        assert found.leak_g_day_pct.median == pytest.approx(leak, rel=0.3)
        assert found.changes_day.median == pytest.approx(changes, rel=0.3)
        hits += found.changes_day.low <= changes <= found.changes_day.high
    assert COVERED[0] <= hits <= COVERED[1], hits


def test_a_case_that_is_as_dry_as_its_room_or_was_weighed_too_seldom_tells_no_leak():
    weighed, _ = made_case(400.0, 1)
    assert leaks.case_leak(weighed, 18, 0.25, 1.25).lacks.reasons == (Lack.DIFFERENCE,)
    weighed, _ = made_case(5.0, 1)
    few = leaks.CaseWeighings(
        *(c[:3] for c in weighed[:3]), *(c[:2] for c in weighed[3:5]), *weighed[5:]
    )
    assert leaks.case_leak(few, 18, 0.25, 1.25).lacks == (2, (Lack.MEASUREMENTS,))
    soon = weighed._replace(at_d=weighed.at_d / 10)
    assert leaks.case_leak(soon, 18, 0.25, 1.25).lacks.reasons == (Lack.TIME,)
    gap = weighed._replace(above_pct=np.where(weighed.at_d[1:] == 3, np.nan, weighed.above_pct))
    assert leaks.case_leak(gap, 18, 0.25, 1.25).lacks.reasons == (Lack.AIR,)
