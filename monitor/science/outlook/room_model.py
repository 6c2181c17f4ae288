"""The room as its own log shows it, run forward from any hour of that log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.air import R_VAPOUR
from monitor.science.outlook import heat_balance, tank, vapour_balance
from monitor.science.outlook.calendar import Calendar, working
from monitor.science.outlook.fitting import Estimate, prior_estimate
from monitor.science.outlook.hourly_log import (
    Issues,
    OutdoorHours,
    ShopHours,
    filled,
    lagged,
    past_outdoors,
    since_mean,
)
from monitor.science.ranges import Floats
from monitor.science.saturation import saturation_vapour_pressure

SCALE_SD = 0.6
"""Standard deviation of ln of the true air change over the fitted one, where nothing tells it. [-]
Ours: that of the prior, `vapour.PRIOR`."""

TENTH = 1.2816
"""10 and 90 % of a normal distribution lie so many standard deviations off. [-]"""

TANK_DAYS = 14
"""Days before that the water in the tank is inferred from. [d]  Ours."""


class PreparedLog(NamedTuple):
    """A log made ready: gaps carried forward, outdoors joined, what walls and wood remember.

    `temp_c`, `rh_pct` (n,) without gaps; `heat` (3, n) [°C] and `water` (4, n) [%] the memories;
    `since_mean` (2, n) see `hourly_log.since_mean`.
    """

    hours: ShopHours
    temp_c: Floats
    rh_pct: Floats
    past: OutdoorHours
    heat: Floats
    water: Floats
    since_mean: Floats


def prepared_log(hours: ShopHours, issues: Issues) -> PreparedLog:
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
    return PreparedLog(
        hours,
        filled(hours.temp_c, none),
        filled(hours.rh_pct, none),
        past,
        lagged(hours.temp_c, heat_balance.LADDER_H),
        lagged(hours.rh_pct, vapour_balance.LADDER_H),
        since_mean(hours),
    )


class FillCalibration(NamedTuple):
    """Vapour balance in grams, calibrated by known water (`weighed_fills`).

    `sd`: standard deviation of ln of its scale [-]; `air_change_h`: air change in the mean of the
    fitted weeks. [1/h]
    """

    water: Estimate
    sd: float
    air_change_h: float


class Tank(NamedTuple):
    """The vapour balance once more, with a humidifier whose tank runs dry, and how that may be kept:
    what follows from each of `habits` is averaged. `noise_pct` see `tank.noise`. [%]"""

    water: Estimate
    habits: tuple[tank.Habit, ...]
    noise_pct: float


@dataclass(frozen=True, eq=False)
class RoomModel:
    """Fitted heat and vapour balances of a room.

    `refused`: why the fit was not taken and the prior used instead, empty if it was taken.
    `pinned`: the vapour balance once more where weighed fills give its scale: the effect of a
    litre uses it, the outlook does not. `tank` is None where the log shows no humidifier that runs
    dry.
    """

    heat: Estimate
    water: Estimate
    offset_h: int
    refused: str = ""
    pinned: FillCalibration | None = None
    tank: Tank | None = None

    @property
    def vapour(self) -> Estimate:
        """Vapour balance used for the outlook."""
        return self.water if self.tank is None else self.tank.water

    @property
    def scaled(self) -> tuple[Estimate, float]:
        """The vapour that a litre acts on, and the standard deviation of ln of the true air change
        over its own. [-]"""
        if self.pinned is None:
            return self.vapour, SCALE_SD
        return self.pinned.water, self.pinned.sd


def run(
    room: RoomModel, k: PreparedLog, starts: np.ndarray, air: OutdoorHours
) -> tuple[Floats, Floats]:
    """Indoor temperature [°C] and RH [%] for the hours after the log's hours number `starts`.

    `air` has fields of shape (steps, runs), and so has the result.
    """
    steps = len(air.temp_c)
    when = k.hours.calendar(starts + 1 + np.arange(steps)[:, None], room.offset_h)
    drive = heat_balance.HeatDrive(air.temp_c, air.dew_c, when)
    t = heat_balance.simulate(room.heat.mean[None], drive, k.temp_c[starts], k.heat[:, starts])[
        :, 0
    ]
    t = np.clip(t, -40, 60)
    wet = vapour_drive(air, t, when)
    theta, before = room.vapour.mean, (k.rh_pct[starts], k.water[:, starts])
    rh = vapour_balance.simulate(theta[None], wet, *before)[:, 0]
    if room.tank is not None:
        comings = _tank_ahead(room.tank, room.offset_h, k, starts, rh, wet.saturation_pa, when)
        ways = np.concatenate([to_come.running for to_come in comings])
        tried = wet._replace(humidifier=np.moveaxis(ways, 0, 1))
        by_way = vapour_balance.simulate(theta[None], tried, *before)
        parts = [(to_come.filled, 1 - to_come.filled) for to_come in comings]
        rh = (by_way * np.stack(sum(parts, ()), axis=1)).sum(1) / len(comings)
    return t, rh


def humidifier_running(room: RoomModel, k: PreparedLog, end: int, air: OutdoorHours) -> Floats:
    """Probability that the humidifier has water in each hour after hour number `end`, (steps,);
    `air` (steps, 1). [-]"""
    steps = len(air.temp_c)
    if room.tank is None:
        return np.ones(steps)
    starts = np.array([end])
    t, rh = run(room, k, starts, air)
    saturation_pa = saturation_vapour_pressure(t)
    when = k.hours.calendar(end + 1 + np.arange(steps)[:, None], room.offset_h)
    parts = [
        ahead.filled * ahead.running[0] + (1 - ahead.filled) * ahead.running[1]
        for ahead in _tank_ahead(room.tank, room.offset_h, k, starts, rh, saturation_pa, when)
    ]
    return np.asarray(np.mean(parts, axis=0)[:, 0])


def _tank_ahead(
    found: Tank,
    offset_h: int,
    k: PreparedLog,
    starts: np.ndarray,
    rh: Floats,
    saturation_pa: Floats,
    when: Calendar,
) -> list[tank.TankAhead]:
    """The tank in the hours after the log's hours number `starts`, if RH [%] and saturation [Pa]
    will be about so, (steps, runs), by each habit."""
    theta = found.water.mean
    first = max(int(starts.min()) - 24 * TANK_DAYS, 1)
    index = np.arange(first, int(starts.max()) + 1)
    tank_water, past, _ = tank_history(k, theta, offset_h, index, found.noise_pct)
    gave = humidifier_gave(theta, k, index)
    will_give = vapour_balance.given(theta, rh, saturation_pa)
    now = np.maximum(starts - first, 0)
    comings = []
    for habit in found.habits:
        as_a_rule = _filled_at(theta, past, habit)
        so_far = tank.state(tank_water.then, gave, as_a_rule, habit, recorded_fills(k, index))
        comings.append(
            tank.ahead(so_far.at(now), will_give, _filled_at(theta, when, habit), habit)
        )
    return comings


def humidifier_gave(theta: Floats, k: PreparedLog, index: np.ndarray) -> Floats:
    """Output of the humidifier in the log's hours number `index` (n,) if it had water. [Pa/h]"""
    saturation_pa = saturation_vapour_pressure(np.clip(k.temp_c[index], -40, 60))
    return vapour_balance.given(theta, k.rh_pct[index], saturation_pa)


