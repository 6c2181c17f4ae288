"""Instrument cases by the hour in a made home's air, in many draws, with users who follow advice.

Wood is a quick surface and a slow core, the lining is a third store; the leak, the stores and the
devices differ from draw to draw. Sizes from memory and in the usual range: no instrument case's
leak was ever measured, so the draws are wide on purpose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from scenes.climates import MONTH_OF_HOUR, R_VAPOUR, YEAR_H, between, saturation_pa
from scenes.homes import PER_K_PCT, Home, HomeYear, RoomDevice, each_year, side_by_side

DRAWS = 10
SPIN_H = 24 * 120
HELD_GONE_PCT = 15.0
"""A buffer is spent where its RH is so far from its set point. [%]"""


class InCase(NamedTuple):
    """Device in the case that holds water and only gives it off: gel, tube, sponge, or weighed.

    `release_g_day_pct`: given off for each % RH below 100 at 20 °C. [g/(d %)]
    """

    water_g: float
    release_g_day_pct: float
    every_d: float = 7.0
    months: tuple[int, ...] = tuple(range(1, 13))
    spread: float = 1.5


SPONGE = InCase(60.0, 0.12, 3.0)
"""A wet sponge in a soap box, from memory: it dries in some days."""


class Packs(NamedTuple):
    """Humidity buffer that gives and takes: `capacity_g_pct` [g/%], `set_pct` [%]."""

    capacity_g_pct: float
    set_pct: float
    every_d: float = 30.0
    months: tuple[int, ...] = tuple(range(1, 13))
    settles_d: float = 1.5
    spread: float = 1.5


class Measures(NamedTuple):
    """Advice as carried out: what is in the case, what is in the room.

    `out_above_pct`: the device is taken out while the hygrometer in the case reads above this, where
    the advice says so [%]. `left_out`: hours for which the instrument lies in the room, as now.
    """

    device: InCase | Packs | None = None
    room: RoomDevice | None = None
    out_above_pct: float | None = None
    left_out: tuple[int, ...] = ()
    windows_shut: bool = False


class User(NamedTuple):
    """A user. `late`: intervals of filling, times what is advised. `reads`: looks at the hygrometer
    every morning. `lingers_h`: hours for which the instrument lies out after it was played."""

    name: str
    late: float
    reads: bool
    lingers_h: int


OBEDIENT = User("obedient", 1.0, True, 0)
LAZY = User("lazy", 1.8, False, 2)


class CaseKind(NamedTuple):
    """A case with its instrument. [L], [1/d], [g/%], [g/%], [h]"""

    air_l: float
    changes_day: float
    wood_g_pct: float
    lining_g_pct: float
    wood_h: float


KINDS = {
    "violin, hard case": CaseKind(19, 8, 0.7, 0.28, 50),
    "violin, soft case": CaseKind(18, 18, 0.7, 0.22, 50),
    "viola, hard case": CaseKind(25, 8, 0.85, 0.33, 55),
    "viola, soft case": CaseKind(24, 18, 0.85, 0.27, 55),
    "cello, hard case": CaseKind(115, 7, 3.4, 0.9, 75),
    "cello, soft case": CaseKind(80, 22, 3.4, 0.65, 75),
    "bass, cover": CaseKind(250, 900, 12.5, 0.0, 110),
}
LEAK_TIMES, STORE_TIMES, WOOD_TIMES = 2.5, 1.25, 1.4
"""Spread of leak, stores and the wood's exchange over the draws, times or divided by."""


class CaseRow(NamedTuple):
    """A case in a home, what is done with it, by whom, played (from, to) or not at all."""

    home: Home
    case: str = "violin, hard case"
    measures: Measures = Measures()
    user: User = OBEDIENT
    played: tuple[int, int] | None = (17, 19)


