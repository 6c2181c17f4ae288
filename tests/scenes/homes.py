"""Homes by the hour: heat of air and mass, water of air, surfaces and furniture, many side by side."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from scenes.climates import (
    CLIMATES,
    MONTH_OF_HOUR,
    R_VAPOUR,
    YEAR_H,
    between,
    saturation_pa,
    weather_of,
)

SPIN_H = 24 * 90
"""Hours of the year's end that are run before it, so that its start is forgotten. [h]"""
AIR_J_M3_K = 1200.0
PER_K_PCT = 0.3
"""RH that wood of unchanged moisture gains with each kelvin, about 45 % and 20 °C. [%/K]  From memory,
0.3 to 0.4."""
COIL_C = 11.0
"""Temperature at which an air conditioner's coil leaves the air, saturated. [°C]  From memory."""


class RoomDevice(NamedTuple):
    """Room humidifier (`litres_day` above 0) or dehumidifier (below 0), with a humidistat.

    It runs in `months`, 1 to 12, until the room is at `set_pct` [L/d], [%]. `in_cold`: outdoor
    temperatures of a day below which it is set to another RH [°C], [%]. `watched`: a
    humidifier rests for a day when its owner has seen water on the panes. `also`: a second appliance.
    """

    litres_day: float
    set_pct: float
    months: tuple[int, ...] = tuple(range(1, 13))
    in_cold: tuple[tuple[float, float], ...] = ()
    watched: bool = False
    also: RoomDevice | None = None


class Home(NamedTuple):
    """A home in a climate. Made up.

    `changes_h`: leakage at 20 K of difference and a fresh wind [1/h]. `loss_w_k_m3`: heat lost
    through the shell [W/(K m³)]. `mass_kj_k_m3` of walls [kJ/(K m³)]. `heat_c`: set-point, None for
    no heating; `back_k`: set-back at night [K]. `cool_c`: set-point of the air conditioner, None for
    none [°C]. `water_kg_day`: washing, cooking and plants, without breath, for each person [kg/d].
    `airings`: hours of the day at which windows are opened for ten minutes. `open_above_c`: windows
    are open while it is warmer indoors and the air outdoors is not hotter [°C]; above 65 % RH they are
    ajar as well, if that dries. `store_g_m3`: water
    that surfaces and furniture take up for each % RH and m³, quick and slow part [g/(% m³)].
    `window`, `corner`: temperature factors of the coldest glass and wall, 0 outdoors to 1 indoors.
    `warmer`: change of the heating's set-point in some months, 1 to 12 [K]. `windows_shut`: in these
    months; all of them, if True.
    """

    name: str
    climate: str
    volume_m3: float
    changes_h: float
    people: int
    heat_c: float | None = 20.5
    back_k: float = 2.0
    cool_c: float | None = None
    water_kg_day: float = 1.1
    airings: tuple[int, ...] = (7, 21)
    open_above_c: float = 22.5
    loss_w_k_m3: float = 0.9
    mass_kj_k_m3: float = 110.0
    store_g_m3: tuple[float, float] = (0.25, 0.6)
    window: float = 0.6
    corner: float = 0.72
    shop: bool = False
    seed: int = 1
    device: RoomDevice | None = None
    windows_shut: bool | tuple[int, ...] = False
    warmer: tuple[float, tuple[int, ...]] | None = None


class HomeYear(NamedTuple):
    """Air of homes by the hour; each (8760, n), or (8760,) of one home.

    `temp_c`, `rh_pct` indoors; `out_temp_c`, `out_rh_pct` outdoors. `vapour_pa` indoors [Pa].
    `window_pct`, `corner_pct`: RH at the coldest glass and wall, above 100 where it is wet [%].
    `device_g`: water given off by a room device, negative if taken [g/h]. `changes_h`: air changes.
    Totals of the year (n,): `gained_g` from living, `aired_g` brought in by air (negative where it
    leaves), `condensed_g` on windows, `coil_g` taken by the air conditioner, `stored_g` taken up [g].
    """

    temp_c: np.ndarray
    rh_pct: np.ndarray
    out_temp_c: np.ndarray
    out_rh_pct: np.ndarray
    vapour_pa: np.ndarray
    window_pct: np.ndarray
    corner_pct: np.ndarray
    device_g: np.ndarray
    changes_h: np.ndarray
    gained_g: np.ndarray
    aired_g: np.ndarray
    condensed_g: np.ndarray
    coil_g: np.ndarray
    stored_g: np.ndarray

    def of(self, i: int) -> HomeYear:
        """The year of one home."""
        return HomeYear(*(values[..., i] for values in self))

    def monthly(self) -> tuple[np.ndarray, np.ndarray]:
        """Means of each month indoors: temperature and RH. (12, n) [°C], [%]"""
        return tuple(
            np.stack([values[m == MONTH_OF_HOUR].mean(axis=0) for m in range(12)])
            for values in (self.temp_c, self.rh_pct)
        )


