"""Days on which the shop is shut and nobody said so, seen in the logs of simulated rooms."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pytest
from rooms import csv_files
from rooms.catalogue import Shop, shops

from monitor.outlook.evaluation import files
from monitor.science.outlook import shop_model, shut_days, shut_forecast
from monitor.science.outlook.calendar import NO_DAYS
from monitor.science.outlook.hourly_log import STEPS
from monitor.science.outlook.room_fit import fit_room
from monitor.science.outlook.room_model import PreparedLog, prepared_log
from monitor.science.outlook.shop_model import ShopModel
from monitor.science.outlook.shut_days import ShutHabit, learned_habit, supposed

ROOMS = (5, 8)
"""Rooms with a heater that is set back. Those without show a shut day late or not at all."""
DAYS, LEARNED = 90, 40
MEMBERS, SEED = 40, 7


class Trial:
    """A room's log, what was learned from its first days, and on which days somebody came."""

    def __init__(self, shop: Shop) -> None:
        with tempfile.TemporaryDirectory() as folder:
            csv_files.write(shop, Path(folder), 0, DAYS)
            read = files.read(Path(folder, "log.csv"), Path(folder, "forecasts.csv"))
        self.issues = read.issues
        self.k = prepared_log(read.hours, read.issues)
        self.utc_offset_h = shop.spec.utc_offset_h
        self.stop = 24 * LEARNED - 1
        blind = fit_room(self.k, self.stop)
        misfits = shut_days.day_misfits(blind, self.k, self.stop)
        seen = shut_days.shut_outlook(blind, self.k, misfits, self.stop, STEPS)
        self.room = fit_room(supposed(self.k, seen, 0), self.stop, blind)
        self.misfits = shut_days.day_misfits(self.room, self.k, len(self.k.temp_c) - 1)
        day = np.floor((shop.ts_ms / 3_600_000 + self.utc_offset_h) / 24).astype(int)
        self.came = {int(d): bool(shop.there[day == d].any()) for d in np.unique(day)}
        first = (self.k.hours.first_h + self.stop) // 24 + 2
        days = np.arange(first, first + DAYS - LEARNED - 8)
        self.days = days[shut_days.regular(self.room, days)]

    @cached_property
    def shop(self) -> ShopModel:
        """What the first days teach, shut ones among them."""
        return shut_forecast.learn(self.k, self.issues, self.stop)

    def end(self, day: int, clock_h: float) -> int:
        """Number of the last hour that has ended at a time of the room's clock."""
        return int(np.floor(24 * day + clock_h - self.utc_offset_h)) - self.k.hours.first_h

    def chance(self, day: int, clock_h: float, k: PreparedLog | None = None) -> float:
        """Probability of a shut day at a time of its clock."""
        end = self.end(day, clock_h)
        misfits = self.misfits if k is None else shut_days.day_misfits(self.room, k, end)
        return shut_days.shut_outlook(self.room, k or self.k, misfits, end, STEPS).now


@pytest.fixture(scope="module")
def trials() -> list[Trial]:
    return [Trial(shop) for shop in shops(ROOMS, 24 * (DAYS + 6))]


@pytest.mark.slow
def test_most_shut_days_are_seen_by_half_past_ten_and_hardly_an_open_day_is_taken_for_one(trials):
    morning = {True: [], False: []}
    evening = {True: [], False: []}
    for trial in trials:
        for day in trial.days.tolist():
            came = trial.came[day]
            morning[came].append(trial.chance(day, 10.5))
            evening[came].append(trial.chance(day, 18))
    assert len(morning[False]) >= 5
    assert np.mean(np.array(morning[False]) > 0.5) >= 0.6
    assert np.mean(np.array(evening[False]) > 0.5) >= 0.9
    assert np.mean(np.array(morning[True]) > 0.5) <= 0.02
    assert max(morning[True]) < shut_days.ASK  # nobody is asked for nothing


@pytest.mark.slow
def test_nothing_that_comes_later_counts(trials):
    trial = trials[0]
    day = next(day for day in trial.days.tolist() if not trial.came[day])
    end = trial.end(day, 10.5)
    later = np.arange(len(trial.k.temp_c)) > end
    hours = trial.k.hours
    warm = replace(
        hours,
        temp_c=np.where(later, 30.0, hours.temp_c),
        rh_pct=np.where(later, 90.0, hours.rh_pct),
    )
    other = prepared_log(warm, trial.issues)
    assert trial.chance(day, 10.5, other) == trial.chance(day, 10.5, trial.k)
    # Nor if the whole log is at hand while an earlier hour is judged.
    assert trial.chance(day, 10.5) == pytest.approx(trial.chance(day, 10.5, trial.k), abs=1e-12)


