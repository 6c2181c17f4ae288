"""Learning a basis: evidence moves it the right way, in any order, never below the minimum."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.errors import OutOfRange
from monitor.science.waits.learning import (
    JUDGEMENT_SD,
    LONG_BEFORE,
    SLIP,
    Evidence,
    JointAtRelease,
    UsualTimePrior,
    learn,
)

HOUR = 3600.0
PRIOR = UsualTimePrior(basis_s=6 * HOUR, spread=0.25, minimum_s=3 * HOUR)
ITEMS = st.lists(
    st.builds(Evidence, st.sampled_from(list(JointAtRelease)), st.floats(600, 400_000)), max_size=8
)


def test_without_evidence_it_is_the_prior():
    told = learn(PRIOR._replace(minimum_s=0), [])
    assert told.basis_s == pytest.approx(6 * HOUR, rel=1e-4)
    assert told.spread == pytest.approx(0.25, rel=1e-3)
    # Source: standard normal quantile 1.2816 at 90 %.
    assert told.high_s == pytest.approx(6 * HOUR * math.exp(0.25 * 1.2816), rel=1e-3)
    assert told.density == pytest.approx(told.prior_density)


def test_each_verdict_moves_the_basis_its_way():
    soft = learn(PRIOR, [Evidence(JointAtRelease.SOFT, 7 * HOUR)])
    right = learn(PRIOR, [Evidence(JointAtRelease.RIGHT, 7 * HOUR)])
    long_before = learn(PRIOR, [Evidence(JointAtRelease.LONG_BEFORE, 7 * HOUR)])
    before = learn(PRIOR, [])
    assert long_before.basis_s < before.basis_s < soft.basis_s
    assert long_before.basis_s < right.basis_s < soft.basis_s
    assert right.spread < before.spread
    assert 0.7 * 7 * HOUR < right.basis_s < 7 * HOUR


def test_hard_by_then_says_no_more_than_that_it_is_not_longer():
    hard = learn(PRIOR, [Evidence(JointAtRelease.HARD_BY_THEN, 7 * HOUR)])
    right = learn(PRIOR, [Evidence(JointAtRelease.RIGHT, 7 * HOUR)])
    assert hard.basis_s < learn(PRIOR, []).basis_s
    assert hard.high_s < learn(PRIOR, []).high_s
    far = learn(PRIOR, [Evidence(JointAtRelease.HARD_BY_THEN, 40 * HOUR)])
    assert far.basis_s == pytest.approx(learn(PRIOR, []).basis_s, rel=1e-3)
    assert hard.low_s < right.low_s


def test_what_says_nothing_new_changes_nothing():
    told = learn(
        PRIOR,
        [Evidence(JointAtRelease.LONG_BEFORE, 200 * HOUR), Evidence(JointAtRelease.SOFT, 600)],
    )
    assert told.basis_s == pytest.approx(learn(PRIOR, []).basis_s, rel=1e-3)


def test_the_posterior_is_bayes_rule_worked_out_by_quadrature():
    from scipy.integrate import quad
    from scipy.stats import norm

    item = Evidence(JointAtRelease.RIGHT, 7 * HOUR)

    def weight(x):
        soft = norm.cdf((x - math.log(7 * HOUR)) / JUDGEMENT_SD)
        long_before = norm.cdf((math.log(7 * HOUR * LONG_BEFORE) - x) / JUDGEMENT_SD)
        chance = SLIP / 3 + (1 - SLIP) * (1 - soft - long_before)
        return norm.pdf(x, math.log(6 * HOUR), 0.25) * chance

    low, high = math.log(3 * HOUR), math.log(6 * HOUR) + 5 * 0.25
    told = learn(PRIOR, [item])
    half = quad(weight, low, math.log(told.basis_s))[0] / quad(weight, low, high)[0]
    assert half == pytest.approx(0.5, abs=1e-3)


@given(ITEMS, st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_order_does_not_matter_to_the_last_digit(items, random):
    mixed = list(items)
    random.shuffle(mixed)
    a, b = learn(PRIOR, items), learn(PRIOR, mixed)
    assert (a.basis_s, a.low_s, a.high_s, a.spread) == (b.basis_s, b.low_s, b.high_s, b.spread)
    assert np.array_equal(a.density, b.density)


@given(ITEMS)
@settings(max_examples=40, deadline=None)
def test_it_never_falls_below_the_safe_minimum(items):
    told = learn(PRIOR, [*items, *[Evidence(JointAtRelease.LONG_BEFORE, 2 * HOUR)] * 5])
    assert PRIOR.minimum_s <= told.low_s <= told.basis_s <= told.high_s
    assert told.density.sum() == pytest.approx(1)


def test_undo_is_leaving_the_item_out():
    kept, slip = Evidence(JointAtRelease.RIGHT, 7 * HOUR), Evidence(JointAtRelease.SOFT, 30 * HOUR)
    assert learn(PRIOR, [kept]).basis_s != learn(PRIOR, [kept, slip]).basis_s
    undone = [e for e in (kept, slip) if e is not slip]
    assert learn(PRIOR, undone).basis_s == learn(PRIOR, [kept]).basis_s


def test_what_it_rests_on_is_given_back():
    items = [Evidence(JointAtRelease.SOFT, 7 * HOUR), Evidence(JointAtRelease.RIGHT, 9 * HOUR)]
    told = learn(PRIOR, items)
    assert told.prior == PRIOR
    assert told.evidence == tuple(items)
    assert len(told.grid_s) == len(told.density) == len(told.prior_density)


@pytest.mark.slow
def test_a_simulated_repairer_is_learned_and_the_interval_holds_the_truth():
    # 200 shops whose true basis is drawn from the prior, each with 12 releases.
    random, held, errors = np.random.default_rng(4), 0, []
    prior = UsualTimePrior(basis_s=6 * HOUR, spread=0.25, minimum_s=0)
    for _ in range(200):
        true = 6 * HOUR * math.exp(0.25 * random.standard_normal())
        items = []
        for _ in range(12):
            given = true * math.exp(random.normal(0.1, 0.3))
            felt = math.log(true / given) + JUDGEMENT_SD * random.standard_normal()
            verdict = JointAtRelease.SOFT if felt > 0 else JointAtRelease.RIGHT
            if felt <= math.log(LONG_BEFORE):
                verdict = JointAtRelease.LONG_BEFORE
            items.append(Evidence(verdict, given))
        told = learn(prior, items)
        held += told.low_s <= true <= told.high_s
        errors.append(abs(math.log(told.basis_s / true)))
    assert 0.72 < held / 200 < 0.9  # 80 % and three standard errors of 200 trials
    assert np.mean(errors) < 0.5 * 0.25 * math.sqrt(2 / math.pi)  # half the prior's own error


@pytest.mark.parametrize(
    ("prior", "items"),
    [
        (PRIOR._replace(spread=0), []),
        (PRIOR._replace(spread=1.1), []),
        (PRIOR._replace(basis_s=2 * HOUR), []),
        (PRIOR._replace(minimum_s=-1), []),
        (PRIOR, [Evidence(JointAtRelease.SOFT, 0)]),
        (PRIOR, [Evidence(JointAtRelease.SOFT, math.inf)]),
        (PRIOR, [Evidence(JointAtRelease.SOFT, math.nan)]),
    ],
)
def test_what_cannot_be_is_refused(prior, items):
    with pytest.raises(OutOfRange):
        learn(prior, items)


@given(ITEMS, st.floats(600, 400_000), st.sampled_from(list(JointAtRelease)))
@settings(max_examples=40, deadline=None)
def test_no_answer_but_still_soft_changes_the_time_that_is_used(items, given_s, verdict):
    before = learn(PRIOR, items).used_s
    after = learn(PRIOR, [*items, Evidence(verdict, given_s)]).used_s
    if verdict is JointAtRelease.SOFT:
        assert after >= before * (1 - 1e-9)
    else:
        assert after == before
    assert before >= PRIOR.basis_s


def _year_of_joints(true_s, part, answer, joints=24):
    """Share of one fixed lot of joints that would be soft at the usual time in use at the start
    and after each quarter of a year, by one who releases at `part` of it and answers by
    `answer(is_soft, ln(true / given))`; and the usual time at the end [s]."""
    random, items = np.random.default_rng(7), []
    lot, shares = np.exp(0.03 * random.standard_normal(500)), []
    for joint in range(joints + 1):
        used = learn(PRIOR, items).used_s
        if joint % (joints // 4) == 0:
            shares.append(float(np.mean(true_s > used * part * lot)))
        given = used * part * lot[joint]
        felt = math.log(true_s / given) + JUDGEMENT_SD * random.standard_normal()
        items.append(Evidence(answer(true_s > given, felt), given))
    return shares, used


def _honest(is_soft, felt):
    if felt <= math.log(LONG_BEFORE):
        return JointAtRelease.LONG_BEFORE
    return JointAtRelease.SOFT if felt > 0 else JointAtRelease.RIGHT


def _always_right(is_soft, felt):
    return JointAtRelease.RIGHT


@pytest.mark.parametrize("answer", [_honest, _always_right])
@pytest.mark.parametrize("part", [1.0, 0.8, 1.5])  # obedient, hasty, cautious
@pytest.mark.parametrize("true_h", [4.0, 5.8, 9.0])
def test_through_a_year_of_answers_the_share_of_soft_joints_never_rises(answer, part, true_h):
    # The way the joints are drawn is ours; it is a check of behaviour, not of any glue.
    shares, used_s = _year_of_joints(true_h * HOUR, part, answer)
    assert shares == sorted(shares, reverse=True)
    if answer is _honest and true_h * HOUR > 1.1 * PRIOR.basis_s * part:
        assert used_s > 1.1 * PRIOR.basis_s  # who says "still soft" is heard
