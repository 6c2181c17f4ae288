"""The room fitted to its own log, and run forward from any hour of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitor.errors import OutOfRange
from monitor.science.air import R_VAPOUR
from monitor.science.outlook import tank, thermal, vapour
from monitor.science.outlook.calendar import Calendar, calendar, sun_offset_h, working
from monitor.science.outlook.fitting import Estimate, Prior, estimate, untold
from monitor.science.outlook.record import Hours, Issues, Outdoors, filled, lagged, past_outdoors
from monitor.science.ranges import Floats
from monitor.science.saturation import saturation_vapour_pressure

RUN_H, EVERY_H = 48, 11
"""The models are fitted to runs of so many hours, begun every so many, so at all times of the day.
[h]  Ours."""

JUDGED_H = np.array([1, 2, 3, 4, 6, 8, 10, 12, 15, 18, 21, 24, 28, 32, 36, 40, 44, 48])
"""Hours of a run that are compared with the log. [h]  Ours."""

FIT_DAYS, FADE_DAYS = 90, 60.0
"""So many days are fitted, older ones counting less by this e-fold. [d]  Ours."""

SCALE_SD = 0.6
"""Standard deviation of ln of the true air change over the fitted one, where nothing tells it. [-]
Ours: that of the prior, `vapour.PRIOR`."""

TENTH = 1.2816
"""10 and 90 % of a normal distribution lie so many standard deviations off. [-]"""

FEWEST_RUNS = 8
"""Fewer runs than this fit nothing. [-]  Ours: two days of starts."""

LEAST_DEW_RANGE_K = 5.0
"""Outdoor dew point must have moved so far, or sources and air change cannot be told. [K]  Ours."""

NOISE_SD = ((0.25, 0.5, 12.0), (0.7, 1.5, 15.0))
"""Noise that residuals are counted in: at once, what is added far ahead, within how many hours;
of temperature [K] and RH [%].  Ours."""


class Known(NamedTuple):
    """A log made ready: gaps carried forward, outdoors joined, what walls and wood remember.

    `temp_c`, `rh_pct` (n,) without gaps; `heat` (3, n) [°C] and `water` (4, n) [%] the memories.
    """

    hours: Hours
    temp_c: Floats
    rh_pct: Floats
    past: Outdoors
    heat: Floats
    water: Floats


def known(hours: Hours, issues: Issues) -> Known:
    """Makes a log ready. Nothing at an hour rests on what came after it.

    Raises
    ------
    OutOfRange
        If there is no indoor reading at all, or nothing is known of the outdoors.
    """
    none = np.full(len(hours), np.nan)
    past = past_outdoors(hours, issues)
    for name, values in (
        ("hours with temperature", hours.temp_c),
        ("hours with RH", hours.rh_pct),
        ("hours with outdoor air", past.temp_c + past.dew_c),
    ):
        if np.isnan(values).all():
            raise OutOfRange(name, 0, "", 1, None)
    return Known(
        hours, filled(hours.temp_c, none), filled(hours.rh_pct, none), past,
        lagged(hours.temp_c, thermal.LADDER_H), lagged(hours.rh_pct, vapour.LADDER_H),
    )  # fmt: skip


class Pinned(NamedTuple):
    """The vapour balance in grams, as known water tells it (`pinned.pinned`); what its scale may be
    off by, as a standard deviation of ln [-]; and its air change in the mean of the fitted weeks.
    [1/h]"""

    water: Estimate
    sd: float
    air_change_h: float


class Tank(NamedTuple):
    """The vapour balance once more, with a humidifier whose tank runs dry, and how that is kept."""

    water: Estimate
    habit: tank.Habit


@dataclass(frozen=True, eq=False)
class Room:
    """Fitted heat and vapour. `refused` says why the fit was not taken and the prior stands in,
    empty if it was taken. `pinned` is the vapour once more where weighed fills tell its scale: what
    a litre does rests on it, what is foretold does not."""

    heat: Estimate
    water: Estimate
    offset_h: int
    refused: str = ""
    pinned: Pinned | None = None
    tank: Tank | None = None

    @property
    def vapour(self) -> Estimate:
        """The vapour balance that foretells."""
        return self.water if self.tank is None else self.tank.water

    @property
    def scaled(self) -> tuple[Estimate, float]:
        """The vapour that a litre acts on, and the standard deviation of ln of the true air change
        over its own. [-]"""
        if self.pinned is None:
            return self.vapour, SCALE_SD
        return self.pinned.water, self.pinned.sd


def run(room: Room, k: Known, starts: np.ndarray, air: Outdoors) -> tuple[Floats, Floats]:
    """Indoor temperature [°C] and RH [%] for the hours after the log's hours number `starts`.

    `air` has fields of shape (steps, runs), and so has the result.
    """
    steps = len(air.temp_c)
    ends_h = k.hours.first_h + starts + 1 + np.arange(steps)[:, None]
    when = calendar(ends_h, room.offset_h, k.hours.closed)
    drive = thermal.Drive(air.temp_c, air.dew_c, when)
    t = thermal.simulate(room.heat.mean[None], drive, k.temp_c[starts], k.heat[:, starts])[:, 0]
    t = np.clip(t, -40, 60)
    wet = _vapour_drive(air, t, when)
    theta, before = room.vapour.mean, (k.rh_pct[starts], k.water[:, starts])
    rh = vapour.simulate(theta[None], wet, *before)[:, 0]
    if room.tank is not None:
        to_come = tank_ahead(theta, room.tank.habit, room.offset_h, k, starts, rh, when)
        filled, left = (
            vapour.simulate(theta[None], wet._replace(humidifier=running), *before)[:, 0]
            for running in to_come.running
        )
        rh = to_come.filled * filled + (1 - to_come.filled) * left
    return t, rh


def plain(room: Room, k: Known, starts: np.ndarray, air: Outdoors, rh: Floats) -> Floats:
    """RH as `run`, but by the balance without a tank that runs dry; `rh` if there is none."""
    return rh if room.tank is None else run(replace(room, tank=None), k, starts, air)[1]


TANK_DAYS = 14
"""What the tank holds is told by so many days before. [d]  Ours."""


def tank_ahead(
    theta: Floats, habit: tank.Habit, offset_h: int, k: Known, starts: np.ndarray, rh: Floats,
    when: Calendar,
) -> tank.Ahead:
    """The humidifier's tank in the hours after the log's hours number `starts`, if RH will be `rh`
    (steps, runs)."""
    first, last = max(int(starts.min()) - 24 * TANK_DAYS, 1), int(starts.max())
    index = np.arange(first, last + 1)
    told, past = tank_told(k, theta, offset_h, index)
    given = vapour.given(theta, k.rh_pct[index])
    fills = vapour.works(theta, past) & (np.floor(past.hour) == habit.hour)
    known_ = tank.state(told.then, given, fills, habit)
    at_ = np.maximum(starts - first, 0)
    fills = vapour.works(theta, when) & (np.floor(when.hour) == habit.hour)
    return tank.ahead(
        known_.left[at_], known_.kept[at_], vapour.given(theta, rh), fills, habit
    )


def tank_told(k: Known, theta: Floats, offset_h: int, index: np.ndarray) -> tuple[tank.Told, Calendar]:
    """Whether the tank held water in the log's hours number `index` (n,), the first at least 1."""
    when = calendar(k.hours.first_h + index, offset_h, k.hours.closed)
    row = Calendar(when.hour[None], when.weekday[None])
    wet = _vapour_drive(at(k.past, index[None]), np.clip(k.temp_c[index], -40, 60)[None], row)
    before = k.rh_pct[index - 1], k.water[:, index - 1]
    running, dry = (
        vapour.simulate(theta[None], wet._replace(humidifier=part), *before)[0, 0] for part in (1.0, 0.0)
    )
    open_ = working(when.hour) * vapour.works(theta, row)[0]
    return tank.told(k.hours.rh_pct[index], running, dry, open_), when