@dataclass(frozen=True, eq=False)
class CaseYears:
    """Years of cases, for each row and draw.

    `wood_pct` (365, rows, draws): RH that the wood keeps, daily means; `surface_pct`: that of its
    surface; `air_pct`: the case's air [%]. `over_70_h` (rows, draws): hours of the case's air above
    70 %; `mould_h`: above 80 %. `given_g`, `added_g`: water from the device and into it [g].
    `leaked_g`, `out_g`: water in through gaps and lid, and into the wood while it is out; `stored_g`
    the change of all stores; `dropped_g`: what was thrown away with a refill or a pack renewed.
    `taken_out_h`: hours for which the device was out.
    """

    wood_pct: np.ndarray
    surface_pct: np.ndarray
    air_pct: np.ndarray
    over_70_h: np.ndarray
    mould_h: np.ndarray
    given_g: np.ndarray
    added_g: np.ndarray
    leaked_g: np.ndarray
    out_g: np.ndarray
    stored_g: np.ndarray
    taken_out_h: np.ndarray
    hourly_air_pct: np.ndarray | None = None
    hourly_wood_pct: np.ndarray | None = None

    def days(self, low: float, high: float, months: Sequence[int] = ()) -> tuple:
        """Days of `months` (all, if none) on which the wood is below, and above. (rows, draws)"""
        kept = np.isin(MONTH_OF_HOUR[::24] + 1, list(months) or range(1, 13))
        wood = self.wood_pct[kept]
        return (wood < low).sum(axis=0), (wood > high).sum(axis=0)


def case_year(
    home: Home,
    measures: Measures = Measures(),  # noqa: B008 # immutable
    *,
    case: str = "violin, hard case",
    user: User = OBEDIENT,
    played: tuple[int, int] | None = (17, 19),
    draws: int = DRAWS,
    hourly: bool = False,
) -> CaseYears:
    """A case's year in one home, in each draw."""
    return case_years([CaseRow(home, case, measures, user, played)], draws=draws, hourly=hourly)


