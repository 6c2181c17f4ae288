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
    """Rung: property."""
    told = learn(PRIOR._replace(minimum_s=0), [])
    assert told.basis_s == pytest.approx(6 * HOUR, rel=1e-4)
    assert told.spread == pytest.approx(0.25, rel=1e-3)
    # Source: standard normal quantile 1.2816 at 90 %.
    assert told.high_s == pytest.approx(6 * HOUR * math.exp(0.25 * 1.2816), rel=1e-3)
    assert told.density == pytest.approx(told.prior_density)


def test_each_verdict_moves_the_basis_its_way():
    """Rung: property."""
    soft = learn(PRIOR, [Evidence(JointAtRelease.SOFT, 7 * HOUR)])
    right = learn(PRIOR, [Evidence(JointAtRelease.RIGHT, 7 * HOUR)])
    long_before = learn(PRIOR, [Evidence(JointAtRelease.LONG_BEFORE, 7 * HOUR)])
    before = learn(PRIOR, [])
    assert long_before.basis_s < before.basis_s < soft.basis_s
    assert long_before.basis_s < right.basis_s < soft.basis_s
    assert right.spread < before.spread
    assert 0.7 * 7 * HOUR < right.basis_s < 7 * HOUR


def test_hard_by_then_says_no_more_than_that_it_is_not_longer():
    """Rung: property."""
    hard = learn(PRIOR, [Evidence(JointAtRelease.HARD_BY_THEN, 7 * HOUR)])
    right = learn(PRIOR, [Evidence(JointAtRelease.RIGHT, 7 * HOUR)])
    assert hard.basis_s < learn(PRIOR, []).basis_s
    assert hard.high_s < learn(PRIOR, []).high_s
    far = learn(PRIOR, [Evidence(JointAtRelease.HARD_BY_THEN, 40 * HOUR)])
    assert far.basis_s == pytest.approx(learn(PRIOR, []).basis_s, rel=1e-3)
    assert hard.low_s < right.low_s


def test_what_says_nothing_new_changes_nothing():
    """Rung: property."""
    told = learn(
        PRIOR,
        [Evidence(JointAtRelease.LONG_BEFORE, 200 * HOUR), Evidence(JointAtRelease.SOFT, 600)],
    )
    assert told.basis_s == pytest.approx(learn(PRIOR, []).basis_s, rel=1e-3)


def test_the_posterior_is_bayes_rule_worked_out_by_quadrature():
    """Rung: independent library."""
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
    """Rung: property."""
    mixed = list(items)
    random.shuffle(mixed)
    a, b = learn(PRIOR, items), learn(PRIOR, mixed)
    assert (a.basis_s, a.low_s, a.high_s, a.spread) == (b.basis_s, b.low_s, b.high_s, b.spread)
    assert np.array_equal(a.density, b.density)


@given(ITEMS)
@settings(max_examples=40, deadline=None)
def test_it_never_falls_below_the_safe_minimum(items):
    """Rung: property."""
    told = learn(PRIOR, [*items, *[Evidence(JointAtRelease.LONG_BEFORE, 2 * HOUR)] * 5])
    assert PRIOR.minimum_s <= told.low_s <= told.basis_s <= told.high_s
    assert told.density.sum() == pytest.approx(1)


def test_a_slip_changes_what_is_learned_while_it_is_kept():
    """Rung: property."""
    kept, slip = Evidence(JointAtRelease.RIGHT, 7 * HOUR), Evidence(JointAtRelease.SOFT, 30 * HOUR)
    assert learn(PRIOR, [kept]).basis_s != learn(PRIOR, [kept, slip]).basis_s


def test_what_it_rests_on_is_given_back():
    """Rung: property."""
    items = [Evidence(JointAtRelease.SOFT, 7 * HOUR), Evidence(JointAtRelease.RIGHT, 9 * HOUR)]
    told = learn(PRIOR, items)
    assert told.prior == PRIOR
    assert told.evidence == tuple(items)
    assert len(told.grid_s) == len(told.density) == len(told.prior_density)


@pytest.mark.slow
def test_a_simulated_repairer_is_learned_and_the_interval_holds_the_truth():
    """Rung: property."""
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
    """Rung: property."""
    with pytest.raises(OutOfRange):
        learn(prior, items)


@given(ITEMS, st.floats(600, 400_000), st.sampled_from(list(JointAtRelease)))
@settings(max_examples=40, deadline=None)
def test_no_answer_but_still_soft_changes_the_time_that_is_used(items, given_s, verdict):
    """Rung: property."""
    before = learn(PRIOR, items).used_s
    after = learn(PRIOR, [*items, Evidence(verdict, given_s)]).used_s
    if verdict is JointAtRelease.SOFT:
        assert after >= before * (1 - 1e-9)
    else:
        assert after == before
    assert before >= PRIOR.basis_s


def _honest(is_soft, felt):
    if felt <= math.log(LONG_BEFORE):
        return JointAtRelease.LONG_BEFORE
    return JointAtRelease.SOFT if felt > 0 else JointAtRelease.RIGHT


def _always_right(is_soft, felt):
    return JointAtRelease.RIGHT


