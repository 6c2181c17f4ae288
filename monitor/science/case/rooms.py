"""Changes to the air of the room in which an instrument is kept: another room, or an appliance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.science.case.home import HomeYear, window_limit_pct
from monitor.science.case.outdoors import YEAR_H, month_of_hour, saturation
from monitor.science.case.simulation import scores
from monitor.science.case.water_balance import grams_per_pct
from monitor.science.cold_surface import FACTORS, LIMITS_PCT, ColdSurface, highest_safe_humidity
from monitor.science.ranges import Floats

SEED = 20_261_204

SMALL_ROOM_M3 = 30.0
"""Air of one small room: 12 m², 2.5 m high. [m³]  Ours."""
ROOM_CHANGES_H, ROOM_CHANGES_TIMES = 0.5, 2.0
"""Air changes of a room, its door and windows shut, with the rest of the home, and how far they may
lie off, times or divided by. [1/h], [-]  Ours: as a home's with outdoors, see `CHANGES_H`."""
HYGROSTAT_PCT = 3.0
"""How far a hygrostat may hold a room off what it is set to. [% RH]  Ours."""
COOLER_K, COOLEST_C = 4.0, 15.0
"""How much cooler a less heated room is, and how cool at the least. [K], [°C]  Ours: a bedroom at
17 °C beside rooms at 21 °C; below 15 °C cold walls get damp."""
WARMER_K, WARMEST_C = 4.0, 21.0
"""How much warmer a better heated room is, and how warm at the most. [K], [°C]  Ours."""
HOT_C, COOLED_C = 26.0, 25.0
"""A room is cooled where it is hotter than the first, to the second. [°C]  Ours."""
COOLED_PCT = (50.0, 65.0)
"""RH that an air conditioner brings a room to, from one to another. [%]  From memory, unchecked: it
dries the air only while it cools."""
DRIEST_SET_PCT = 55.0
"""RH that a dehumidifier is set to, where the band allows it. [%]  Ours."""
PACE_PCT_WEEK = 5.0
"""RH by which the air around an instrument is changed in a week, as a sheet asks. [%]  Common
practice, no source."""


@dataclass(frozen=True, kw_only=True)
class RoomChange:
    """Change to the air of a room in some months, 1 to 12.

    `set_pct`: RH an appliance is set to [%]; `litres_day`: the most water it gives off or takes out
    [L/d]; `warmer_k`: how much warmer another room is [K]; `also`: what is changed in other months.
    """

    months: tuple[int, ...]
    set_pct: float = 0.0
    litres_day: float = 0.0
    warmer_k: float = 0.0
    also: RoomChange | None = None


class ChangedRoom(NamedTuple):
    """A change, and the home's year as it is in that room."""

    change: RoomChange
    year: HomeYear


def humidified(year: HomeYear, change: RoomChange) -> ChangedRoom:
    """Small room with a humidifier set to `set_pct`, as far as `litres_day` suffice and its cold
    walls and panes stay dry."""
    on, per_pct, off = _appliance(year, change)
    most = 1000 * change.litres_day / per_pct
    wanted = np.minimum(change.set_pct + off, year.rh_pct + most)
    wanted = np.minimum(wanted, wall_limit_pct(year)[:, None])
    rh = np.where(on, np.maximum(year.rh_pct, wanted), year.rh_pct)
    return _with_water(year, change, rh, per_pct)


def dehumidified(year: HomeYear, change: RoomChange) -> ChangedRoom:
    """Small room, shut, with a dehumidifier set to `set_pct`."""
    on, per_pct, off = _appliance(year, change)
    wanted = np.maximum(change.set_pct + off, year.rh_pct - 1000 * change.litres_day / per_pct)
    rh = np.where(on, np.minimum(year.rh_pct, wanted), year.rh_pct)
    return _with_water(year, change, rh, per_pct)


def both(dry: ChangedRoom, change: RoomChange) -> ChangedRoom:
    """A humidified room that is dehumidified in other months."""
    made = replace(dehumidified(dry.year, change).year, litres_day=dry.year.litres_day)
    return ChangedRoom(replace(dry.change, also=change), made)


def wall_limit_pct(year: HomeYear) -> Floats:
    """RH up to which walls stay free of mould and double panes dry, by the day's mean outdoors; 100
    where that is not known. (8760,) [%]"""
    outdoors = year.outdoor_temp_c if year.outdoors is None else year.outdoors.temp_c
    if outdoors is None:
        return np.full(YEAR_H, 100.0)
    out, room = (
        np.repeat(hours.reshape(365, 24).mean(axis=1), 24) for hours in (outdoors, year.temp_c)
    )
    return cold_limit_pct(room, np.minimum(out, room))


def cold_limit_pct(temp_c: ArrayLike, outdoor_c: ArrayLike) -> Floats:
    """RH of a room up to which a weak corner stays free of mould and the edge of double panes dry. [%]

    >>> [round(float(cold_limit_pct(20.0, t))) for t in (-25, -10, 0)]
    [22, 37, 53]
    """
    pane = ColdSurface.DOUBLE_GLASS
    dew = highest_safe_humidity(temp_c, outdoor_c, FACTORS[pane], LIMITS_PCT[pane])
    return np.minimum(highest_safe_humidity(temp_c, outdoor_c), dew)


