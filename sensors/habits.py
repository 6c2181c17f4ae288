"""What the people of the simulated shop do, by local date: heat, steam, doors and holidays."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from monitor.clock import from_ms, to_ms
from sensors.chance import uniform
from sensors.room import Drive
from sensors.weather import standard_offset_ms

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from sensors.weather import OutdoorAir

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

DAY_C, NIGHT_C, HOLIDAY_C = 20.0, 16.0, 14.0
"""What the thermostat is set to. [°C]"""
PERSON_G_H, PERSON_W = 65.0, 80.0
"""Water and heat of one person at light work. [g/h], [W]  60–120 g/h at average work, a building
handbook. Second-hand: the project's reference; newer chamber tests find less."""
GLUE_POT_G_H, GLUE_POT_W = 140.0, 150.0
KETTLE_G_H, KETTLE_W = 400.0, 600.0
WARM_CABINET_W = 45.0
"""The drying cabinet in the varnish corner is always on. [W]"""
EXTRACTION_M3_H = 110.0
AIRING_M3_H = 240.0
LAMPS_W = 180.0
SUN_W, CORNER_SUN_W = 900.0, 130.0
"""Through the windows at a clear midsummer noon. [W]"""


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
    n = ts_ms.size
    step_ms = int(ts_ms[1] - ts_ms[0])
    base = {name: np.zeros(n) for name in ("steam", "heat", "air", "extract", "there", "fill")}
    set_c = np.full(n, NIGHT_C)

    first = from_ms(int(ts_ms[0])).astimezone(zone).date() - timedelta(days=1)
    last = from_ms(int(ts_ms[-1])).astimezone(zone).date() + timedelta(days=1)
    days = [first + timedelta(days=i) for i in range((last - first).days + 1)]
    ordinals = [day.toordinal() for day in days]

    def draws(what: str) -> list[float]:
        drawn: list[float] = uniform(seed, what, ordinals).tolist()
        return drawn

    def add(target: Floats, day: date, from_h: float, to_h: float, value: float) -> None:
        low, high = _index(day, from_h), _index(day, to_h)
        target[max(low, 0) : max(high, 0)] += value

    def _index(day: date, hour: float) -> int:
        midnight = datetime.combine(day, time(), tzinfo=zone)
        local = midnight + timedelta(minutes=round(hour * 60))  # wall clock: same zone
        return -((int(ts_ms[0]) - to_ms(local)) // step_ms)

    chances = zip(
        days,
        *(
            draws(what)
            for what in (
                "arrive", "leave", "second", "saturday", "glue pot", "glue hour", "airing",
                "varnish", "varnish hour", "fill",
            )
        ),
        (uniform(seed, "forgetful week", [o // 7 for o in ordinals])).tolist(),
        strict=True,
    )  # fmt: skip
    for day, arrive, leave, second, saturday, pot, pot_h, air, varnish, varnish_h, fill, week in chances:
        if closed(day):
            if day.weekday() != 6 or closed(day - timedelta(days=1)):
                add(set_c, day, 0, 24, HOLIDAY_C - NIGHT_C)
            continue
        half = day.weekday() == 5
        if half and saturday > 0.7:
            continue
        come, go = 8.3 + 0.5 * arrive, (12.8 + 0.5 * leave if half else 17.2 + leave)
        add(set_c, day, come - 1.8, go - 0.3, DAY_C - NIGHT_C)
        add(base["there"], day, come, go, 1)
        add(base["heat"], day, come, go, PERSON_W + LAMPS_W)
        add(base["steam"], day, come, go, PERSON_G_H)
        if fill < 0.85 and week > 0.3:
            add(base["fill"], day, come + 0.25, come + 0.34, 1)
        if half:
            continue
        if second < 0.85:
            for target, value in (("heat", PERSON_W), ("steam", PERSON_G_H)):
                add(base[target], day, 9 + 0.4 * arrive, 16.2 + 0.6 * leave, value)
        for hour in (10.25, 15.25):
            add(base["steam"], day, hour, hour + 1 / 6, KETTLE_G_H)
            add(base["heat"], day, hour, hour + 1 / 6, KETTLE_W)
        if pot < 0.55:
            add(base["steam"], day, 9.5 + 5 * pot_h, 11.5 + 5 * pot_h, GLUE_POT_G_H)
            add(base["heat"], day, 9.5 + 5 * pot_h, 11.5 + 5 * pot_h, GLUE_POT_W)
        if air < 0.35:
            add(base["air"], day, 12.6, 12.85, AIRING_M3_H)
        if varnish < 0.22:
            add(base["extract"], day, 13 + 1.5 * varnish_h, 15.5 + 1.5 * varnish_h, EXTRACTION_M3_H)

    sun = _sun(ts_ms + step_ms // 2 + standard_offset_ms(zone), outdoors)
    return Drive(
        outdoor_c=outdoors.temp_c,
        outdoor_pa=outdoor_pa,
        wind_m_s=outdoors.wind_m_s,
        set_c=set_c,
        gains_w=base["heat"] + SUN_W * sun,
        corner_gains_w=WARM_CABINET_W + CORNER_SUN_W * sun,
        sources_g_h=base["steam"],
        airing_m3_h=base["air"],
        extraction_m3_h=base["extract"],
        may_open=base["there"],
        fill=base["fill"],
    )


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
