"""Made homes by the hour: heat, moisture, airing, people, devices; a model of its own, for tests.

It shares nothing with the home of the product but the saturation pressure: temperature follows
from losses, sun and a thermal mass with a heating schedule; vapour from people by the hour, cooking,
laundry, pulses of airing, windows opened when it is warm, two stores of moisture, cold panes, and an
air conditioner's coil.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import NamedTuple

import numpy as np

MONTH_H = 24 * np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
MONTH = np.repeat(np.arange(12), MONTH_H)
YEAR_H = 8760
R_V = 461.52


def sat(temp_c):
    """Saturation vapour pressure over water, Buck 1981. [Pa]  From memory, unchecked."""
    return 611.21 * np.exp(17.502 * temp_c / (240.97 + temp_c))


class Climate(NamedTuple):
    """Normals: mean temperature and dew point of the months [°C], half the day's swing [K]."""

    temp_c: tuple[float, ...]
    dew_c: tuple[float, ...]
    swing_k: float = 4.5


def weather(climate, random):
    """One year's hours: temperature [°C] and vapour pressure [Pa], with odd months and spells."""
    middle = np.cumsum(MONTH_H) - MONTH_H / 2

    def through(months):
        knots = np.array(months, float)
        for _ in range(8):
            year = np.interp(np.arange(YEAR_H), middle, knots, period=YEAR_H)
            knots += np.array(months) - np.bincount(MONTH, year) / MONTH_H
        return np.interp(np.arange(YEAR_H), middle, knots, period=YEAR_H)

    cold = np.clip((15 - np.array(climate.temp_c)) / 20, 0, 1)
    odd = random.normal(size=12) * (0.8 + 1.3 * cold)
    drier = 0.5 * odd + random.normal(size=12) * 0.9

    def spells(days, sd):
        keep = np.exp(-1 / days)
        value, x = np.empty(366), 0.0
        for i in range(366):
            x = keep * x + np.sqrt(1 - keep**2) * random.normal()
            value[i] = x
        return sd * np.interp(np.arange(YEAR_H) / 24, np.arange(366), value)

    base = through(np.array(climate.temp_c) + odd)
    depth = through(0.6 + cold)
    front = spells(2.2, 1.0)
    hour = np.arange(YEAR_H) % 24
    clear = np.clip(1 + spells(1.5, 0.4), 0.2, 2)
    temp = (
        base + 2.8 * depth * front + climate.swing_k * clear * np.cos(2 * np.pi * (hour - 15) / 24)
    )
    dew = through(np.array(climate.dew_c) + drier) + depth * (2.2 * front + spells(1.6, 1.8))
    return temp, np.minimum(sat(dew), sat(temp))


def drawn(climate, cooled, count, seed, humidified, dried):
    """Homes drawn in a climate, a column each, by name of what is drawn."""
    random = np.random.default_rng(seed)
    out = [weather(climate, random) for _ in range(count)]
    t_out, e_out = (np.stack(column, axis=1) for column in zip(*out, strict=True))

    def even(low, high):
        return random.uniform(low, high, count)

    def spread(middle, times):
        return middle * times ** random.normal(size=count)

    volume = np.clip(spread(160, 1.5), 60, 450)
    people = random.integers(1, 5, count)
    tightness = random.choice(3, count, p=[0.3, 0.45, 0.25])  # leaky, normal, tight
    leak = np.array([0.9, 0.45, 0.22])[tightness] * 1.35 ** random.normal(size=count)
    heat_set, night = (
        np.clip(random.normal(20.7, 1.3, count), 17, 24),
        even(0, 4) * (even(0, 1) < 0.5),
    )
    mass_h, sun_k = even(25, 90), even(1.5, 5.0)
    opens_c, opens = even(22, 25), even(1.0, 6.0)
    airs = random.integers(0, 4, count)
    ajar, ajar_from = 1.4 * 2.0 ** random.normal(size=count), even(4, 12)
    works, cooks = even(0, 1) < 0.6, even(250, 900)
    laundry = (even(0, 1) < 0.35) * even(800, 2000)
    plants = even(0, 15)
    surface, deep = even(0.25, 0.8) * volume, even(1.5, 6.0) * volume  # g/%
    pane = even(0.55, 0.85)
    has_ac = even(0, 1) < cooled
    ac_set, coil = even(22.5, 26.5), even(9, 14)
    ac_dries = even(0.5, 2.5)
    has_mist = even(0, 1) < humidified
    mist_l, mist_set = even(2, 9), even(38, 48)
    has_dry = even(0, 1) < dried
    dry_set = even(48, 58)
    each = np.arange(count)
    return {name: value for name, value in locals().items() if isinstance(value, np.ndarray)}