def set_lower(year: HomeYear, change: RoomChange) -> ChangedRoom:
    """A home that is humidified already, its humidifiers set to `set_pct`."""
    most = change.set_pct + HYGROSTAT_PCT * scores(year.members, 2, SEED)[:, 1]
    most = np.minimum(most, wall_limit_pct(year)[:, None])
    rh = np.where(_on(change.months)[:, None], np.minimum(year.rh_pct, most), year.rh_pct)
    return ChangedRoom(change, replace(year, rh_pct=rh))


def cooled(year: HomeYear, months: tuple[int, ...]) -> ChangedRoom:
    """A room cooled by an air conditioner in those months, its windows shut."""
    low, high = COOLED_PCT
    rank = scores(year.members, 2, SEED)[:, 1]
    on = _on(months)
    moved = _at(year, np.where(on, np.minimum(year.temp_c, COOLED_C), year.temp_c))
    most = (low + high) / 2 + (high - low) / 2 * rank
    rh = np.where(on[:, None], np.minimum(moved.rh_pct, most), year.rh_pct)
    return ChangedRoom(RoomChange(months=months), replace(moved, rh_pct=rh))


def another(year: HomeYear, change: RoomChange) -> ChangedRoom:
    """Another room, cooler or warmer in those months, in which the air holds as much water."""
    temp = year.temp_c
    if change.warmer_k < 0:
        there = np.minimum(np.maximum(temp + change.warmer_k, COOLEST_C), temp)
    else:
        there = np.maximum(np.minimum(temp + change.warmer_k, WARMEST_C), temp)
    return ChangedRoom(change, _at(year, np.where(_on(change.months), there, temp)))


def in_first_year(bare: HomeYear, changed: ChangedRoom) -> HomeYear:
    """A changed room in its first year.

    Each stretch of known months of the change begins at the RH of its first day at home and goes on
    from there by `PACE_PCT_WEEK`. In unknown months nothing is changed yet.
    """
    rh, hour = bare.rh_pct, np.arange(YEAR_H)
    daily = bare.rh_pct.reshape(365, 24, -1).mean(axis=1)
    for part in filter(None, (changed.change, changed.change.also)):
        on = _on(tuple({*part.months} & {*bare.months_known}))
        off = np.where(np.tile(on, 2), -1, np.arange(2 * YEAR_H))
        start = (np.maximum.accumulate(off)[YEAR_H:] + 1) % YEAR_H
        pace = (PACE_PCT_WEEK / 168 * ((hour - start) % YEAR_H))[:, None]
        first = daily[start // 24]
        low, high = np.minimum(bare.rh_pct, first - pace), np.maximum(bare.rh_pct, first + pace)
        rh = np.where(on[:, None], np.clip(changed.year.rh_pct, low, high), rh)
    return replace(changed.year, rh_pct=rh)


def _at(year: HomeYear, temp_c: Floats) -> HomeYear:
    """The same water in the air at another temperature, as far as windows stay dry."""
    rh = year.rh_pct * (saturation(year.temp_c) / saturation(temp_c))[:, None]
    if year.outdoors is not None:
        limit = window_limit_pct(temp_c, np.minimum(year.outdoors.temp_c, temp_c))[:, None]
        rh = np.where((temp_c < year.temp_c)[:, None], np.minimum(rh, limit), rh)
    return replace(year, temp_c=temp_c, rh_pct=np.clip(rh, 0.0, 99.0))


def litres_needed(year: HomeYear, change: RoomChange) -> float:
    """Water that suffices on 9 of 10 of the thirstiest days, one of each member. [L/d]"""
    plenty = replace(change, litres_day=500.0)
    dry = bool(np.median(year.rh_pct[_on(change.months)]) < change.set_pct)
    made = (humidified if dry else dehumidified)(year, plenty).year.litres_day
    return float(np.quantile(np.quantile(made, 0.98, axis=0), 0.9))


def _on(months: tuple[int, ...]) -> np.ndarray:
    return np.isin(month_of_hour() + 1, months)


def _appliance(year: HomeYear, change: RoomChange) -> tuple[Floats, Floats, Floats]:
    """Hours it runs (8760, 1), water a day for each % RH (8760, M) [g/d], and error of its
    hygrostat (M,) [%]."""
    ranks = scores(year.members, 2, SEED)
    changes = ROOM_CHANGES_H * ROOM_CHANGES_TIMES ** ranks[:, 0]
    per_pct = 24 * SMALL_ROOM_M3 * np.multiply.outer(grams_per_pct(year.temp_c), changes)
    return _on(change.months)[:, None], per_pct, HYGROSTAT_PCT * ranks[:, 1]


def _with_water(year: HomeYear, change: RoomChange, rh: Floats, per_pct: Floats) -> ChangedRoom:
    litres = np.abs(rh - year.rh_pct) * per_pct / 1000
    daily = litres.reshape(365, 24, -1).mean(axis=1)
    return ChangedRoom(change, replace(year, rh_pct=rh, litres_day=daily))
