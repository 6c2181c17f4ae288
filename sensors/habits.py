"""What the people of the simulated shop do, by local date: heat, steam, doors and holidays."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.clock import from_ms, to_ms
from sensors.chance import uniform
from sensors.room import Drive
from sensors.weather import standard_offset_ms

if TYPE_CHECKING:
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from sensors.weather import OutdoorAir

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
LAMPS_W = 180.0
"""While someone is in. [W]"""
STANDING_W = 100.0
"""What is never switched off. [W]"""
SUN_W, CORNER_SUN_W = 550.0, 90.0
"""Through the windows at a clear midsummer noon. [W]"""

_CHANCES = (
    "come", "go", "second", "saturday", "fill", "airing",
    "glue", "glue hour", "varnish", "varnish hour",
)  # fmt: skip
"""What is drawn anew each day."""


def closed(day: date) -> bool:
    """Whether the shop is shut: Sundays, around New Year, two weeks of August."""
    month_day = (day.month, day.day)
    return (
        day.weekday() == 6
        or month_day >= (12, 24)
        or month_day <= (1, 2)
        or (8, 4) <= month_day <= (8, 17)
    )


def drive(
    seed: int, zone: ZoneInfo, ts_ms: Times, outdoors: OutdoorAir, outdoor_pa: Floats
) -> Drive:
    """What acts on the rooms in the steps that begin at `ts_ms`.

    `ts_ms` has shape (n,) and even steps; `outdoors` and `outdoor_pa`, the vapour pressure, are
    those at the ends of the steps. Hours are local time, so they move with summer time; each
    day's chances are keyed by its date.
    """
    start_ms, step_ms = int(ts_ms[0]), int(ts_ms[1] - ts_ms[0])
    acts = {
        what: np.zeros(ts_ms.size)
        for what in ("heat", "steam", "airing", "extraction", "there", "fill")
    }
    acts["set"] = np.full(ts_ms.size, NIGHT_C)

    def add(what: str, day: date, from_h: float, to_h: float, value: float) -> None:
        """Add `value` in the steps that begin between two hours of the wall clock."""
        midnight = datetime.combine(day, time(), tzinfo=zone)
        low, high = (
            -((start_ms - to_ms(midnight + timedelta(minutes=round(60 * h)))) // step_ms)
            for h in (from_h, to_h)
        )
        acts[what][max(low, 0) : max(high, 0)] += value

    for day, chance in _days(seed, zone, ts_ms):
        if closed(day):
            if day.weekday() != 6 or closed(day - timedelta(days=1)):
                add("set", day, 0, 24, HOLIDAY_C - NIGHT_C)
            continue
        half = day.weekday() == 5
        if half and chance["saturday"] > 0.7:
            continue
        come = 8.3 + 0.5 * chance["come"]
        go = 12.8 + 0.5 * chance["go"] if half else 17.2 + chance["go"]
        add("set", day, come - 1.8, go - 0.3, DAY_C - NIGHT_C)
        add("there", day, come, go, 1)
        add("heat", day, come, go, PERSON_W + LAMPS_W)
        add("steam", day, come, go, PERSON_G_H)
        if chance["fill"] < 0.85 and chance["careful week"] < 0.7:
            add("fill", day, come + 0.25, come + 0.34, 1)
        if half:
            continue
        if chance["second"] < 0.85:
            add("heat", day, come + 0.6, go - 0.9, PERSON_W)
            add("steam", day, come + 0.6, go - 0.9, PERSON_G_H)
        for hour in (10.25, 15.25):
            add("heat", day, hour, hour + 1 / 6, KETTLE_W)
            add("steam", day, hour, hour + 1 / 6, KETTLE_G_H)
        if chance["glue"] < 0.55:
            hour = 9.5 + 5 * chance["glue hour"]
            add("heat", day, hour, hour + 2, GLUE_POT_W)
            add("steam", day, hour, hour + 2, GLUE_POT_G_H)
        if chance["airing"] < 0.35:
            add("airing", day, 12.6, 12.85, AIRING_M3_H)
        if chance["varnish"] < 0.22:
            hour = 13 + 1.5 * chance["varnish hour"]
            add("extraction", day, hour, hour + 2.5, EXTRACTION_M3_H)

    sun = _sun(ts_ms + step_ms // 2 + standard_offset_ms(zone), outdoors)
    return Drive(
        outdoor_c=outdoors.temp_c,
        outdoor_pa=outdoor_pa,
        wind_m_s=outdoors.wind_m_s,
        set_c=acts["set"],
        gains_w=STANDING_W + acts["heat"] + SUN_W * sun,
        corner_gains_w=WARM_CABINET_W + CORNER_SUN_W * sun,
        sources_g_h=acts["steam"],
        airing_m3_h=acts["airing"],
        extraction_m3_h=acts["extraction"],
        may_open=acts["there"],
        fill=acts["fill"],
    )


def _days(seed: int, zone: ZoneInfo, ts_ms: Times) -> Iterator[tuple[date, dict[str, float]]]:
    """The local dates that `ts_ms` touches, each with its chances from 0 to 1."""
    first, last = (from_ms(int(ms)).astimezone(zone).date() for ms in (ts_ms[0], ts_ms[-1]))
    ordinals = np.arange(first.toordinal(), last.toordinal() + 1)
    drawn = {what: uniform(seed, what, ordinals) for what in _CHANCES}
    drawn["careful week"] = uniform(seed, "careful week", (ordinals - 1) // 7)
    for i, ordinal in enumerate(ordinals.tolist()):
        yield date.fromordinal(ordinal), {what: float(draws[i]) for what, draws in drawn.items()}


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