@pytest.mark.slow
def test_part_of_the_members_are_shut_and_the_range_widens_by_that(trials):
    trial = trials[0]
    shut = [day for day in trial.days.tolist() if not trial.came[day]]
    ends = np.array([trial.end(shut[0], 13)])
    args = (trial.issues, ends, MEMBERS, SEED)
    mixed = shut_forecast.predict(trial.shop, trial.k, *args)
    seen = shut_forecast.seen_by(trial.shop, trial.k, ends.tolist())[0]
    assert seen.now > 0.5
    assert seen.chance.sum() == pytest.approx(1)
    alone = [
        shop_model.predict(trial.shop, supposed(trial.k, seen, count), *args) for count in (0, 2)
    ]
    assert mixed.members.shape == alone[0].members.shape
    step = 24  # tomorrow at this hour
    wide, warm, cold = (
        np.ptp(np.quantile(one.members[0, :, step, 0], [0.1, 0.9])) for one in (mixed, *alone)
    )
    assert wide > 1.3 * max(warm, cold)
    low, high = sorted(one.given[0, step, 0] for one in alone)
    assert low < mixed.given[0, step, 0] < high


@pytest.mark.slow
def test_an_open_day_is_foretold_as_before_to_the_last_bit(trials):
    trial = trials[0]
    k = trial.k
    for day in trial.days.tolist():
        ends = np.array([trial.end(day, 12)])
        seen = shut_forecast.seen_by(trial.shop, k, ends.tolist())[0]
        if trial.came[day] and seen.now < shut_days.DOUBT and not len(seen.seen):
            break
    mixed = shut_forecast.predict(trial.shop, k, trial.issues, ends, MEMBERS, SEED)
    plain = shop_model.predict(trial.shop, k, trial.issues, ends, MEMBERS, SEED)
    assert all((a == b).all() for a, b in zip(mixed, plain, strict=True))


@pytest.mark.slow
def test_an_answer_counts_more_than_the_readings(trials):
    trial = trials[0]
    day = next(day for day in trial.days.tolist() if not trial.came[day])
    hours = trial.k.hours
    assert trial.chance(day, 12) > 0.5
    opened = trial.k._replace(hours=replace(hours, opened=np.array([day])))
    assert trial.chance(day, 12, opened) < 0.01
    end = trial.end(day, 12)
    closed = trial.k._replace(hours=replace(hours, closed=np.array([day])))
    (told,) = shut_forecast.seen_by(trial.shop, closed, [end])
    assert day not in told.days  # it needs no guess
    assert day not in told.seen


@pytest.mark.slow
def test_a_forgotten_closing_is_asked_about_once_people_come(trials):
    trial = trials[0]

    def again(day: int, clock_h: float, closed: list[int]) -> float:
        k = trial.k._replace(hours=replace(trial.k.hours, closed=np.array(closed)))
        return shut_days.chance_open_again(trial.room, k, trial.end(day, clock_h))

    came = {True: [], False: []}
    for day in trial.days.tolist():
        came[trial.came[day]].append(again(day, 12.5, [day]))
    assert np.mean(np.array(came[True]) >= shut_days.ASK) >= 0.6
    assert max(came[False]) < shut_days.ASK
    day = next(day for day in trial.days.tolist() if trial.came[day])
    assert np.isnan(again(day, 12.5, []))  # nobody said that it is closed
    assert np.isnan(again(day, 2.5, [day]))  # the night tells nothing


@pytest.mark.slow
def test_shut_days_that_were_seen_do_not_spoil_the_fit_of_the_open_ones(trials):
    trial = trials[0]
    stop = len(trial.k.temp_c) - 1
    seen = shut_days.shut_outlook(trial.room, trial.k, trial.misfits, stop, STEPS)
    blind, seeing = (fit_room(k, stop, trial.room) for k in (trial.k, supposed(trial.k, seen, 0)))
    assert seeing.heat.misfit < 0.8 * blind.heat.misfit


def test_how_long_a_shut_run_goes_on_is_learned_from_the_log():
    usual = learned_habit(np.zeros(0, bool))
    assert usual == shut_days.USUAL_HABIT
    single, long = np.zeros((2, 300), bool)
    single[::10] = True
    for start in range(0, 300, 60):
        long[start + 20 : start + 32] = True
    one_day, twelve = learned_habit(single), learned_habit(long)
    assert one_day.starts > 2 * usual.starts
    assert one_day.again < 0.1 < usual.again < twelve.again
    assert twelve.further == pytest.approx(10 / 11, abs=0.04)
    for habit in (usual, one_day, ShutHabit(0.1, 0.2, 0.3)):
        np.testing.assert_allclose(habit.chain.sum(axis=1), 1)


@pytest.mark.slow
def test_a_log_without_a_whole_morning_says_nothing_of_shut_days(trials):
    trial = trials[0]
    k = trial.k
    misfits = shut_days.day_misfits(trial.room, k, 20)
    seen = shut_days.shut_outlook(trial.room, k, misfits, 20, STEPS)
    assert seen.seen.tolist() == NO_DAYS.tolist()
    assert seen.now < shut_days.DOUBT or not len(seen.days)
