"""Invented shops, each drawn by a seed: how large, how tight, how heated, who works there, in what
weather. Every number is invented, in the usual range."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from sensors.simulator import habits, room
from sensors.simulator.random_numbers import uniform
from sensors.simulator.time_grid import GRID_MS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sensors.simulator.random_numbers import Seed

    Floats = NDArray[np.float64]

LAG_MAX = 36 * 3_600_000 // GRID_MS
"""How much sooner or later the packaged weather may reach a shop. [steps of the grid]"""


class WeatherShift(NamedTuple):
    """Difference of a shop's weather from the packaged year, each of shape (shops,).

    Warmer by, dew point higher by [K], later by [steps of the grid], share of wind and of air
    pressure [-].
    """

    temp_k: Floats
    dew_point_k: Floats
    lag: NDArray[np.int64]
    wind: Floats
    pressure: Floats


class RandomShops(NamedTuple):
    """Properties of some shops, everything of shape (shops,)."""

    rooms: room.Pair[room.SimulatedRoom]
    fittings: room.Fittings
    habits: habits.Habits
    weather: WeatherShift


def random_shops(seeds: tuple[int, ...]) -> RandomShops:
    """Shop of each seed; the same seed is the same shop, whatever is beside it."""

    def between(what: str, low: float, high: float) -> Floats:
        return low + (high - low) * _draw(seeds, what)

    def times(what: str, most: float) -> Floats:
        """A factor from 1/most to most."""
        return most ** between(what, -1, 1)

    def has(what: str, chance: float) -> Floats:
        return (_draw(seeds, what) < chance).astype(float)

    size = times("size", 2.0)
    walls = size ** (2 / 3) * times("insulation", 1.5)
    leaky = times("tightness", 1.7)
    wood = times("wood", 1.6)
    corner = size * times("corner", 1.3)

    bench_like, corner_like = room.BENCH_ROOM, room.VARNISH_CORNER
    rooms = (
        _scaled(bench_like, size, walls, size * wood, deep=2.0 * times("depth", 1.5)),
        _scaled(corner_like, corner, walls, corner * wood, deep=1.5 * times("depth", 1.5)),
    )
    fittings = room.Fittings(
        heater_w=np.round(3600 * walls * between("heater", 0.7, 1.6)),
        corner_share=between("corner heater", 0.10, 0.25),
        humidifier_g_h=260 * size * between("humidifier", 0.5, 1.3) * has("has one", 0.6),
        humidifier_stops_pct=between("stops", 44, 54),
        fill_below_pct=between("fill below", 38, 46),
        tank_g=3500 * size * times("tank", 1.5),
        window_m3_h=190 * size * times("window", 1.4),
        mixing_m3_h=55 * corner * times("mixing", 1.6),
        curtain_w_k=14 * corner,
        neighbour_w_k=18 * walls * has("neighbour", 0.6),
        leak_h=(0.10 * leaky, 0.25 * leaky),
        leak_h_k=(0.007 * leaky, 0.010 * leaky),
        leak_h_m_s=(0.030 * leaky, 0.050 * leaky),
    )
    halves = {
        what: np.round(2 * between(what, *ends)) / 2
        for what, ends in {"day": (18.5, 21.5), "night": (12, 17), "holiday": (9, 12)}.items()
    }
    ways = habits.Habits(
        set_c=(halves["day"], halves["night"], halves["holiday"]),
        come_h=between("come at", 7.3, 9.3),
        go_h=between("go at", 16.2, 18.4),
        others=np.floor(between("others", 0, 3) * np.minimum(size, 1.0)),
        chance_others=between("others come", 0.6, 0.95),
        chance_glue=between("glue", 0.3, 0.8),
        chance_varnish=between("varnish", 0.05, 0.4),
        chance_airing=between("airing", 0.0, 0.7),
        chance_door=between("door", 0.2, 0.9),
        chance_saturday=between("saturdays", 0.0, 0.9),
        chance_careful=between("care", 0.3, 0.95),
        chance_fill=between("fill", 0.6, 0.95),
        shut=np.where(has("shut on Mondays", 0.2) > 0, 0.0, -1.0),
        sun_w=np.round(550 * size * times("sun", 1.8)),
        corner_sun_w=np.round(90 * corner * times("corner sun", 1.8)),
    )
    weather = WeatherShift(
        temp_k=between("warmer", -4, 3),
        dew_point_k=between("damper", -3, 2),
        lag=np.round(between("later", -LAG_MAX, LAG_MAX)).astype(np.int64),
        wind=between("wind", 0.5, 1.5),
        pressure=between("height", 0.93, 1.0),
    )
    return RandomShops(rooms, fittings, ways, weather)


def _draw(seeds: Seed, what: str) -> Floats:
    draw: Floats = uniform(seeds, f"shop/{what}", 0)
    return draw


def _scaled(
    like: room.SimulatedRoom, size: Floats, walls: Floats, wood: Floats, deep: Floats
) -> room.SimulatedRoom:
    """A room so many times as large, with so many times the walls and wood, and `deep` times the
    water below the skin of the wood; that forgets within some 4 days."""
    deep_g = deep * wood * like.buffer_g_pct
    return room.SimulatedRoom(
        volume_m3=like.volume_m3 * size,
        buffer_g_pct=like.buffer_g_pct * wood,
        buffer_rate_g_h_pct=like.buffer_rate_g_h_pct * wood,
        loss_w_k=like.loss_w_k * walls,
        air_j_k=like.air_j_k * size,
        mass_j_k=like.mass_j_k * walls,
        mass_w_k=like.mass_w_k * walls,
        mass_loss_w_k=like.mass_loss_w_k * walls,
        deep_g_pct=deep_g,
        deep_rate_g_h_pct=deep_g / 100,
    )