def case_years(
    rows: Sequence[CaseRow], *, draws: int = DRAWS, hourly: bool = False, seed: int = 3
) -> CaseYears:
    """Cases' years side by side. The draws of a row are those of every other, so rows compare."""
    air, column = _rooms(rows)
    n, m = len(rows), len(rows) * draws
    row = np.repeat(np.arange(n), draws)
    room = column[row]
    ranks = np.tile(_ranks(draws, 4, seed), (n, 1))
    kinds = np.array([KINDS[r.case] for r in rows])[row]
    air_l, changes, wood, lining, wood_h = kinds.T
    changes = changes * LEAK_TIMES ** ranks[:, 0]
    wood, lining = (s * STORE_TIMES ** ranks[:, 1] for s in (wood, lining))
    k_wood = wood / wood_h * WOOD_TIMES ** ranks[:, 2]
    skin, core = 0.35 * wood, 0.65 * wood
    k_core = 2.5 * k_wood  # surface to core
    k_wood = 1.6 * k_wood  # air to surface; the two in line have the instrument's time
    lining = np.maximum(lining, 1e-6)
    k_l = lining / 5.0  # a lag of four hours and the step's one: lining / 4 / (1 + 1/4)
    device = _Devices([r.measures.device for r in rows], row, ranks[:, 3])
    fills = np.array([_fill_days(r, i) for i, r in enumerate(rows)])[row]  # (m, 365)
    out_hours, lids = (x[:, row] for x in _hours(rows))  # (24, m)
    limit = np.array(
        [
            r.measures.out_above_pct
            if r.user.reads and r.measures.out_above_pct is not None
            else 999.0
            for r in rows
        ]
    )[row]
    misread = np.tile(np.random.default_rng(seed + 1).normal(0, 1.5, draws), n)
    litre_g = air_l * 1e-3 * 1000 / (R_VAPOUR * 293.15)  # water that a pascal puts into it [g/Pa]
    t = air.temp_c[-SPIN_H, room]
    core_pct = air.rh_pct[-SPIN_H:, :].mean(axis=0)[room]
    skin_pct, lining_pct = core_pct.copy(), core_pct.copy()
    h = core_pct.copy()
    inside = np.ones(m, dtype=bool)
    wood_day, skin_day, air_day = (np.zeros((365, m), dtype=np.float32) for _ in range(3))
    over, mould, given, added, leaked, outside, away = (np.zeros(m) for _ in range(7))
    air_h = np.empty((YEAR_H, m), dtype=np.float32) if hourly else None
    wood_hours = np.empty((YEAR_H, m), dtype=np.float32) if hourly else None
    then = np.zeros(m)
    hours = np.concatenate([np.arange(YEAR_H - SPIN_H, YEAR_H), np.arange(YEAR_H)])
    for at, hour in enumerate(hours.tolist()):
        day, clock = hour // 24, hour % 24
        if at == SPIN_H:
            for total in (over, mould, given, added, leaked, outside, away):
                total[:] = 0
            then = skin * skin_pct + core * core_pct + lining * lining_pct
        if clock == 0:
            added += device.fill(fills[:, day])
        if clock == 8:
            reading = h + misread
            inside = np.where(inside, reading <= limit, reading <= limit - 2)
        t_room, e_room = air.temp_c[hour, room], air.vapour_pa[hour, room]
        t = t + 0.63 * (t_room - t)  # an hour's time constant
        es = saturation_pa(t)
        ho = np.minimum(100 * e_room / es, 100.0)
        warmth = PER_K_PCT * (t - 20)
        out, lid = out_hours[clock], lids[clock]
        per_pct = litre_g * es / 100
        leak = per_pct * (changes / 24 + lid)
        k_in = k_wood * (1 - out)
        d = skin + k_wood + k_core
        # wood's surface over the step: (skin s + k (h − warmth) + core's)/d, k to inside and outside
        rest = (skin * skin_pct + k_wood * out * (ho - warmth) + k_core * core_pct) / d
        to_skin = k_in * (1 - k_in / d)
        a = leak + to_skin + k_l
        push = leak * ho + k_in * (rest + warmth * (1 - k_in / d)) + k_l * (lining_pct + warmth)
        gives = device.step(a, push, es, inside)
        h = between((push + gives) / a, 0, 100)
        new_skin = rest + k_in * (h - warmth) / d
        if at >= SPIN_H:
            given += gives
            leaked += leak * (ho - h)
            outside += k_wood * out * (ho - warmth - new_skin)
            away += ~inside
        lining_pct = lining_pct + k_l / lining * (h - warmth - lining_pct)
        core_pct = core_pct + k_core / core * (new_skin - core_pct)
        skin_pct = new_skin
        if at >= SPIN_H:
            mean = (skin * skin_pct + core * core_pct) / wood + warmth
            wood_day[day] += mean / 24
            skin_day[day] += (skin_pct + warmth) / 24
            air_day[day] += h / 24
            over += h > 70
            mould += h > 80
            if hourly:
                air_h[hour], wood_hours[hour] = h, mean
    now = skin * skin_pct + core * core_pct + lining * lining_pct
    shape = (-1, n, draws)
    pick = lambda x: x.reshape(n, draws)  # noqa: E731 # one shape for all totals
    return CaseYears(
        wood_day.reshape(shape),
        skin_day.reshape(shape),
        air_day.reshape(shape),
        *(pick(x) for x in (over, mould, given, added, leaked, outside, now - then, away)),
        air_h.reshape(shape) if hourly else None,
        wood_hours.reshape(shape) if hourly else None,
    )