def recorded_fills(k: PreparedLog, index: np.ndarray) -> np.ndarray:
    """Mask of the log's hours number `index` in which a fill of a tank was recorded."""
    return np.isin(k.hours.first_h + index, k.hours.filled_h)


def _filled_at(theta: Floats, when: Calendar, habit: tank.Habit) -> np.ndarray:
    return vapour_balance.works(theta, when) & (np.floor(when.hour) == habit.hour)


def tank_history(
    k: PreparedLog, theta: Floats, offset_h: int, index: np.ndarray, noise_pct: float | None = None
) -> tuple[tank.TankProbability, Calendar, float]:
    """Probability that the tank held water in the log's hours number `index` (n,), the first at
    least 1.

    Also the calendar of those hours, and the noise, found in just these hours if it is not given.
    [%]
    """
    when = k.hours.calendar(index, offset_h)
    row = Calendar(*(field[None] for field in when))
    wet = vapour_drive(at(k.past, index[None]), np.clip(k.temp_c[index], -40, 60)[None], row)
    before = k.rh_pct[index - 1], k.water[:, index - 1]
    on, off = (
        vapour_balance.simulate(theta[None], wet._replace(humidifier=part), *before)[0, 0]
        for part in (1.0, 0.0)
    )
    open_ = working(when.hour) * vapour_balance.works(theta, when)
    read = k.hours.rh_pct[index]
    sd = tank.noise(read, on, off) if noise_pct is None else noise_pct
    filled = recorded_fills(k, index)
    return tank.tank_probability(read, on, off, open_, sd, filled), when, sd