# kind: volume [m³], leakage [1/h], people, water [kg/d each], store quick and slow, window, corner
KINDS = {
    "leaky old house": (280, 1.1, 3, 1.0, (0.35, 0.9), 0.42, 0.6),
    "ordinary flat": (160, 0.5, 2, 1.1, (0.25, 0.6), 0.6, 0.72),
    "tight flat": (130, 0.3, 3, 0.9, (0.2, 0.45), 0.75, 0.82),
    "one room": (55, 0.45, 1, 1.3, (0.3, 0.7), 0.55, 0.68),
    "family with laundry": (380, 0.4, 5, 1.6, (0.25, 0.6), 0.62, 0.74),
    "music room": (90, 0.6, 1, 0.3, (0.35, 1.3), 0.6, 0.72),
}
HEAT_C = {"leaky old house": 20.0, "one room": 19.0, "tight flat": 21.5}
WARM = ("desert", "humid tropics", "monsoon", "subtropical")
"""Climates where heating is rare and cooling is common."""
COOLED = ("tight flat", "ordinary flat", "music room")


@functools.cache
def homes() -> tuple[Home, ...]:
    """The table: six kinds of home in each of eleven climates, 66 in all, no two alike."""
    made = []
    random = np.random.default_rng(20261129)
    for climate in CLIMATES:
        for kind, (volume, leak, people, water, store, window, corner) in KINDS.items():
            wide = lambda times: float(times ** random.uniform(-1, 1))  # noqa: E731 # a spread
            heat = HEAT_C.get(kind, 20.5) + round(random.uniform(-1, 1), 1)
            cool = None
            if climate in WARM:
                heat = 18.0 if climate in ("monsoon", "desert") else None
                cool = 25.0 if kind in COOLED else None
            elif climate in ("mediterranean", "high plateau") and kind == "tight flat":
                cool = 25.0
            severe = climate in ("cold continental", "subarctic")
            if kind == "one room" and climate in ("maritime", "mediterranean", "southern coast"):
                heat = 15.0  # hardly heated
            made.append(
                Home(
                    name=f"{climate}, {kind}",
                    climate=climate,
                    volume_m3=round(volume * wide(1.25)),
                    changes_h=round(leak * wide(1.3), 2),
                    people=people,
                    heat_c=heat,
                    back_k=round(float(random.choice([0.0, 2.0, 4.0])), 1),
                    cool_c=cool,
                    water_kg_day=round(water * wide(1.3), 2),
                    airings=(7,) if severe else (7, 21),
                    loss_w_k_m3=round((0.5 if severe else 0.9) * wide(1.4), 2),
                    mass_kj_k_m3=round(110 * wide(1.6)),
                    store_g_m3=tuple(round(s * wide(1.3), 3) for s in store),
                    window=min(round(window + (0.1 if severe else 0.0), 2), 0.85),
                    corner=min(round(corner + (0.06 if severe else 0.0), 2), 0.88),
                    seed=int(random.integers(1, 4)),
                )
            )
    return tuple(made)


def typed(home: Home, months: Sequence[int], seed: int = 1) -> dict[int, tuple[float, float]]:
    """What a client reads off a cheap hygrometer at home, as means of `months`, 1 to 12.

    Rounded to 0.5 °C and 1 %; the hygrometer is wrong by up to 3 % RH, the same all year.
    """
    temp, rh = year_of(home).monthly()
    off = np.random.default_rng((seed, len(home.name), int(home.volume_m3))).uniform(-3, 3)
    return {
        m: (round(float(2 * temp[m - 1])) / 2, float(np.clip(round(rh[m - 1] + off), 2, 98)))
        for m in months
    }