def _year_of_joints(true_s, part, answer, *, seed=7, says_yes=False, joints=24, spread=0.15):
    """Share of one fixed lot of joints that would be soft at the usual time in use before each joint
    of a year, by one who releases at `part` of it and answers by `answer(is_soft, ln(true / given))`;
    the usual times in use [s]; and the answers. `says_yes`: takes each shorter time proposed."""
    random, items = np.random.default_rng(seed), []
    prior = PRIOR._replace(spread=spread)
    lot, shares, used = np.exp(0.03 * random.standard_normal(500)), [], []
    for joint in range(joints + 1):
        told = learn(prior, items)
        if says_yes and told.shorter_s is not None:
            asked_s, prior = told.shorter_s, prior._replace(basis_s=told.shorter_s)
            items = [item._replace(before_set=True) for item in items]
            told = learn(prior, items)
            assert told.used_s == asked_s  # what was asked is what is used
        used.append(told.used_s)
        shares.append(float(np.mean(true_s > used[-1] * part * lot)))
        given = used[-1] * part * lot[joint]
        felt = math.log(true_s / given) + JUDGEMENT_SD * random.standard_normal()
        items.append(Evidence(answer(true_s > given, felt), given, used[-1]))
    return shares, used, items


USERS = {"obedient": 1.0, "hasty": 0.8, "cautious": 1.5}
WITHIN_JOINTS = 12
"""Number of joints within which fewer than 10 % of joints are released soft."""


# The way the joints are drawn is ours; it is a check of behaviour, not of any glue.
@pytest.mark.slow
@pytest.mark.parametrize("says_yes", [False, True])
@pytest.mark.parametrize("part", USERS.values(), ids=USERS)
@pytest.mark.parametrize("true_part", [0.5, 0.75, 1.0, 1.2, 1.5, 2.0])
def test_through_a_year_fewer_joints_are_soft_and_within_twelve_joints_hardly_any(
    true_part, part, says_yes
):
    """Rung: property."""
    true_s = true_part * PRIOR.basis_s
    for seed in (7, 8):
        shares, used, items = _year_of_joints(true_s, part, _honest, seed=seed, says_yes=says_yes)
        assert shares == sorted(shares, reverse=True)
        assert max(shares[WITHIN_JOINTS:]) < 0.1
        if not says_yes:
            assert used == sorted(used)  # nothing shortens it but a yes
        soft = [e.equivalent_s for e in items[:-1] if e.verdict is JointAtRelease.SOFT]
        assert used[-1] >= max([PRIOR.minimum_s, *(s for s in soft if s < 2 * min(used))])


@pytest.mark.parametrize("part", USERS.values(), ids=USERS)
@pytest.mark.parametrize("true_h", [4.0, 9.0])
def test_who_always_says_just_right_changes_nothing(part, true_h):
    """Rung: property."""
    shares, used, _ = _year_of_joints(true_h * HOUR, part, _always_right)
    assert set(used) == {PRIOR.basis_s}
    assert len(set(shares)) == 1


def long_before(count, given_h=6.0, usual_h=6.0):
    return [Evidence(JointAtRelease.LONG_BEFORE, given_h * HOUR, usual_h * HOUR)] * count


def test_a_shorter_time_is_only_proposed_and_only_from_several_in_a_row():
    """Rung: property."""
    narrow = PRIOR._replace(spread=0.15)
    assert learn(narrow, long_before(4)).shorter_s is None
    told = learn(narrow, long_before(6))
    assert (told.shorter_s, told.shorter_from, told.used_s) == (5 * HOUR, 6, 6 * HOUR)
    right = Evidence(JointAtRelease.RIGHT, 6 * HOUR, 6 * HOUR)
    assert learn(narrow, [*long_before(6), right]).shorter_s is None
    assert learn(narrow, [right] * 60).shorter_s is None
    # Left for a day, "long before" tells little; given under another usual time, nothing.
    assert learn(narrow, long_before(9, given_h=24)).shorter_s is None
    assert learn(narrow, long_before(9, usual_h=8)).shorter_s is None


def test_nothing_is_proposed_below_the_safe_minimum_or_what_was_seen_soft():
    """Rung: property."""
    high = PRIOR._replace(spread=0.15, minimum_s=5.5 * HOUR)
    assert learn(high, long_before(8)).shorter_s == 5.5 * HOUR
    soft = Evidence(JointAtRelease.SOFT, 5.4 * HOUR, 5 * HOUR, before_set=True)
    assert learn(PRIOR, [soft, *long_before(8)]).shorter_s == 5.5 * HOUR
    never = soft._replace(equivalent_s=5.9 * HOUR)
    assert learn(PRIOR, [never, *long_before(8)]).shorter_s is None


def test_one_answer_far_too_late_raises_it_no_more_than_one_at_twice_the_usual_time():
    """Rung: property."""

    def used(hours):
        return learn(PRIOR, [Evidence(JointAtRelease.SOFT, hours * HOUR)]).used_s

    assert used(5) < used(7) < used(12) == used(60)


def test_a_time_that_a_person_set_is_raised_by_earlier_answers_no_further_than_they_saw_soft():
    """Rung: property."""
    soft = [Evidence(JointAtRelease.SOFT, 7 * HOUR, 6 * HOUR)] * 4
    assert learn(PRIOR, soft).used_s > 8 * HOUR
    before = [item._replace(before_set=True) for item in soft]
    assert learn(PRIOR, before).used_s == 7 * HOUR
    assert learn(PRIOR._replace(basis_s=8 * HOUR), before).used_s == 8 * HOUR


def test_each_just_right_under_the_usual_time_asks_for_five_more_before_a_proposal():
    """Rung: property."""
    narrow = PRIOR._replace(spread=0.15)
    right = Evidence(JointAtRelease.RIGHT, 6 * HOUR, 6 * HOUR)
    assert learn(narrow, [right, *long_before(9)]).shorter_s is None
    assert learn(narrow, [right, *long_before(10)]).shorter_s is not None
    assert learn(narrow, [right, right, *long_before(14)]).shorter_s is None
    # Under another usual time it tells nothing of this one.
    other = right._replace(usual_s=8 * HOUR)
    assert learn(narrow, [other, *long_before(6)]).shorter_s is not None
