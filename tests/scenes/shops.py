"""Repair shops with opened instruments, and the damp and dry spells that they go through."""

from __future__ import annotations

import functools
from typing import NamedTuple

import numpy as np

from scenes.climates import YEAR_H
from scenes.homes import Home, HomeYear, RoomDevice, years_of

PLATES_H = {"ribs": 6.0, "top": 20.0, "back": 30.0, "neck": 400.0}
"""Time constants of opened parts in the shop's air. [h]  From memory, in the usual range."""


class Spell(NamedTuple):
    """A spell: first day of the year, days, water added [g/h], air changes added [1/h]."""

    first: int
    days: int
    water_g_h: float
    changes_h: float


class Shop(NamedTuple):
    """A shop: its room, its spells, and the RH at which its instruments live at home. [%]"""

    name: str
    room: Home
    spells: tuple[Spell, ...]
    home_pct: float


class ShopYear(NamedTuple):
    """A shop's year: its room, and the RH that each opened part has taken on, by part. (8760,) [%]"""

    room: HomeYear
    parts_pct: dict[str, np.ndarray]


WET, DRAUGHT = Spell(150, 6, 900.0, 0.0), Spell(20, 5, 0.0, 2.5)
"""A leak or a washing day for a week; a door that does not shut in a cold week."""
_SHOPS = (
    # name, climate, volume, leak, heat, back, cool, humidifier, spells, home RH
    ("cellar shop", "continental", 70, 0.25, 18.0, 3.0, None, None, (WET,), 45),
    ("loft shop", "continental", 90, 0.9, 20.0, 5.0, None, (6, 45), (DRAUGHT,), 45),
    ("shed by the sea", "maritime", 45, 1.5, 16.0, 8.0, None, None, (WET,), 50),
    ("town shop", "maritime", 110, 0.5, 20.0, 3.0, None, None, (), 50),
    ("prairie shop", "cold continental", 120, 0.4, 20.0, 3.0, None, (12, 42), (DRAUGHT,), 40),
    ("garage", "cold continental", 60, 1.2, 17.0, 6.0, None, None, (DRAUGHT,), 38),
    ("northern shop", "subarctic", 80, 0.3, 20.0, 2.0, None, (10, 40), (), 38),
    ("courtyard shop", "mediterranean", 100, 0.8, 18.0, 4.0, 26.0, None, (WET,), 50),
    ("desert shop", "desert", 90, 0.5, 18.0, 2.0, 25.0, (15, 42), (), 35),
    ("open shop", "humid tropics", 80, 2.5, None, 0.0, None, None, (WET,), 65),
    ("cooled shop", "humid tropics", 80, 0.4, None, 0.0, 24.0, (-20, 50), (), 55),
    ("harbour shop", "subtropical", 100, 0.9, None, 0.0, 25.0, None, (WET,), 60),
    ("plain shop", "monsoon", 90, 1.0, 18.0, 2.0, None, None, (), 50),
    ("mountain shop", "high plateau", 85, 0.6, 19.0, 4.0, None, (8, 45), (DRAUGHT,), 40),
    ("southern shop", "southern coast", 95, 0.7, 18.0, 4.0, None, None, (), 50),
)


@functools.cache
def shops() -> tuple[Shop, ...]:
    """The table: fifteen shops over all eleven climates."""
    made = []
    for name, climate, volume, leak, heat, back, cool, device, spells, home in _SHOPS:
        room = Home(
            name=name,
            climate=climate,
            volume_m3=volume,
            changes_h=leak,
            people=2,
            heat_c=heat,
            back_k=back,
            cool_c=cool,
            water_kg_day=0.4,
            airings=(8, 13),
            store_g_m3=(0.35, 1.0),
            shop=True,
            seed=2,
            device=RoomDevice(*device) if device else None,
        )
        made.append(Shop(name, room, spells, float(home)))
    return tuple(made)


@functools.cache
def _years() -> HomeYear:
    each = shops()
    spells = [(i, *spell) for i, shop in enumerate(each) for spell in shop.spells]
    return years_of([shop.room for shop in each], spells)


def shop_year(shop: Shop) -> ShopYear:
    """The year of a shop of the table."""
    room = _years().of(shops().index(shop))
    parts = {}
    for part, lag in PLATES_H.items():
        keep = np.exp(-1 / lag)
        now, out = shop.home_pct, np.empty(YEAR_H)
        for i, rh in enumerate(room.rh_pct.tolist()):
            now = keep * now + (1 - keep) * rh
            out[i] = now
        parts[part] = out
    return ShopYear(room, parts)
