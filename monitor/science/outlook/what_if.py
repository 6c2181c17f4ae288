"""Changed conditions: the same days with another thermostat, added water, or a window open.

The fitted room is run with and without the change under each member's weather, and the difference
is added to the outlook. How much a litre does is known only as far as the room's air change
is: RH alone never tells that (`room.described`), weighed fills do (`pinned.pinned`), so every member
has its own. Where they do, the balance that they pinned is run instead of the one that foretells.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.core.errors import OutOfRange
from monitor.science.air import R_VAPOUR
from monitor.science.outlook import heat_balance, vapour_balance
from monitor.science.outlook.calendar import (
    NO_DAYS,
    NO_SUMMER_TIME,
    Calendar,
    Days,
    SummerTime,
    calendar,
)
from monitor.science.outlook.ensemble_statistics import sustained_extreme
from monitor.science.outlook.hourly_log import STEPS, OutdoorHours
from monitor.science.outlook.room_model import TENTH, RoomModel
from monitor.science.ranges import Floats, checked
from monitor.science.saturation import saturation_vapour_pressure

USUAL_VOLUME_M3 = 60.0
"""Of a shop that does not tell its own. [m³]  Ours."""

LOSS_PER_CHANGE = 0.15
"""How fast the room cools per air change, for the air is a part of what is warm. [-]  Ours."""

WATER_MAX_L, WINDOW_MAX = 40.0, 20.0
"""Most water a day, and most that a window adds to the air change. [L/d], [1/h]"""
SETTING_C = (5.0, 30.0)
VOLUME_M3 = (5.0, 5000.0)

_SEED = 4


@dataclass(frozen=True, eq=False)
class Launch:
    """Initial state of a run.

    The first step ends at hour `first_h` since 1970-01-01 UTC; indoor temperature [°C] and RH [%],
    memories of walls (3,) and wood (4,), each member's outdoor air, fields of shape (STEPS,
    members), the days closed, since 1970-01-01, and the probability that the humidifier has water,
    (STEPS,) [-]; summer time of its zone.
    """

    first_h: int
    temp_c: float
    rh_pct: float
    heat: Floats
    water: Floats
    air: OutdoorHours
    closed: Days = field(default_factory=lambda: NO_DAYS)
    running: Floats = field(default_factory=lambda: np.ones(STEPS))
    summer: SummerTime = NO_SUMMER_TIME


@dataclass(frozen=True, kw_only=True)
class Change:
    """Changed conditions in the steps from number `start` up to `stop`.

    Parameters
    ----------
    setting_c : float, optional
        What the thermostat is set to, day and night; None: as usual. 5 to 30 [°C]
    water_l_day : float
        Given to the air beyond what is given usually. 0 to 40 [L/d]
    window_ach : float
        What an open window adds to the air change. 0 to 20 [1/h]
    volume_m3 : float
        Of the room. 5 to 5000 [m³]

    Raises
    ------
    OutOfRange
    """

    setting_c: float | None = None
    water_l_day: float = 0.0
    window_ach: float = 0.0
    volume_m3: float = USUAL_VOLUME_M3
    start: int = 0
    stop: int = STEPS

    def __post_init__(self) -> None:
        if self.setting_c is not None:
            checked("thermostat", self.setting_c, "°C", *SETTING_C)
        checked("water a day", self.water_l_day, "L", 0, WATER_MAX_L)
        checked("window", self.window_ach, "1/h", 0, WINDOW_MAX)
        checked("volume", self.volume_m3, "m³", *VOLUME_M3)
        if not 0 <= self.start <= self.stop <= STEPS:
            raise OutOfRange("first step of the change", self.start, "h", 0, self.stop)


class ChangeEffect(NamedTuple):
    """Effect of a change on temperature [K] and RH [%], (members, STEPS)."""

    temp_k: Floats
    rh_pct: Floats


def change_effect(room: RoomModel, launch: Launch, change: Change) -> ChangeEffect:
    """Effect of a change, member by member."""
    members = launch.air.temp_c.shape[1]
    t, rh = _run(room, launch, change, _scales(room.scaled[1], members))
    t0, rh0 = _run(
        room, launch, Change(volume_m3=change.volume_m3), _scales(room.scaled[1], members)
    )
    return ChangeEffect((t - t0).T, (rh - rh0).T)


def with_change(foreseen: Floats, by: ChangeEffect) -> Floats:
    """The ensemble (2, members, STEPS) with a change; the members of `by` are dealt out to it."""
    count = foreseen.shape[1]
    deal = np.arange(count) % by.temp_k.shape[0]
    out = foreseen + np.stack([by.temp_k[deal], by.rh_pct[deal]])
    np.clip(out[0], -40, 60, out=out[0])
    np.clip(out[1], 1, 100, out=out[1])
    return np.asarray(out)


def vapour_pa_h(water_l_day: Floats | float, volume_m3: float, temp_c: float = 20.0) -> Floats:
    """Rise of a room's vapour pressure by water given to its air. [Pa/h]

    m R_v T / V, for 1 L = 1 kg.
    """
    return np.asarray(np.asarray(water_l_day) / 24 * R_VAPOUR * (temp_c + 273.15) / volume_m3)


class Water(NamedTuple):
    """Water a day that holds a level, 10, 50 and 90 % [L/d], from step `start` on; infinite where
    no amount would."""

    low: float
    middle: float
    high: float
    start: int


HELD_SHARE, HELD_H, EASED = 0.5, 3, 1.25
"""A level counts as held if half of the members never stay under it for so long; starting later may
ask for so many times the water of starting now. [-], [h], [-]  Ours."""
TRIED, ROUNDS = 24, 2
"""Amounts of water tried at once, and how often between two of them again. [-]  Ours: to 0.1 L/d."""
LAG_H = 12
"""What lies nearer than this is not asked to be held: water works slowly, and what would lift the
next hours would soak the days after. [h]  Ours: the demo's room takes up half of what it will
within it."""


def water_to_hold(
    room: RoomModel, launch: Launch, rh: Floats, level_pct: float, volume_m3: float, first: int
) -> Water | None:
    """Water a day that keeps the air above a level from `LAG_H` on, and when it is given from.

    Parameters
    ----------
    rh : ndarray (members, STEPS)
        Of the outlook. [%]
    level_pct : float
    first : int
        The step at which the air falls below the level if nothing is done.

    Returns
    -------
    Water or None
        None if the air stays above anyhow.
    """
    held = slice(max(first - HELD_H, LAG_H), None)
    if _lowest(rh[:, held]) >= level_pct:
        return None
    raised_by = _raised(room, launch, volume_m3)

    def need(start: int) -> float:
        """Water a day at the fitted air change."""
        tried = np.linspace(0.0, WATER_MAX_L, TRIED)
        for _ in range(ROUNDS):
            raised = raised_by(tried, start)[..., held]  # more water never lowers RH

            def holds(n: int, raised: Floats = raised) -> bool:
                return _lowest(rh[:, held] + raised[n]) >= level_pct

            first_held = bisect_left(range(TRIED), True, key=holds)
            if first_held == TRIED:
                return np.inf
            least = float(tried[first_held])
            tried = np.linspace(tried[max(first_held - 1, 0)], least, TRIED)
        return least

    now = need(0)
    start, litres = 0, now
    if np.isfinite(now):
        for later in range(first - HELD_H, 0, -6):
            if (wanted := need(later)) <= EASED * now:
                start, litres = later, wanted
                break
    spread = np.exp(TENTH * room.scaled[1])
    return Water(float(litres / spread), litres, float(litres * spread), start)


def _lowest(rh: Floats) -> float:
    """The lowest RH that is held by `HELD_SHARE` of the members."""
    return float(np.quantile(sustained_extreme(rh, HELD_H, below=True), 1 - HELD_SHARE))


def _raised(room: RoomModel, launch: Launch, volume_m3: float) -> Callable[[Floats, int], Floats]:
    """Function from amounts of water (n,) [L/d] and the step they are given from, to the rise of RH
    in the mean weather, (n, 1, STEPS). [%]"""
    mean = OutdoorHours(*(field.mean(axis=1, keepdims=True) for field in launch.air))

    def rh(litres: Floats, start: int) -> Floats:
        air = OutdoorHours(*(np.repeat(field, len(litres), axis=1) for field in mean))
        change = Change(volume_m3=volume_m3, start=start)
        same = np.repeat(temp_c, len(litres), axis=1)
        scales = np.zeros(len(litres))
        return _run(room, replace(launch, air=air), change, scales, litres, same)[1]

    temp_c, without = _run(room, replace(launch, air=mean), Change(), np.zeros(1), np.zeros(1))
    return lambda litres, start: np.asarray((rh(litres, start) - without).T[:, None])


def _scales(sd: float, members: int) -> Floats:
    """Ln of the true air change over the fitted one, for each member.

    Evenly spread, then shuffled so that it goes with nothing else; a single one's is 0.
    """
    normal = NormalDist(0, sd)
    values = np.array([normal.inv_cdf((i + 0.5) / members) for i in range(members)])
    return np.random.default_rng(_SEED).permutation(values)


def _run(
    room: RoomModel,
    launch: Launch,
    change: Change,
    scales: Floats,
    water_l_day: Floats | None = None,
    temp_c: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Temperature and RH of a run, (STEPS, members); `water_l_day` (members,) instead of the
    change's; `temp_c` (STEPS, members) where the temperature is known already."""
    shape = launch.air.temp_c.shape
    runs = shape[1]
    on = np.zeros((STEPS, 1))
    on[change.start : change.stop] = 1
    hours = launch.first_h + np.arange(STEPS)[:, None] + np.zeros((1, runs), np.int64)
    when = calendar(hours, room.offset_h, launch.closed, launch.summer)
    window = change.window_ach * on * np.exp(-scales)
    t = _temperature(room, launch, change, when, on) if temp_c is None else temp_c
    litres = change.water_l_day if water_l_day is None else water_l_day
    source = vapour_pa_h(litres, change.volume_m3) * on * np.exp(-scales)
    wet = vapour_balance.VapourDrive(
        saturation_vapour_pressure(np.clip(launch.air.dew_c, -90, 60)),
        launch.air.temp_c,
        launch.air.wind_m_s,
        t,
        saturation_vapour_pressure(t),
        when,
        window,
        source,
        launch.running[:, None],
    )
    stores = np.repeat(launch.water[:, None], runs, axis=1)
    rh = vapour_balance.simulate(
        room.scaled[0].mean[None], wet, np.full(runs, launch.rh_pct), stores
    )[:, 0]
    return t, rh


def _temperature(
    room: RoomModel, launch: Launch, change: Change, when: Calendar, on: Floats
) -> Floats:
    """Temperature of a run, (STEPS, members). [°C]"""
    shape = launch.air.temp_c.shape
    setting = None
    if change.setting_c is not None:
        setting = np.where(on > 0, change.setting_c, np.nan) + np.zeros(shape)
    drive = heat_balance.HeatDrive(
        launch.air.temp_c,
        launch.air.dew_c,
        when,
        setting,
        LOSS_PER_CHANGE * change.window_ach * on,
    )
    stores = np.repeat(launch.heat[:, None], shape[1], axis=1)
    before = np.full(shape[1], launch.temp_c)
    t = heat_balance.simulate(room.heat.mean[None], drive, before, stores)[:, 0]
    return np.clip(t, -40, 60)