def normals(home: Home) -> tuple[np.ndarray, np.ndarray]:
    """Monthly means outdoors at a home: temperature and RH. (12,) [°C], [%]"""
    weather = weather_of(home.climate, home.seed)
    return tuple(
        np.array([values[m == MONTH_OF_HOUR].mean() for m in range(12)])
        for values in (weather.temp_c, weather.rh_pct)
    )


def year_of(home: Home) -> HomeYear:
    """The year of one home."""
    (year,) = each_year([home])
    return year


_YEARS: dict[Home, HomeYear] = {}


def each_year(wanted: Sequence[Home]) -> list[HomeYear]:
    """The year of each of these homes. All that are new, and the table, are made side by side."""
    new = [home for home in dict.fromkeys(wanted) if home not in _YEARS]
    if new:
        new += [home for home in homes() if home not in _YEARS and home not in new]
        made = years_of(new)
        _YEARS.update({home: made.of(i) for i, home in enumerate(new)})
    return [_YEARS[home] for home in wanted]


@functools.cache
def table_years() -> HomeYear:
    """The years of all homes of the table, in its order."""
    return side_by_side(each_year(homes()))


def side_by_side(each: Sequence[HomeYear]) -> HomeYear:
    """Years of single homes as one, each a column."""
    return HomeYear(*(np.stack(values, axis=-1) for values in zip(*each, strict=True)))