def _vapour_drive(air: Outdoors, temp_c: Floats, when: Calendar) -> vapour.Drive:
    return vapour.Drive(
        saturation_vapour_pressure(np.clip(air.dew_c, -90, 60)), air.temp_c, air.wind_m_s, temp_c,
        saturation_vapour_pressure(temp_c), when,
    )  # fmt: skip


def at(past: Outdoors, index: np.ndarray) -> Outdoors:
    """The outdoor air at some hours of the log."""
    return Outdoors(*(field[index] for field in past))


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
    air: Outdoors
    wet: vapour.Drive
    information: Floats

    @classmethod
    def of(cls, k: Known, starts: np.ndarray, stop: int, offset_h: int) -> Runs:
        rows = starts + np.arange(1, RUN_H + 1)[:, None]
        when = calendar(k.hours.first_h + rows, offset_h, k.hours.closed)
        air = at(k.past, rows)
        age = np.exp(-(stop - starts) / 24 / FADE_DAYS)
        information = np.tile(age * EVERY_H / (2.0 * len(JUDGED_H)), len(JUDGED_H))
        wet = _vapour_drive(air, np.clip(k.temp_c[rows], -40, 60), when)
        return cls(starts, rows, when, air, wet, information)

    def water_off(self, k: Known, theta: Floats, wet: vapour.Drive) -> Floats:
        """Residuals of RH under a drive, (b, residuals), in units of the noise."""
        simulated = vapour.simulate(theta, wet, k.rh_pct[self.starts], k.water[:, self.starts])
        return _off(simulated, k.hours.rh_pct[self.rows], 1)