class _Devices:
    """Devices of all columns: those that only give, those that give and take, and none."""

    def __init__(self, each: Sequence[InCase | Packs | None], row: np.ndarray, rank: np.ndarray):
        none = InCase(0.0, 0.0)
        full, rate, cap, set_pct = (np.zeros(len(each)) for _ in range(4))
        spread = np.ones(len(each))
        for i, one in enumerate(each):
            one = one or none
            spread[i] = one.spread
            if isinstance(one, InCase):
                full[i], rate[i] = one.water_g, one.release_g_day_pct / 24
            else:
                cap[i], set_pct[i] = one.capacity_g_pct, one.set_pct
                rate[i] = one.capacity_g_pct / one.settles_d / 24
        times = (spread[row]) ** rank
        self.full, self.cap, self.set = full[row], cap[row], set_pct[row]
        self.rate = rate[row] * times
        self.two = self.cap > 0
        self.water = np.zeros_like(self.full)
        self.kept = self.set.copy()
        self.charged = np.zeros(len(row), dtype=bool)

    def fill(self, today: np.ndarray) -> np.ndarray:
        """Fill or renew today; returns the water added. [g]"""
        new = np.where(today & ~self.two, self.full - self.water, 0)
        self.water = self.water + new
        put = np.where(today & self.two, self.cap * (self.set - self.kept), 0)
        self.kept = np.where(today, self.set, self.kept)
        self.charged |= today
        return new + put

    def step(self, a, push, es, inside) -> np.ndarray:
        """Water given in the hour, so that it is in balance with the air it makes. [g]"""
        goal = np.where(self.two, self.kept, 100.0)
        k = self.rate * es / 2333.0 * inside * self.charged
        per = np.where(self.two, k / np.maximum(self.cap, 1e-9), 0)  # its own RH falls as it gives
        gives = k * (goal - push / a) / (1 + k / a + per)
        low = np.where(self.two, self.cap * (self.kept - self.set - HELD_GONE_PCT), 0)
        high = np.where(self.two, self.cap * (self.kept - self.set + HELD_GONE_PCT), self.water)
        gives = between(gives, np.minimum(low, 0), np.maximum(high, 0))
        self.water = np.where(self.two, self.water, self.water - gives)
        self.kept = np.where(self.two, self.kept - gives / np.maximum(self.cap, 1e-9), self.kept)
        return gives


def _ranks(count: int, columns: int, seed: int) -> np.ndarray:
    """Evenly spread ranks within −1 to 1, each column shuffled by itself. (count, columns)"""
    random = np.random.default_rng(seed)
    even = (2 * np.arange(count) + 1) / count - 1
    return np.stack([random.permutation(even) for _ in range(columns)], axis=1)


def _fill_days(row: CaseRow, i: int) -> np.ndarray:
    """Days of the year on which the user fills it: as advised, or late and not by the clock."""
    days = np.zeros(365, dtype=bool)
    device = row.measures.device
    if device is None:
        return days
    on = np.isin(MONTH_OF_HOUR[::24] + 1, device.months)
    random = np.random.default_rng((7, i))
    due = 0.0
    for day in range(365):
        if not on[day]:
            due = day + 1.0
        elif day >= due:
            days[day] = True
            wait = device.every_d * row.user.late
            due = day + wait * (random.uniform(0.7, 1.3) if row.user.late > 1 else 1.0)
    return days


def _hours(rows: Sequence[CaseRow]) -> tuple[np.ndarray, np.ndarray]:
    """Whether it is out, and the lid's air changes, by the hour of the day. (24, rows)"""
    out, lid = (np.zeros((24, len(rows))) for _ in range(2))
    for i, row in enumerate(rows):
        out[list(row.measures.left_out), i] = 1
        if row.played is not None:
            first, last = row.played
            hours = [h % 24 for h in range(first, last + row.user.lingers_h)]
            out[hours, i] = 1
            lid[[hours[0], (hours[-1] + 1) % 24], i] = 0.6  # opened for a moment
    return out, lid


def _rooms(rows: Sequence[CaseRow]) -> tuple[HomeYear, np.ndarray]:
    """The air of all rooms that the rows need, and each row's column of it."""
    each: dict[Home, int] = {}
    column = []
    for row in rows:
        home = row.home._replace(
            device=row.measures.room or row.home.device,
            windows_shut=row.measures.windows_shut or row.home.windows_shut,
        )
        column.append(each.setdefault(home, len(each)))
    return side_by_side(each_year(list(each))), np.array(column)
