"""A tank that runs dry, found from RH alone."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from monitor.science.outlook import tank

HOURS = 24 * 20
HOUR = np.arange(HOURS) % 24.0
WORKED = (np.arange(HOURS) // 24) % 7 < 5
OPEN = WORKED & (HOUR >= 9) & (HOUR < 18)
NOT_RECORDED = np.zeros(HOURS, dtype=bool)


def pairs(wet: np.ndarray, sd: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What is read of a room that holds 45 % with water and falls by 3 % an hour without."""
    running, dry = np.full(len(wet), 45.0), np.full(len(wet), 42.0)
    read = np.where(wet, running, dry) + np.random.default_rng(seed).normal(0, sd, len(wet))
    return read, running, dry


def test_the_passes_are_those_of_all_sequences_counted_out():
    """Rung: independent derivation."""
    # Source: enumeration of all 2^10 sequences of states, which is what the passes sum up.
    random = np.random.default_rng(3)
    n = 9
    read, running, dry = 45 + random.normal(0, 2, n), np.full(n, 46.0), np.full(n, 43.5)
    read[4] = np.nan
    open_ = np.array([0, 0, 1, 1, 1, 0.5, 0, 0, 0])
    sd = 1.1
    filled = np.arange(n) == 6
    told = tank.tank_probability(read, running, dry, open_, sd, filled)
    up = np.where(filled, 1, tank.FILLED_SHUT + (tank.FILLED_OPEN - tank.FILLED_SHUT) * open_)
    down = np.where(filled, 0, 1 / tank.DRY_H)

    def weight(states: tuple[int, ...], upto: int) -> float:
        total, before = 0.5, states[0]
        for i, now in enumerate(states[1 : upto + 1]):
            change = up[i] if before == 0 else down[i]
            total *= change if now != before else 1 - change
            off = read[i] - (running[i] if now else dry[i])
            if not np.isnan(off):
                total *= (1 + (off / sd) ** 2 / tank.TAIL) ** (-(tank.TAIL + 1) / 2)
            before = now
        return total

    every = list(product((0, 1), repeat=n + 1))
    for i in range(n):
        since = [weight(s, n) for s in every]
        then = [weight(s, i + 1) for s in every]
        wet = np.array([s[i + 1] for s in every])
        assert told.since[i] == pytest.approx(np.average(wet, weights=since))
        assert told.then[i] == pytest.approx(np.average(wet, weights=then))


def test_dry_spells_are_found_and_never_by_what_comes_later():
    """Rung: property."""
    wet = np.ones(HOURS, dtype=bool)
    wet[100:140] = wet[300:370] = False
    read, running, dry = pairs(wet, 1.0)
    told = tank.tank_probability(read, running, dry, OPEN * 1.0, 1.0, NOT_RECORDED)
    assert np.mean((told.since > 0.5) == wet) > 0.99
    assert np.mean((told.then > 0.5) == wet) > 0.97
    assert told.gain > 100
    cut = tank.tank_probability(
        read[:320], running[:320], dry[:320], OPEN[:320] * 1.0, 1.0, NOT_RECORDED[:320]
    )
    np.testing.assert_array_equal(cut.then, told.then[:320])


def test_the_noise_is_that_of_the_nearer_run():
    """Rung: property."""
    wet = np.ones(HOURS, dtype=bool)
    wet[100:200] = False
    assert tank.noise(*pairs(wet, 0.8)) == pytest.approx(0.8, rel=0.1)
    assert tank.noise(*pairs(wet, 0.01)) == tank.LEAST_SD


@pytest.mark.parametrize("state", [True, False])
def test_a_tank_that_never_changes_gains_nothing(state):
    """Rung: property."""
    told = tank.tank_probability(*pairs(np.full(HOURS, state), 1.0), OPEN * 1.0, 1.0, NOT_RECORDED)
    assert told.gain < 5


def test_hours_without_readings_say_nothing():
    """Rung: property."""
    _, running, dry = pairs(np.ones(HOURS, dtype=bool), 1.0)
    told = tank.tank_probability(
        np.full(HOURS, np.nan), running, dry, OPEN * 1.0, 1.0, NOT_RECORDED
    )
    assert told.gain == pytest.approx(0)
    assert (told.since[50:-50] > 0.1).all()


def kept(brim: float, *, tops_up: bool, skipped: tuple[int, ...] = ()) -> np.ndarray:
    """Hours with water, 100 Pa given in each, of a tank filled at 9 on working days."""
    wet, left = np.zeros(HOURS, dtype=bool), brim
    for i in range(HOURS):
        if WORKED[i] and HOUR[i] == 9 and i // 24 not in skipped and (tops_up or left <= 0):
            left = brim
        wet[i] = left > 0
        left -= 100
    return wet