def _off(simulated: Floats, told: Floats, which: int) -> Floats:
    near, far, within = NOISE_SD[which]
    sd = near + far * (1 - np.exp(-JUDGED_H / within))
    cut, truth = simulated[JUDGED_H - 1], told[JUDGED_H - 1]
    r = np.nan_to_num((cut - truth[:, None]) / sd[:, None, None])
    return np.moveaxis(r, 1, 0).reshape(r.shape[1], -1)


def fit_room(k: Known, stop: int, before: Room | None = None) -> Room:
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
        drive = thermal.Drive(runs.air.temp_c, runs.air.dew_c, runs.when)
        simulated = thermal.simulate(theta, drive, k.temp_c[starts], k.heat[:, starts])
        return _off(simulated, k.hours.temp_c[runs.rows], 0)

    def water_off(theta: Floats) -> Floats:
        return runs.water_off(k, theta, runs.wet)

    steps = 12 if before is None or before.refused else 3
    start_heat, start_water = (
        (thermal.PRIOR.mean, vapour.PRIOR.mean)
        if before is None
        else (before.heat.mean, before.water.mean)
    )
    heat = estimate(heat_off, thermal.PRIOR, start_heat, information, steps)
    water = estimate(water_off, vapour.PRIOR, start_water, information, steps)
    for name, residuals, prior, found in (
        ("heat", heat_off, thermal.PRIOR, heat),
        ("vapour", water_off, vapour.PRIOR, water),
    ):
        if not found.misfit <= _misfit(residuals(prior.mean[None])[0]):
            return _unfitted(offset, f"the fit of the {name} balance is no better than a guess")
    room = Room(heat, water, offset)
    kept = _with_tank(k, runs, room, stop, before)
    return replace(room, tank=kept)


GAIN_A_DAY, LEAST_GAIN, BETTER = 5.0, 60.0, 1.3
HOPELESS, ROUNDS = 1.0, 4
STRONG_PA_H = 300.0


def _with_tank(k: Known, runs: Runs, room: Room, stop: int, before: Room | None) -> Tank | None:
    index = np.arange(max(int(runs.starts[0]) - 24, 1), stop + 1)
    days = len(index) / 24
    if before is not None and before.tank is not None:
        theta, rounds = before.tank.water.mean, 1
    else:
        theta, rounds = room.water.mean.copy(), ROUNDS
        theta[10], theta[11] = np.log(STRONG_PA_H), 43.0
    for n in range(rounds):
        told, _ = tank_told(k, theta, room.offset_h, index)
        if n == 1 and told.gain < HOPELESS * days:
            return None
        running = np.ones(len(k.rh_pct))
        running[index] = told.since
        wet = runs.wet._replace(humidifier=running[runs.rows])
        found = estimate(lambda t: runs.water_off(k, t, wet), vapour.PRIOR, theta, runs.information, 4)  # noqa: B023
        theta = found.mean
    told, when = tank_told(k, theta, room.offset_h, index)
    if told.gain < max(LEAST_GAIN, GAIN_A_DAY * days):
        return None
    given = vapour.given(theta, k.rh_pct[index])
    work = vapour.works(theta, Calendar(when.hour[None], when.weekday[None]))[0]
    def off(tank_: Tank | None) -> float:
        _, rh = run(replace(room, tank=tank_), k, runs.starts, runs.air)
        return float(np.abs(_off(rh[:, None], k.hours.rh_pct[runs.rows], 1)).mean())
    best, least = None, BETTER * off(None)
    for habit in tank.habits(told.since, given, when.hour, work):
        now = off(Tank(found, habit))
        if now < least: best, least = Tank(found, habit), now
    return best


