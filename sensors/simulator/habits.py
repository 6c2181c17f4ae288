"""Occupants of a simulated shop, by local date: heat, steam, doors and holidays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.core.clock import from_ms, to_ms
from sensors.simulator.random_numbers import uniform
from sensors.simulator.room import RoomDrive
from sensors.simulator.weather import standard_offset_ms

if TYPE_CHECKING:
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from sensors.simulator.random_numbers import Seed
    from sensors.simulator.room import Value
    from sensors.simulator.weather import OutdoorAir

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

DAY_C, NIGHT_C, HOLIDAY_C = 20.0, 16.0, 14.0
"""What the thermostat is set to. [°C]"""
PERSON_G_H, PERSON_W = 65.0, 80.0
"""Water and heat of one person at light work. [g/h], [W]  Common practice, no source."""
GLUE_POT_G_H, GLUE_POT_W = 110.0, 150.0
KETTLE_G_H, KETTLE_W = 300.0, 600.0
"""Water and heat while they run. [g/h], [W]  Common practice, no source: weigh yours."""
WARM_CABINET_W = 70.0
"""The drying cabinet in the varnish corner is always on. [W]"""
EXTRACTION_M3_H = 110.0
"""What the fan draws from the varnish corner while varnish dries. [m³/h]"""
AIRING_M3_H = 240.0
"""Through windows thrown open for a quarter of an hour. [m³/h]"""
DOOR_M3_H = 360.0
"""Through the street door while it stands open. [m³/h]"""
LAMPS_W = 180.0
"""While someone is in. [W]"""
STANDING_W = 100.0
"""What is never switched off. [W]"""
SUN_W, CORNER_SUN_W = 550.0, 90.0
"""Through the windows at a clear midsummer noon. [W]"""

_CHANCES = (
    "come",
    "go",
    "second",
    "saturday",
    "fill",
    "airing",
    "glue",
    "glue hour",
    "varnish",
    "varnish hour",
    "door",
    "morning",
    "afternoon",
)
"""What is drawn anew each day."""


def closed(day: date) -> bool:
    """True if the shop is shut: Sundays, around New Year, two weeks of August."""
    month_day = (day.month, day.day)
    return (
        day.weekday() == 6
        or month_day >= (12, 24)
        or month_day <= (1, 2)
        or (8, 4) <= month_day <= (8, 17)
    )


@dataclass(frozen=True, kw_only=True)
class Habits:
    """Habits of one shop's people, by default the demo's, or of many, in arrays of (shops,).

    `set_c` is what the thermostat is set to by day, by night and on holidays [°C]; `come_h` and
    `go_h` the earliest of coming and leaving [h]. Chances, 0 to 1: of a day on which the `others`
    are in, of a glue pot, of varnish, of airing, of a street door that stands open for a few
    minutes twice, of a Saturday worked, of a week in which somebody cares for the humidifier, and
    of its tank being filled on a day of such a week. `shut` is a weekday on which this shop is
    shut besides, Monday 0; −1: none. What is switched or breathed [W], [g/h], [m³/h] is in whole
    numbers, and temperatures in halves, so that what is added and taken off again leaves nothing.
    """

    set_c: tuple[Value, Value, Value] = (DAY_C, NIGHT_C, HOLIDAY_C)
    come_h: Value = 8.3
    go_h: Value = 17.2
    others: Value = 1.0
    chance_others: Value = 0.85
    chance_glue: Value = 0.55
    chance_varnish: Value = 0.22
    chance_airing: Value = 0.35
    chance_door: Value = 0.0
    chance_saturday: Value = 0.7
    chance_careful: Value = 0.7
    chance_fill: Value = 0.85
    shut: Value = -1.0
    sun_w: Value = SUN_W
    corner_sun_w: Value = CORNER_SUN_W


def drive(
    seed: Seed,
    zone: ZoneInfo,
    ts_ms: Times,
    outdoors: OutdoorAir,
    outdoor_pa: Floats,
    habits: Habits = Habits(),
) -> RoomDrive:
    """Boundary conditions of the rooms in the steps that begin at `ts_ms`.

    `ts_ms` has shape (n,) and even steps; `outdoors` and `outdoor_pa`, the vapour pressure, are
    those at the ends of the steps, of shape (n,) for one seed and (n, shops) for many, as are the
    fields of the result. Hours are local time, so they move with summer time; each day's chances
    are keyed by its date.
    """
    n, step_ms = ts_ms.size, int(ts_ms[1] - ts_ms[0])
    shops = len(seed) if isinstance(seed, tuple) else 1
    every = np.arange(shops)
    # Changes, summed up in the end: one more step, and what ends after the last goes there.
    acts = {
        what: np.zeros((n + 1, shops))
        for what in ("heat", "steam", "airing", "extraction", "there", "fill", "set")
    }
    set_c = habits.set_c
    warmer, colder = set_c[0] - set_c[1], set_c[2] - set_c[1]

    def add(what: str, from_h: Value, to_h: Value, value: Value, when: Any = True) -> None:
        """Add `value`, `when` so, in the steps that begin between two hours of the day's clock."""
        low, high = (
            np.clip(-((ts_ms[0] - _at_ms(day, h, zone)) // step_ms), 0, n) for h in (from_h, to_h)
        )
        acts[what][low, every] += value * when
        acts[what][np.maximum(low, high), every] -= value * when

    for day, chance in _days(seed, zone, ts_ms):
        if closed(day):
            if day.weekday() != 6 or closed(day - timedelta(days=1)):
                add("set", 0, 24, colder)
            continue
        half = day.weekday() == 5
        at_work = habits.shut != day.weekday()
        if half:
            at_work = at_work & (chance["saturday"] <= habits.chance_saturday)
        come = habits.come_h + 0.5 * chance["come"]
        go = 12.8 + 0.5 * chance["go"] if half else habits.go_h + chance["go"]
        add("set", come - 1.8, go - 0.3, warmer, at_work)
        add("there", come, go, 1, at_work)
        add("heat", come, go, PERSON_W + LAMPS_W, at_work)
        add("steam", come, go, PERSON_G_H, at_work)
        cares = (chance["fill"] < habits.chance_fill) & (
            chance["careful week"] < habits.chance_careful
        )
        add("fill", come + 0.25, come + 0.34, 1, at_work & cares)
        if half:
            continue
        others = at_work & (chance["second"] < habits.chance_others)
        add("heat", come + 0.6, go - 0.9, habits.others * PERSON_W, others)
        add("steam", come + 0.6, go - 0.9, habits.others * PERSON_G_H, others)
        for hour in (10.25, 15.25):
            add("heat", hour, hour + 1 / 6, KETTLE_W, at_work)
            add("steam", hour, hour + 1 / 6, KETTLE_G_H, at_work)
        glues = at_work & (chance["glue"] < habits.chance_glue)
        lit = 9.5 + 5 * chance["glue hour"]
        add("heat", lit, lit + 2, GLUE_POT_W, glues)
        add("steam", lit, lit + 2, GLUE_POT_G_H, glues)
        airs = at_work & (chance["airing"] < habits.chance_airing)
        add("airing", 12.6, 12.85, AIRING_M3_H, airs)
        opens = at_work & (chance["door"] < habits.chance_door)
        for come_in in (10 + 2 * chance["morning"], 14 + 2 * chance["afternoon"]):
            add("airing", come_in, come_in + 1 / 12, DOOR_M3_H, opens)
        varnishes = at_work & (chance["varnish"] < habits.chance_varnish)
        fan = 13 + 1.5 * chance["varnish hour"]
        add("extraction", fan, fan + 2.5, EXTRACTION_M3_H, varnishes)

    one = not isinstance(seed, tuple)
    does = {
        what: column[:-1, 0] if one else column[:-1]
        for what, column in ((what, np.cumsum(change, axis=0)) for what, change in acts.items())
    }
    middle = ts_ms + step_ms // 2 + standard_offset_ms(zone)
    sun = _sun(middle if one else middle[:, None], outdoors)
    return RoomDrive(
        outdoor_c=outdoors.temp_c,
        outdoor_pa=outdoor_pa,
        wind_m_s=outdoors.wind_m_s,
        set_c=set_c[1] + does["set"],
        gains_w=STANDING_W + does["heat"] + habits.sun_w * sun,
        corner_gains_w=WARM_CABINET_W + habits.corner_sun_w * sun,
        sources_g_h=does["steam"],
        airing_m3_h=does["airing"],
        extraction_m3_h=does["extraction"],
        may_open=does["there"],
        fill=does["fill"],
    )


def _days(seed: Seed, zone: ZoneInfo, ts_ms: Times) -> Iterator[tuple[date, dict[str, Floats]]]:
    """The local dates that `ts_ms` touches, each with its chances from 0 to 1, of shape (shops,)."""
    first, last = (from_ms(int(ms)).astimezone(zone).date() for ms in (ts_ms[0], ts_ms[-1]))
    ordinals = np.arange(first.toordinal(), last.toordinal() + 1)[:, None]
    drawn = {what: uniform(seed, what, ordinals) for what in _CHANCES}
    drawn["careful week"] = uniform(seed, "careful week", (ordinals - 1) // 7)
    for i, ordinal in enumerate(ordinals[:, 0].tolist()):
        yield date.fromordinal(ordinal), {what: draws[i] for what, draws in drawn.items()}


def _at_ms(day: date, hour: Value, zone: ZoneInfo) -> Times:
    """Moment at which clocks show `hour` of a day, to the minute. [ms since 1970-01-01 UTC, shape
    (shops,)]"""
    minutes = np.round(60 * np.atleast_1d(hour)).astype(np.int64)
    starts, ends = (datetime.combine(day + timedelta(days=d), time(), tzinfo=zone) for d in (0, 1))
    if starts.utcoffset() == ends.utcoffset():
        return to_ms(starts) + 60_000 * minutes
    moments = [to_ms(starts + timedelta(minutes=m)) for m in minutes.tolist()]
    return np.array(moments, dtype=np.int64)


def _sun(standard_ms: Times, outdoors: OutdoorAir) -> Floats:
    """Sunshine as a part of a clear midsummer noon's, from 0 to 1. [-]

    A shape, not a calculation: days are 9 to 15 h long, and air far above its dew point counts
    as a clear sky.
    """
    hour = standard_ms / 3_600_000 % 24
    day = standard_ms / 86_400_000 % 365.2425
    season = np.cos(2 * np.pi * (day - 171) / 365.2425)
    height = np.cos(np.pi * (hour - 12.3) / (12 + 3 * season))
    lit = np.abs(hour - 12.3) < 6 + 1.5 * season
    clear = np.clip((outdoors.temp_c - outdoors.dew_point_c) / 14, 0.1, 1)
    result: Floats = np.where(lit, height, 0.0) * (0.6 + 0.4 * season) * clear
    return result
