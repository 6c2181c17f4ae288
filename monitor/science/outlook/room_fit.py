"""The room fitted to its own log."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np

from monitor.science.outlook import heat_balance, tank, vapour_balance
from monitor.science.outlook.calendar import NO_DAYS, Calendar, sun_offset_h
from monitor.science.outlook.fitting import Estimate, ParameterPrior, estimate, prior_estimate
from monitor.science.outlook.hourly_log import OutdoorHours
from monitor.science.outlook.room_model import (
    PreparedLog,
    RoomModel,
    Tank,
    at,
    humidifier_gave,
    recorded_fills,
    run,
    tank_history,
    vapour_drive,
)
from monitor.science.ranges import Floats

RUN_H, EVERY_H = 48, 11
"""The models are fitted to runs of so many hours, begun every so many, so at all times of the day.
[h]  Ours."""

JUDGED_H = np.array([1, 2, 3, 4, 6, 8, 10, 12, 15, 18, 21, 24, 28, 32, 36, 40, 44, 48])
"""Hours of a run that are compared with the log. [h]  Ours."""

FIT_DAYS, FADE_DAYS = 90, 60.0
"""So many days are fitted, older ones counting less by this e-fold. [d]  Ours."""

FEWEST_RUNS = 8
"""Fewer runs than this fit nothing. [-]  Ours: two days of starts."""

LEAST_DEW_RANGE_K = 5.0
"""Outdoor dew point must have moved so far, or sources and air change cannot be separated. [K]  Ours."""

NOISE_SD = ((0.25, 0.5, 12.0), (0.7, 1.5, 15.0))
"""Noise that residuals are counted in: at once, what is added far ahead, within how many hours;
of temperature [K] and RH [%].  Ours."""

SOUGHT_DAYS = 3
"""A tank that was not found is sought again each so many days. [d]  Ours: it takes time."""

STRONG_PA_H, STRONG_WICK_H, ROUNDS, TANK_STEPS = 300.0, 0.2, 3, 4
"""The search for a tank begins with a humidifier or a wick as strong as this, whichever the log bears
out better, goes to and fro so often, and takes so many steps each time. [Pa/h], [1/h], [-], [-]
Ours."""

SETTINGS_PCT = (30.0, 61.0)
"""Settings of a humidifier that are thought of. [%]  Ours."""

GAIN_A_DAY, LEAST_GAIN, HOPELESS = 5.0, 60.0, 0.3
"""A tank is believed from this gain a day on and from this gain in all, and given up below the last
a day (`tank.Told`). [-]  Ours: rooms of `tests/rooms` with one gained 6 to 70 a day, those without
below 2."""

SAID = 0.5
"""Part of the gain that is enough where somebody said that there is a humidifier. [-]  Ours."""

NEARLY = 1.15
"""Ways of keeping the tank that are off by no more than this times the least count alike. [-]
Ours."""

WORSE = 1.15
"""A tank whose run of the past is off by so much more than without it is not believed. [-]  Ours:
the balance without is fitted to just these runs, and has the better of it there."""


def starts_of(stop: int) -> tuple[int, np.ndarray]:
    """The first hour that is fitted, and the hours at which runs begin."""
    first = max(stop - 24 * FIT_DAYS, 24)
    return first, np.arange(stop - RUN_H, first - 1, -EVERY_H)[::-1]


class Runs(NamedTuple):
    """The runs that a fit up to some hour compares with the log.

    They begin after the hours number `starts` (runs,) and go through those of `rows` (RUN_H,
    runs), under the outdoor `air` and the vapour balance's drive `wet` of that shape;
    `information` (residuals,) as `estimate` has it.
    """

    starts: np.ndarray
    rows: np.ndarray
    when: Calendar
    air: OutdoorHours
    wet: vapour_balance.VapourDrive
    information: Floats

    @classmethod
    def of(cls, k: PreparedLog, starts: np.ndarray, stop: int, offset_h: int) -> Runs:
        rows = starts + np.arange(1, RUN_H + 1)[:, None]
        when = k.hours.calendar(rows, offset_h)
        air = at(k.past, rows)
        age = np.exp(-(stop - starts) / 24 / FADE_DAYS)
        information = np.tile(age * EVERY_H / (2.0 * len(JUDGED_H)), len(JUDGED_H))
        wet = vapour_drive(air, np.clip(k.temp_c[rows], -40, 60), when)
        return cls(starts, rows, when, air, wet, information)

    def water_off(self, k: PreparedLog, theta: Floats, wet: vapour_balance.VapourDrive) -> Floats:
        """Residuals of RH under a drive, (b, residuals), in units of the noise."""
        simulated = vapour_balance.simulate(
            theta, wet, k.rh_pct[self.starts], k.water[:, self.starts]
        )
        return _off(simulated, k.hours.rh_pct[self.rows], 1)


def _off(simulated: Floats, observed: Floats, which: int) -> Floats:
    near, far, within = NOISE_SD[which]
    sd = near + far * (1 - np.exp(-JUDGED_H / within))
    cut, truth = simulated[JUDGED_H - 1], observed[JUDGED_H - 1]
    r = np.nan_to_num((cut - truth[:, None]) / sd[:, None, None])
    return np.moveaxis(r, 1, 0).reshape(r.shape[1], -1)


def fit_room(k: PreparedLog, stop: int, before: RoomModel | None = None) -> RoomModel:
    """Fits to runs that end at or before hour number `stop`, from an earlier fit if there is one.

    A fit that the log does not bear out is refused: too few runs, outdoor air that hardly moved,
    or no better than the prior on the same runs.
    """
    first, starts = starts_of(stop)
    span = slice(max(first - 24, 0), stop + 1)
    offset = sun_offset_h(k.hours.ends_h[span], k.past.temp_c[span])
    if len(starts) < FEWEST_RUNS:
        return _unfitted(
            offset, f"{len(starts)} runs of {RUN_H} h: must be at least {FEWEST_RUNS}"
        )
    dew_range = float(np.ptp(k.past.dew_c[span]))
    if dew_range < LEAST_DEW_RANGE_K:
        return _unfitted(
            offset,
            f"outdoor dew point moved by {dew_range:.1f} K: must be at least {LEAST_DEW_RANGE_K:g}",
        )
    runs = Runs.of(k, starts, stop, offset)
    information = runs.information

    def heat_off(theta: Floats) -> Floats:
        drive = heat_balance.HeatDrive(runs.air.temp_c, runs.air.dew_c, runs.when)
        simulated = heat_balance.simulate(theta, drive, k.temp_c[starts], k.heat[:, starts])
        return _off(simulated, k.hours.temp_c[runs.rows], 0)

    def water_off(theta: Floats) -> Floats:
        return runs.water_off(k, theta, runs.wet)

    steps = 12 if before is None or before.refused else 3
    start_heat, start_water = (
        (heat_balance.PRIOR.mean, vapour_balance.PRIOR.mean)
        if before is None
        else (before.heat.mean, before.water.mean)
    )
    heat = estimate(heat_off, heat_balance.PRIOR, start_heat, information, steps)
    water = estimate(water_off, vapour_balance.PRIOR, start_water, information, steps)
    for name, residuals, prior, found in (
        ("heat", heat_off, heat_balance.PRIOR, heat),
        ("vapour", water_off, vapour_balance.PRIOR, water),
    ):
        if not found.misfit <= _misfit(residuals(prior.mean[None])[0]):
            return _unfitted(offset, f"the fit of the {name} balance is no better than a guess")
    room = RoomModel(heat, water, offset)
    if k.hours.humidifier is False:
        return room
    return replace(room, tank=_tank(k, runs, room, stop, before))


def _tank(
    k: PreparedLog, runs: Runs, room: RoomModel, stop: int, before: RoomModel | None
) -> Tank | None:
    """The balance with a tank that runs dry, None if the log shows no such tank.

    Whether the tank held water and what a full humidifier does are found in turn, from what is
    found of the other (expectation and maximisation).
    """
    if len(k.hours.supposed) and (before is None or before.tank is None):
        # A dry tank looks like a shut day: it is sought on a log in which nobody supposes any.
        said = np.setdiff1d(k.hours.closed, k.hours.supposed)
        k = k._replace(hours=replace(k.hours, closed=said, supposed=NO_DAYS))
        runs = Runs.of(k, runs.starts, stop, room.offset_h)
    index = np.arange(max(int(runs.starts[0]) - 24, 1), stop + 1)
    days = len(index) / 24
    if before is not None and before.tank is not None:
        theta, rounds = before.tank.water.mean, 1
    elif before is not None and (stop + 1) // 24 % SOUGHT_DAYS:
        return None
    else:
        lingers = _lingers_at(k.hours.rh_pct[index])
        kinds = (
            vapour_balance.with_humidifier(room.water.mean, STRONG_PA_H, lingers),
            vapour_balance.with_wick(room.water.mean, STRONG_WICK_H),
        )
        gains = [tank_history(k, one, room.offset_h, index)[0].gain for one in kinds]
        theta, rounds = kinds[int(np.argmax(gains))], ROUNDS
    for n in range(rounds):
        tank_water, _, _ = tank_history(k, theta, room.offset_h, index)
        if n and tank_water.gain < HOPELESS * days:
            return None
        part = np.ones(len(k.rh_pct))
        part[index] = tank_water.since
        wet = runs.wet._replace(humidifier=part[runs.rows])
        found = estimate(
            partial(runs.water_off, k, wet=wet),
            vapour_balance.one_shape(theta),
            theta,
            runs.information,
            TANK_STEPS,
        )
        theta = found.mean
    tank_water, when, noise = tank_history(k, theta, room.offset_h, index)
    if tank_water.gain < max(LEAST_GAIN, GAIN_A_DAY * days) * (SAID if k.hours.humidifier else 1):
        return None

    def off(kept: Tank | None) -> float:
        _, rh = run(replace(room, tank=kept), k, runs.starts, runs.air)
        return float(np.abs(_off(rh[:, None], k.hours.rh_pct[runs.rows], 1)).mean())

    given = humidifier_gave(theta, k, index)
    works, filled = vapour_balance.works(theta, when), recorded_fills(k, index)
    habits = tank.habits(tank_water.since, given, when.hour, works, filled)
    offs = [off(Tank(found, (habit,), noise)) for habit in habits]
    best = min(offs)
    if best > WORSE * off(None):
        return None
    likely = zip(habits, offs, strict=True)
    return Tank(found, tuple(habit for habit, one in likely if one <= NEARLY * best), noise)


def _lingers_at(rh_pct: Floats) -> float:
    """The RH that was read most often, to 1 %, of those a humidifier may be set to. [%]"""
    bins = np.arange(*SETTINGS_PCT)
    near = [np.sum(np.abs(rh_pct - level) < 1) for level in bins]
    return float(bins[int(np.argmax(near))])


def _misfit(residuals: Floats) -> float:
    return float(np.mean(residuals**2))


def _unfitted(offset_h: int, why: str) -> RoomModel:
    def of(prior: ParameterPrior) -> Estimate:
        return prior_estimate(prior)

    return RoomModel(of(heat_balance.PRIOR), of(vapour_balance.PRIOR), offset_h, why)