def _misfit(residuals: Floats) -> float:
    return float(np.mean(residuals**2))


def _unfitted(offset_h: int, why: str) -> Room:
    def of(prior: Prior) -> Estimate:
        return untold(prior)

    return Room(of(thermal.PRIOR), of(vapour.PRIOR), offset_h, why)


class Told(NamedTuple):
    """A quantity of the room: 10, 50 and 90 % of what it may be, and whether the log tells it."""

    low: float
    middle: float
    high: float
    known: bool


USUAL_WIND_M_S, USUAL_GAP_K, USUAL_SATURATION_PA = 3.0, 12.0, 2339.0
"""Wind, indoors less outdoors, and saturation at 20 °C, that a room is described for."""


def described(room: Room, seed: int = 1) -> dict[str, Told]:
    """What can be said of the room, in words that a log of RH can bear.

    Returns
    -------
    dict
        `moisture_excess_g_m3`: vapour the room adds to outdoor air, in the mean of the hours
        [g/m³]. `damping_h`: how long wood and plaster hold RH back [h]. `day_setting_c`,
        `night_setting_c`: thermostat [°C]. `air_change_h` [1/h]: never known from RH alone, since
        air change, sources and buffering scale together; its prior's range with the usual wind is
        given. Known, in the mean of the fitted weeks, where weighed fills told it.
    """
    random = np.random.default_rng(seed)
    water = draws(room.water, random)
    heat = draws(room.heat, random)
    change = _air_change(water)
    source = water[:, vapour.REST][:, 0] + 5.5 / 7 * water[:, vapour.WORK][:, 0]
    excess = 1000 * source / change / (R_VAPOUR * 293.15)
    store = (np.exp(water[:, vapour.KAPPA]) * vapour.LADDER_H)[:, :3].sum(1)
    damping = (1 + store * 100 / USUAL_SATURATION_PA) / change
    fitted = not room.refused
    settings = room.heat.told[thermal.DAY], room.heat.told[thermal.NIGHT]
    return {
        "moisture_excess_g_m3": _told(excess, known=fitted),
        "damping_h": _told(damping, known=fitted),
        "day_setting_c": _told(heat[:, thermal.DAY], known=fitted and settings[0] > 0.5),
        "night_setting_c": _told(heat[:, thermal.NIGHT], known=fitted and settings[1] > 0.5),
        "air_change_h": (
            _told(_air_change(draws(untold(vapour.PRIOR), random)), known=False)
            if room.pinned is None
            else _changed(room.pinned)
        ),
    }


def _air_change(water: Floats) -> Floats:
    """With the usual wind and gap between indoors and outdoors. [1/h]"""
    by_wind, by_gap = np.exp(water[:, 1]) * USUAL_WIND_M_S, np.exp(water[:, 2]) * USUAL_GAP_K
    return np.asarray(np.exp(water[:, 0]) + by_wind + by_gap)


def _changed(found: Pinned) -> Told:
    by = float(np.exp(TENTH * found.sd))
    return Told(found.air_change_h / by, found.air_change_h, found.air_change_h * by, True)


def draws(found: Estimate, random: np.random.Generator, count: int = 400) -> Floats:
    """Parameters that may be so, (count, parameters)."""
    root = np.linalg.cholesky(found.cov + 1e-12 * np.eye(len(found.mean)))
    return found.mean + random.standard_normal((count, len(found.mean))) @ root.T


def _told(values: Floats, *, known: bool) -> Told:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9]).tolist()
    return Told(low, middle, high, known)