def test_the_habit_of_who_fills_only_a_dry_tank():
    """Rung: property."""
    wet = kept(3600, tops_up=False)
    found = tank.habits(wet * 1.0, np.full(HOURS, 100.0), HOUR, WORKED, NOT_RECORDED)
    one = next(h for h in found if not h.tops_up)
    assert one.hour == 9
    assert one.brim == pytest.approx(3600, rel=0.05)


def test_the_habit_of_who_tops_up_each_day():
    """Rung: property."""
    wet = kept(3000, tops_up=True, skipped=(3, 9, 10, 11))
    found = tank.habits(wet * 1.0, np.full(HOURS, 100.0), HOUR, WORKED, NOT_RECORDED)
    one = next(h for h in found if h.tops_up and np.isfinite(h.brim))
    assert one.brim == pytest.approx(3000, rel=0.05)
    assert one.again > 0.7


@pytest.mark.parametrize(
    ("found", "asked"),
    [
        ([], False),
        ([True] * 5, False),
        ([True] * 6, True),
        ([True] * 20 + [False] * 2, False),
        ([True, True, False, True, True, True, True], True),
    ],
)
def test_a_humidifier_is_asked_about_after_several_nights(found, asked):
    """Rung: property."""
    assert tank.is_asked_about(found) is asked


def test_a_tank_that_seldom_runs_dry_has_no_brim():
    """Rung: property."""
    found = tank.habits(np.ones(HOURS), np.full(HOURS, 100.0), HOUR, WORKED, NOT_RECORDED)
    assert all(np.isinf(h.brim) for h in found)
    assert found[0].hour == tank.USUAL.hour


def test_a_recorded_fill_sets_the_state_and_tells_the_habit():
    """Rung: property."""
    filled = WORKED & (HOUR == 15)
    wet = np.repeat(filled, 1)
    for i in np.flatnonzero(filled):
        wet[i : i + 12] = True
    given = np.full(HOURS, 100.0)
    found = tank.habits(wet * 1.0, given, HOUR, WORKED, filled)
    assert {habit.hour for habit in found} == {15.0}
    assert any(habit.brim == pytest.approx(1200) for habit in found)
    unread = np.full(HOURS, np.nan)  # the log tells nothing, only the record does
    told = tank.tank_probability(unread, *pairs(wet, 1.0)[1:], OPEN * 1.0, 1.0, filled)
    assert told.then[filled] == pytest.approx(1)
    habit = tank.Habit(2000.0, False, 9.0, 0.8, 0.4, 0.1)
    again = np.zeros(HOURS, dtype=bool)
    again[[10, 24]] = True
    so_far = tank.state(np.ones(HOURS), given, NOT_RECORDED, habit, again)
    assert so_far.left[[9, 10, 23, 24]].tolist() == [1000, 1900, 600, 1900]


def test_what_is_left_and_what_comes():
    """Rung: property."""
    habit = tank.Habit(2500.0, True, 9.0, 0.8, 0.4, 0.1)
    wet = kept(2500, tops_up=True, skipped=(8, 9))
    given, fills = np.full(HOURS, 100.0), WORKED & (HOUR == 9)
    so_far = tank.state(wet * 1.0, given, fills, habit, NOT_RECORDED)
    assert so_far.left[24 * 2 + 9] == 2400  # just filled, one hour given
    assert so_far.left[24 * 2 + 20] == 1300
    now = 24 * 9 + 20  # twice not filled
    assert so_far.missed[now] == 2
    assert so_far.left[now] == 0
    starts = np.array([24 * 2 + 20, now])
    after = starts + np.arange(1, 49)[:, None]
    to_come = tank.ahead(so_far.at(starts), np.full(after.shape, 100.0), fills[after], habit)
    # Not filled, the first goes on for the 13 h that are left; filled, through both nights.
    assert to_come.running[1, :, 0].sum() == 13
    assert to_come.running[0, :, 0].all()
    assert not to_come.running[1, :, 1].any()
    first, second = 24 * 10 + 9 - now - 1, 24 * 11 + 9 - now - 1
    assert to_come.filled[first - 1, 1] == 0
    assert to_come.filled[first, 1] == pytest.approx(0.1)
    assert to_come.filled[second, 1] == pytest.approx(0.1 * 0.8 + 0.9 * 0.1)
    assert to_come.filled[first, 0] == pytest.approx(0.8)