def vapour_drive(air: OutdoorHours, temp_c: Floats, when: Calendar) -> vapour_balance.VapourDrive:
    return vapour_balance.VapourDrive(
        saturation_vapour_pressure(np.clip(air.dew_c, -90, 60)),
        air.temp_c,
        air.wind_m_s,
        temp_c,
        saturation_vapour_pressure(temp_c),
        when,
    )


def at(past: OutdoorHours, index: np.ndarray) -> OutdoorHours:
    """The outdoor air at some hours of the log."""
    return OutdoorHours(*(field[index] for field in past))


class RoomEstimate(NamedTuple):
    """A quantity of the room: its 10, 50 and 90 % values, and whether the log determines it."""

    low: float
    middle: float
    high: float
    known: bool


USUAL_WIND_M_S, USUAL_GAP_K, USUAL_SATURATION_PA = 3.0, 12.0, 2339.0
"""Wind, indoors less outdoors, and saturation at 20 °C, that a room is described for."""


def room_description(room: RoomModel, seed: int = 1) -> dict[str, RoomEstimate]:
    """Quantities of the room that a log of RH can determine.

    Returns
    -------
    dict
        `moisture_excess_g_m3`: vapour the room adds to outdoor air, in the mean of the hours
        [g/m³]. `damping_h`: how long wood and plaster hold RH back [h]. `day_setting_c`,
        `night_setting_c`: thermostat [°C]. `air_change_h` [1/h]: never known from RH alone, since
        air change, sources and buffering scale together; its prior's range with the usual wind is
        given. Known, in the mean of the fitted weeks, where weighed fills give it.
    """
    random = np.random.default_rng(seed)
    water = draws(room.vapour, random)
    heat = draws(room.heat, random)
    change = _air_change(water)
    source = water[:, vapour_balance.REST][:, 0] + 5.5 / 7 * water[:, vapour_balance.WORK][:, 0]
    excess = 1000 * source / change / (R_VAPOUR * 293.15)
    store = (np.exp(water[:, vapour_balance.KAPPA]) * vapour_balance.LADDER_H)[:, :3].sum(1)
    damping = (1 + store * 100 / USUAL_SATURATION_PA) / change
    fitted = not room.refused
    settings = room.heat.determined[heat_balance.DAY], room.heat.determined[heat_balance.NIGHT]
    return {
        "moisture_excess_g_m3": _told(excess, known=fitted),
        "damping_h": _told(damping, known=fitted),
        "day_setting_c": _told(heat[:, heat_balance.DAY], known=fitted and settings[0] > 0.5),
        "night_setting_c": _told(heat[:, heat_balance.NIGHT], known=fitted and settings[1] > 0.5),
        "air_change_h": (
            _told(_air_change(draws(prior_estimate(vapour_balance.PRIOR), random)), known=False)
            if room.pinned is None
            else _changed(room.pinned)
        ),
    }


def _air_change(water: Floats) -> Floats:
    """Air change with the usual wind and gap between indoors and outdoors. [1/h]"""
    by_wind, by_gap = np.exp(water[:, 1]) * USUAL_WIND_M_S, np.exp(water[:, 2]) * USUAL_GAP_K
    return np.asarray(np.exp(water[:, 0]) + by_wind + by_gap)


def _changed(found: FillCalibration) -> RoomEstimate:
    by = float(np.exp(TENTH * found.sd))
    return RoomEstimate(found.air_change_h / by, found.air_change_h, found.air_change_h * by, True)


def draws(found: Estimate, random: np.random.Generator, count: int = 400) -> Floats:
    """Parameters that may be so, (count, parameters)."""
    root = np.linalg.cholesky(found.cov + 1e-12 * np.eye(len(found.mean)))
    return found.mean + random.standard_normal((count, len(found.mean))) @ root.T


def _told(values: Floats, *, known: bool) -> RoomEstimate:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9]).tolist()
    return RoomEstimate(low, middle, high, known)