def years_of(
    each: Sequence[Home], spells: Sequence[tuple[int, int, int, float, float]] = ()
) -> HomeYear:
    """The years of homes side by side.

    Parameters
    ----------
    spells : sequence of (home, first day, days, g/h, 1/h)
        Water and air changes on top, for days of one home's year.
    """
    n = len(each)
    air = [weather_of(h.climate, h.seed) for h in each]
    out_t, out_rh, wind, sun = (np.stack(column, axis=1) for column in zip(*air, strict=True))
    out_e = out_rh / 100 * saturation_pa(out_t)
    col = {name: np.array([getattr(h, name) for h in each], dtype=float) for name in _NUMBERS}
    volume = col["volume_m3"]
    heat = np.array([-99.0 if h.heat_c is None else h.heat_c for h in each])
    warmer = np.zeros((YEAR_H, n))
    for i, one in enumerate(each):
        if one.warmer is not None:
            warmer[:, i] = one.warmer[0] * np.isin(MONTH_OF_HOUR + 1, one.warmer[1])
    cool = np.array([99.0 if h.cool_c is None else h.cool_c for h in each])
    home_share, water_share, set_back, aired = _day(each)
    gain_g = (
        50.0 * col["people"] * home_share
        + 1000 * col["people"] * col["water_kg_day"] * water_share
    )
    gain_w = 75.0 * col["people"] * home_share + 1.0 * volume
    extra_g, extra_n = np.zeros((YEAR_H, n)), np.zeros((YEAR_H, n))
    for i, first, days, grams, changes in spells:
        extra_g[24 * first : 24 * (first + days), i] += grams
        extra_n[24 * first : 24 * (first + days), i] += changes
    devices_of = [_devices(each, second) for second in (False, True)]
    devices_of = [one for one in devices_of if one[0].any()]
    watched = np.array([h.device is not None and h.device.watched for h in each])
    rests = np.zeros(n)
    loss = col["loss_w_k_m3"] * volume
    air_wh = AIR_J_M3_K * volume / 3600
    light = 8 * air_wh  # air with what is light in the room [Wh/K]
    mass = col["mass_kj_k_m3"] * volume / 3.6
    mass_w = 3.5 * volume
    quick = np.array([h.store_g_m3[0] for h in each]) * volume
    slow = np.array([h.store_g_m3[1] for h in each]) * volume
    to_quick, to_slow = quick / 3.0, slow / 60.0  # [g/(h %)]
    quick_w, slow_w = to_quick / (1 + to_quick / quick), to_slow / (1 + to_slow / slow)
    shuts_at = np.zeros((YEAR_H, n), dtype=bool)
    for i, one in enumerate(each):
        months = range(1, 13) if one.windows_shut is True else one.windows_shut or ()
        shuts_at[:, i] = np.isin(MONTH_OF_HOUR + 1, list(months))
    opens_above = col["open_above_c"]
    hours = np.concatenate([np.arange(YEAR_H - SPIN_H, YEAR_H), np.arange(YEAR_H)])
    temps, rhs, vapours, devices, changes_all = (np.empty((YEAR_H, n)) for _ in range(5))
    gained, brought, wet, coil = (np.zeros(n) for _ in range(4))
    t = np.maximum(out_t[hours[0]] + 3, np.minimum(heat, 25))
    wall = t.copy()
    e = np.minimum(out_e[hours[0]] + 200, 0.9 * saturation_pa(t))
    rq = 100 * e / saturation_pa(t) - PER_K_PCT * (t - 20)
    rs = rq.copy()
    e_coil = saturation_pa(COIL_C)
    held_then = np.zeros(n)
    before = 1000 * volume / (R_VAPOUR * (t + 273.15))
    for at, h in enumerate(hours.tolist()):
        hour, real = h % 24, at >= SPIN_H
        to, eo = out_t[h], out_e[h]
        if at == SPIN_H:
            gained[:], brought[:], wet[:], coil[:] = 0, 0, 0, 0
            held_then = _held(volume, t, e, quick * rq + slow * rs)
        # air changes
        changes = col["changes_h"] * (0.35 + 0.08 * np.sqrt(np.abs(to - t)) + 0.06 * wind[h])
        cooling_on = (cool < 90) & (np.maximum(to, wall) > cool - 1.5)
        shuts = shuts_at[h]
        opened = (t > opens_above) & (to < t + 1) & ~cooling_on & ~shuts
        changes = changes + np.where(opened, between(0.8 * (t - opens_above), 0, 4), 0)
        damp = (100 * e / saturation_pa(t) > 65) & (eo < e) & (to > 2) & ~cooling_on & ~shuts
        changes = changes + np.where(
            damp, between(0.06 * (100 * e / saturation_pa(t) - 65), 0, 0.6), 0
        )
        changes = changes + np.where(shuts, 0, aired[hour] * ~cooling_on) + extra_n[h]
        # heat
        vent = air_wh * changes
        watts = gain_w[hour] + sun[h] * 0.012 * volume * np.where(t > 24, 0.5, 1.0)
        a = light + loss + vent + mass_w
        free = (light * t + (loss + vent) * to + mass_w * wall + watts) / a
        need = between((heat + warmer[h] - set_back[hour] - free) * a, 0, 120 * volume)
        cold_w = between((free - cool) * a, 0, 45 * volume)
        t = free + (need - cold_w) / a
        wall = (mass * wall + mass_w * t) / (mass + mass_w)
        # water
        es = saturation_pa(t)
        per_pa = 1000 * volume / (R_VAPOUR * (t + 273.15))
        warmth = PER_K_PCT * (t - 20)
        living = gain_g[hour] + extra_g[h]
        swept = (per_pa - before) * e  # out with the air that warmth drives out
        before = per_pa
        a = per_pa * (1 + changes) + (quick_w + slow_w) * 100 / es
        push = per_pa * (e + changes * eo) + living
        push = push + quick_w * (rq + warmth) + slow_w * (rs + warmth)
        e1 = push / a
        # the air conditioner: air over its coil leaves saturated at COIL_C
        over = cold_w / (AIR_J_M3_K * np.maximum(t - COIL_C, 4) / 3600)  # [m³/h]
        coil_k = np.where(e1 > e_coil, over * 1000 / (R_VAPOUR * (t + 273.15)), 0)
        push, a = push + coil_k * e_coil, a + coil_k
        e1 = push / a
        # the humidistats
        gives = np.zeros(n)
        for most, set_pct, runs in devices_of:
            goal_e = set_pct[h] / 100 * es
            on = runs[h] & ((rests <= 0) | (most < 0))
            more = np.where(
                most > 0,
                between((goal_e - e1) * a, 0, most * on),
                between((goal_e - e1) * a, most * on, 0),
            )
            gives = gives + more
            push = push + more
            e1 = push / a
        # cold glass: 8 m² for each 100 m³, β = 0.005 m/s, from memory
        glass = saturation_pa(to + col["window"] * (t - to))
        wets = 0.08 * volume * 18.0 * 1000 / (R_VAPOUR * (t + 273.15))
        wets = np.where((e1 > glass) & (glass < es), wets, 0)
        e2 = (push + wets * glass) / (a + wets)
        fog = np.maximum(e2 - es, 0) * (a + wets)
        e2 = np.minimum(e2, es)
        drips = wets * (e2 - glass)
        rests = np.where(watched & (drips > 0) & (6 < hour < 23), 24, rests - 1)
        rh = 100 * e2 / es
        rq = (rq + to_quick / quick * (rh - warmth)) / (1 + to_quick / quick)
        rs = (rs + to_slow / slow * (rh - warmth)) / (1 + to_slow / slow)
        if real:
            gained += living
            brought += per_pa * changes * (eo - e2) + swept
            wet += drips + fog
            coil += coil_k * (e2 - e_coil)
            temps[h], rhs[h], vapours[h], devices[h], changes_all[h] = t, rh, e2, gives, changes
        e = e2
    stored = _held(volume, t, e, quick * rq + slow * rs) - held_then
    window = out_t + col["window"] * (temps - out_t)
    corner = out_t + col["corner"] * (temps - out_t)
    return HomeYear(
        temps,
        rhs,
        out_t,
        out_rh,
        vapours,
        100 * vapours / saturation_pa(window),
        100 * vapours / saturation_pa(corner),
        devices,
        changes_all,
        gained,
        brought,
        wet,
        coil,
        stored,
    )