def made_homes(climates, count, seed, *, humidified=0.1, dried=0.05):
    """Months of homes that lived through a year each of a climate; all run side by side.

    `climates`: climates by name, each with the share of homes that are cooled.

    Returns
    -------
    dict
        For each name, `temp_c`, `rh_pct`: (count, 12) true means; and what a client would say of the
        home.
    """
    lots = [drawn(*climate, count, seed, humidified, dried) for climate in climates.values()]
    of = SimpleNamespace(**{k: np.concatenate([lot[k] for lot in lots], axis=-1) for k in lots[0]})
    count = len(of.each)
    temp, rh_air = np.full(count, 20.0), np.full(count, 45.0)
    vapour = rh_air / 100 * sat(temp)
    near, far = rh_air.copy(), rh_air.copy()
    temps, rhs = np.empty((YEAR_H, count)), np.empty((YEAR_H, count))
    day_mean = of.t_out[:24].mean(axis=0)
    for h in [*range(YEAR_H - 1440, YEAR_H), *range(YEAR_H)]:
        hour, day = h % 24, h // 24
        to, eo = of.t_out[h], of.e_out[h]
        day_mean += (to - day_mean) / 24
        away = of.works & (day % 7 < 5) & (8 <= hour < 17)
        here = of.people * np.where(away, 0.15, 1.0 if (hour < 7 or hour > 17) else 0.7)
        # heat
        set_now = of.heat_set - of.night * (hour >= 22 or hour < 6)
        sunny = of.sun_k * max(np.cos(2 * np.pi * (hour - 14) / 24), 0) * 1.8
        rest = to + 3.0 + 0.35 * of.people + sunny
        temp = temp + (rest - temp) / of.mass_h
        open_now = (temp > of.opens_c) & (to < temp + 1) & ~(of.has_ac & (temp > of.ac_set - 0.5))
        temp = np.where(open_now, temp + 0.12 * (to - temp), temp)
        temp = np.maximum(temp, np.where(day_mean < 16, set_now, -50))
        cooling = of.has_ac & (temp > of.ac_set)
        temp = np.where(cooling, of.ac_set, temp)
        # air
        stack = of.leak * (0.6 + 0.04 * np.sqrt(np.abs(temp - to)) * 2.5)
        burst = 0.0
        if hour in (7, 13, 19):
            burst = np.where((of.airs > (7, 13, 19).index(hour)) & ~cooling, 0.7, 0.0)
        mild = np.clip((day_mean - of.ajar_from) / 10, 0, 1) * ~cooling
        change = stack + burst + of.opens * open_now + of.ajar * mild
        # water
        water = here * 52 + of.plants
        water = water + of.cooks * of.people**0.5 * (
            0.5 if hour in (7, 12) else 1.0 if hour in (8, 18) else 0
        )
        water = water + of.laundry * ((day + of.each) % 4 == 0) * (hour >= 18) / 6
        air = of.volume / (R_V * (temp + 273.15)) * 1000  # g/Pa
        es = sat(temp)
        mist = np.where(
            of.has_mist & (rh_air < of.mist_set) & (day_mean < 12), of.mist_l * 1000 / 24, 0
        )
        k_near, k_far = of.surface / 3.0, of.deep / 200.0  # g/(h %)
        # one implicit step of the air, with the stores as they were
        a = air + change * air + (k_near + k_far) * 100 / es
        b = air * vapour + change * air * eo + water + mist + k_near * near + k_far * far
        a = np.where(cooling, a + of.ac_dries * air, a)
        b = np.where(cooling, b + of.ac_dries * air * np.minimum(sat(of.coil), vapour), b)
        dry_now = of.has_dry & (rh_air > of.dry_set)
        b = b - np.where(dry_now, 250.0, 0)
        vapour = np.maximum(b / a, 30.0)
        inner = sat(to + of.pane * (temp - to))
        vapour = np.where(vapour > inner, inner + 0.35 * (vapour - inner), vapour)
        vapour = np.minimum(vapour, 0.99 * es)
        rh_air = 100 * vapour / es
        near += (rh_air - near) * k_near / of.surface
        far += (rh_air - far) * k_far / of.deep
        temps[h], rhs[h] = temp, rh_air
    months = [m == MONTH for m in range(12)]
    found = {
        "temp_c": np.stack([temps[m].mean(axis=0) for m in months], axis=1),
        "rh_pct": np.stack([rhs[m].mean(axis=0) for m in months], axis=1),
        "tightness": np.array(["leaky", "normal", "tight"])[of.tightness],
        "people": of.people,
        "volume_m3": of.volume,
        "set_point_c": np.round(of.heat_set),
        "humidified_l_day": np.where(of.has_mist, np.round(of.mist_l), 0.0),
        "cooled": of.has_ac,
    }
    parts = {key: np.split(value, len(lots)) for key, value in found.items()}
    return {name: {key: part[i] for key, part in parts.items()} for i, name in enumerate(climates)}
