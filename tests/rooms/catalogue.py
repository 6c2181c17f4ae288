"""Catalogue of the shops by number, each with its weather and its archived forecasts."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from rooms.forecasts import Archive, archive
from rooms.shops import ShopSpec, simulate
from rooms.weather import CLIMATES, Weather, demo_year, made_up_year

HOURS = 8760
TUNED_ON = tuple(range(1, 11))
HELD_BACK = tuple(range(101, 111))
"""Constants were chosen on the first; the second are for reporting only."""


class Shop(NamedTuple):
    """A year of a shop: readings each 10 minutes, outdoors as its sensor reads it, forecasts; and
    water filled into the humidifier's tank, 0 mostly [g], the true air change [1/h], and whether
    somebody is there."""

    number: int
    climate: str
    spec: ShopSpec
    ts_ms: np.ndarray
    temp_c: np.ndarray
    rh_pct: np.ndarray
    outdoors: Weather
    forecasts: Archive
    filled_g: np.ndarray
    change_h: np.ndarray
    there: np.ndarray


def spec_of(number: int) -> ShopSpec:
    """Room of a number: from leaky sheds to tight rooms. The demo's year is at UTC−5."""
    random = np.random.default_rng((number, 7))

    def between(low: float, high: float) -> float:
        return float(np.exp(random.uniform(np.log(low), np.log(high))))

    leaky, bare = between(0.5, 4.0), between(0.1, 1.0)
    size = between(25, 150)
    heated = random.random() > 0.1
    day = random.uniform(18, 22)
    night = day - random.choice([0.0, 2.0, 4.0, 6.0])
    return ShopSpec(
        volume_m3=size,
        leak_h=0.12 * leaky,
        stack_h_k=0.05 * leaky,
        wind_h=0.04 * leaky,
        wood_m2=size * bare * between(0.3, 1.5),
        plaster_m2=size * bare * between(0.4, 1.6),
        paper_m2=size * bare * between(0.03, 0.4),
        loss_w_k=size * between(0.6, 2.0),
        air_j_k=size * 3.5e4,
        mass_j_k=size * between(1e5, 5e5),
        mass_w_k=size * between(2, 5),
        mass_loss_w_k=size * between(0.2, 0.7),
        neighbour_w_k=size * between(0.05, 0.6),
        neighbour_m3_h=size * between(0.01, 0.1),
        heater_w=size * between(40, 90) if heated else 0.0,
        on_off=float(random.random() < 0.6),
        day_c=day,
        night_c=night,
        weekend_c=night - random.choice([0.0, 2.0]),
        sun_w=size * between(2, 15),
        people=random.uniform(0.8, 2.0),
        work_days=float(random.choice([5, 5.5, 6])),
        doors_h=between(0.5, 8),
        door_m3=between(3, 15),
        glue_days=random.uniform(0.1, 0.8),
        glue_g_h=between(50, 200),
        humidifier_g_h=size * between(1.5, 5) if random.random() < 0.35 else 0.0,
        humidifier_pct=random.uniform(38, 48),
        window=float(random.random() < 0.8),
        utc_offset_h=-5.0 if number % 3 == 0 else float(random.choice([-6, 0, 1, 2, 9])),
        open_h=random.uniform(7.5, 10),
        shut_h=random.uniform(16, 19),
        rh_offset_pct=random.normal(0, 1.5),
        rh_noise_pct=between(0.1, 0.6),
        rh_step_pct=float(random.choice([0.01, 0.1, 0.1, 1.0])),
    )


def weather_of(number: int, spec: ShopSpec, hours: int = HOURS) -> tuple[str, Weather]:
    """Weather of a shop: every third has the demo's year, the others made-up ones of four climates."""
    if number % 3 == 0:
        return "demo", demo_year(hours)
    name = tuple(CLIMATES)[number % len(CLIMATES)]
    return name, made_up_year(CLIMATES[name], number, hours, spec.utc_offset_h)


WICK_G_H_M3 = 3.0
"""What a wick gives at 1 kPa in a room that has no humidifier by its number. [g/(h m³)]"""


def with_wick(spec: ShopSpec) -> ShopSpec:
    """The room with a wick in the place of its humidifier, or where there was none."""
    grams = spec.humidifier_g_h or WICK_G_H_M3 * spec.volume_m3
    return replace(spec, wick=1.0, humidifier_g_h=grams)


def shops(
    numbers: tuple[int, ...], hours: int = HOURS, seed: int = 5, *, wicks: Collection[int] = ()
) -> list[Shop]:
    """Shops of some numbers, side by side: 20 s for ten and a year; `wicks` of them have a wick."""
    specs = [spec_of(number) for number in numbers]
    specs = [
        with_wick(spec) if n in wicks else spec for n, spec in zip(numbers, specs, strict=True)
    ]
    weathers = [weather_of(n, s, hours) for n, s in zip(numbers, specs, strict=True)]
    ts_ms, temp, rh, filled, change, there = simulate(specs, [w for _, w in weathers], seed)
    made = []
    for r, number in enumerate(numbers):
        random = np.random.default_rng((number, 11))
        forecasts = archive(
            weathers[r][1],
            number,
            every_h=int(random.choice([6, 6, 12])),
            along_h=float(random.uniform(12, 36)),
            keep=float(random.uniform(0.5, 0.9)),
        )
        made.append(
            Shop(
                number,
                weathers[r][0],
                specs[r],
                ts_ms,
                temp[:, r],
                rh[:, r],
                weathers[r][1],
                forecasts,
                filled[:, r],
                change[:, r],
                there[:, r],
            )
        )
    return made