_NUMBERS = (
    "volume_m3",
    "changes_h",
    "people",
    "water_kg_day",
    "loss_w_k_m3",
    "mass_kj_k_m3",
    "window",
    "corner",
    "open_above_c",
)


def _held(volume, t, e, stores) -> np.ndarray:
    """Water in air and furniture. [g]"""
    return 1000 * volume * e / (R_VAPOUR * (t + 273.15)) + stores


def _day(each: Sequence[Home]) -> tuple[np.ndarray, ...]:
    """Presence, share of a day's water, set-back and airing by the hour of the day. (24, n)"""
    n = len(each)
    there, water, back, aired = (np.zeros((24, n)) for _ in range(4))
    for i, h in enumerate(each):
        if h.shop:
            there[8:18, i], water[9:17, i] = 1.0, 1 / 8
            back[:, i] = h.back_k
            back[7:18, i] = 0
        else:
            there[:, i] = 0.95
            there[8:17, i] = 0.4
            for hour, share in (
                (6, 0.15),
                (7, 0.15),
                (12, 0.1),
                (18, 0.25),
                (19, 0.2),
                (20, 0.15),
            ):
                water[hour, i] = share
            back[:, i] = h.back_k
            back[6:23, i] = 0
        for hour in h.airings:
            aired[hour, i] = 0.9  # ten minutes of five changes an hour
    return there, water, back, aired


def _devices(each: Sequence[Home], second: bool) -> tuple[np.ndarray, ...]:
    """First or second room device: most it gives (n,) [g/h], set point [%], and whether it runs, by
    the hour. (8760, n)"""
    most, set_pct = np.zeros(len(each)), np.full((YEAR_H, len(each)), 50.0)
    runs = np.zeros((YEAR_H, len(each)), dtype=bool)
    for i, h in enumerate(each):
        device = h.device.also if second and h.device is not None else h.device
        if device is None:
            continue
        most[i], set_pct[:, i] = device.litres_day * 1000 / 24, device.set_pct
        runs[:, i] = np.isin(MONTH_OF_HOUR + 1, device.months)
        days = weather_of(h.climate, h.seed).temp_c.reshape(365, 24).mean(axis=1)
        for cold_c, lower_pct in device.in_cold:
            cold = np.repeat(days < cold_c, 24)
            set_pct[cold, i] = np.minimum(set_pct[cold, i], lower_pct)
    return most, set_pct, runs
