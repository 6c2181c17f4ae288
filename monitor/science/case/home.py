"""The air of a home: from the weather and the heating, or from a few readings."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.science.case.fields import CaseFault, FieldFault, checked_fields, parameter
from monitor.science.case.outdoors import YEAR_H, OutdoorYear, month_of_hour, saturation
from monitor.science.case.simulation import MEMBERS, RoomAir, scores
from monitor.science.case.water_balance import (
    CaseDrive,
    Supply,
    Wood,
    grams_per_pct,
    run,
    warmth_offset,
)
from monitor.science.quantiles import QuantileRange, quantile_range
from monitor.science.ranges import Floats

SEED = 20_261_203
USUAL: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "changes_h": (0.25, 1.0),
        "people": (1, 4),
        "volume_m3": (80.0, 350.0),
        "set_point_c": (17.0, 23.0),
    }
)
"""Ends of what is usual in homes, by field of `ClientHome`.  Common practice, no source."""
WARM_K = 4.0
"""How far a home that is not heated lies from the line of `indoor_temperature`. [K]  Ours."""
COOLED_FROM_C, COOLED_SHARE = (22.0, 30.0), (0.1, 0.6)
"""Share of homes with an air conditioner, by the mean of the hottest month. [°C], [-]  Ours."""
COOLED_C, COOLED_MOST_PCT = 24.5, 60.0
"""What air conditioners keep. [°C], [% RH]  From memory, unchecked."""
MOST_WIDE_PCT = 30.0
"""A month whose range is wider than this rests on nothing. [% RH]  Ours."""


class Tightness(StrEnum):
    """Classes of a home's air leakage through gaps and vents in winter."""

    LEAKY = "leaky"
    NORMAL = "normal"
    TIGHT = "tight"


CHANGES_H: Mapping[Tightness, tuple[float, float]] = MappingProxyType(
    {Tightness.LEAKY: (1.0, 2.0), Tightness.NORMAL: (0.5, 1.8), Tightness.TIGHT: (0.25, 1.8)}
)
"""Air changes an hour, and how far they may lie off, times or divided by. [1/h], [-]
Source: a building handbook, second-hand: reasonably tight old houses 1, loose 2; standard new 0.5
to 1; tight new at most 0.35; measured in ten older houses 0.6 to 1.5. The spread: ours."""


@dataclass(frozen=True, kw_only=True)
class ClientHome:
    """A home as a client can describe it. Each `..._times` is how far its value may lie off.

    Raises
    ------
    CaseFault
        Naming each field that is wrong, its value and what is allowed.
    """

    set_point_c: float = parameter(20.0, "5 to 30 °C", "what it is heated to")
    volume_m3: float = parameter(150.0, "15 to 5000 m³", "air of the heated rooms")
    changes_h: float = parameter(0.5, "0.02 to 10 1/h", "air changes in winter", "see CHANGES_H")
    changes_times: float = parameter(1.8, "1 to 10", "spread of the air changes")
    summer_changes_h: float = parameter(
        2.0, "0 to 30 1/h", "air changes on top, windows open, at 20 °C outdoors; none at 10"
    )
    people: int = parameter(2, "0 to 50", "who live there")
    water_kg_day: float = parameter(
        2.5,
        "0 to 20 kg/d",
        "water that living gives off, for each person",
        "from memory, unchecked: 2 to 3 in all; breath 40 to 60 g/h at rest, cooking, washing, plants",
    )
    water_times: float = parameter(1.6, "1 to 5", "spread of that")
    furnishing_g_pct_m3: float = parameter(
        0.5,
        "0 to 10 g/(%·m³)",
        "water that walls and furniture take up for each m³ of room",
        "ours, from moisture buffer values: 40 m² of bare wood in 60 m³ 0.8, painted board 0.4",
    )
    furnishing_times: float = parameter(2.0, "1 to 10", "spread of that")
    set_point_k: float = parameter(0.0, "0 to 10 K", "how far off what it is heated to may lie")

    warm_k: float = parameter(
        0.0, "0 to 10 K", "how far off its temperature may lie while it is not heated"
    )
    cooled: bool = False
    """Whether it may have an air conditioner, as many homes of hot climates have."""

    @property
    def usual(self) -> ClientHome:
        """The same home without spread."""
        return replace(
            self,
            changes_times=1.0,
            water_times=1.0,
            furnishing_times=1.0,
            set_point_k=0.0,
            warm_k=0.0,
            cooled=False,
        )

    def guessed(self, names: Collection[str]) -> ClientHome:
        """Home with the spread of usual homes on top of its own, in the fields `names` of `USUAL`.

        People and volume count as water for each m³ of air.
        """
        half = {
            name: math.log(USUAL[name][1] / USUAL[name][0]) / 2 if name in names else 0.0
            for name in ("changes_h", "people", "volume_m3")
        }
        changes = math.hypot(math.log(self.changes_times), half["changes_h"])
        water = math.hypot(math.log(self.water_times), half["people"], half["volume_m3"])
        low_c, high_c = USUAL["set_point_c"]
        return replace(
            self,
            changes_times=min(math.exp(changes), 10.0),
            water_times=min(math.exp(water), 5.0),
            set_point_k=(high_c - low_c) / 2 if "set_point_c" in names else 0.0,
            warm_k=WARM_K,
            cooled=True,
        )

    def __post_init__(self) -> None:
        wrong = not isinstance(self.people, int)
        more = [FieldFault("home", "people", self.people, "a whole number")] if wrong else []
        checked_fields(self, "home", more)

    @property
    def water_g_h(self) -> float:
        """Water given off by living. [g/h]"""
        return self.people * self.water_kg_day * 1000 / 24


def home_of(tightness: Tightness | str, **fields: float) -> ClientHome:
    """A leaky, normal or tight home; other fields of `ClientHome` by name.

    Raises
    ------
    CaseFault

    >>> home_of("leaky", set_point_c=21.0).changes_h
    1.0
    """
    if tightness not in list(Tightness):
        allowed = f"one of {', '.join(Tightness)}"
        raise CaseFault([FieldFault("home", "tightness", tightness, allowed)])
    changes, times = CHANGES_H[Tightness(tightness)]
    return replace(ClientHome(changes_h=changes, changes_times=times), **fields)  # type: ignore[arg-type] # by name


@dataclass(frozen=True, kw_only=True)
class RoomHumidifier:
    """Keeps the home at a set RH as long as its litres a day suffice.

    Raises
    ------
    CaseFault
    """

    litres_day: float = parameter(5.0, "0.05 to 500 L/d", "the most it gives off")
    set_pct: float = parameter(45.0, "20 to 60 %", "RH it is set to")

    def __post_init__(self) -> None:
        checked_fields(self, "room humidifier")


class Basis(StrEnum):
    """Kinds of data that a home's air follows from."""

    WEATHER = "hourly weather"
    NORMALS = "monthly normals of the weather"
    READINGS = "readings at home"


class MonthBasis(StrEnum):
    """Kinds of data that one month of a home's air follows from."""

    MEASURED = "a reading of that month"
    BESIDE = "readings of months beside it"
    CARRIED = "readings and the climate outdoors"
    WEATHER = "the weather outdoors"
    UNKNOWN = "nothing"


@dataclass(frozen=True, eq=False)
class HomeYear:
    """Air of a home through a year.

    `temp_c` (8760,), `rh_pct` (8760, M): the home's air by the hour from 1 January [°C], [%];
    `litres_day` (365, M): water a room humidifier gives off [L/day]. `clipped`: share of the hours
    in which its windows would run with water. `months_read`: months with a reading, or those that the
    weather alone tells where the year is worked out from it; `months_carried`: those that the
    readings reach by way of the climate, where it is known. `outdoor_temp_c` (8760,): temperature
    outdoors as typed beside the readings, where the climate is not known [°C].
    """

    temp_c: Floats
    rh_pct: Floats
    litres_day: Floats
    basis: Basis
    clipped: float = 0.0
    months_read: tuple[int, ...] = tuple(range(1, 13))
    home: ClientHome | None = None
    outdoors: OutdoorYear | None = None
    months_carried: tuple[int, ...] = ()
    outdoor_temp_c: Floats | None = None

    @property
    def members(self) -> int:
        return self.rh_pct.shape[1]

    @property
    def months_known(self) -> tuple[int, ...]:
        """Months, 1 to 12, that a reading or the weather covers; the others rest on nothing."""
        if self.basis is not Basis.READINGS:
            return self.months_read
        if self.outdoors is not None:
            return tuple(sorted({*self.months_read, *self.months_carried}))
        return months_known(self.months_read)

    @property
    def month_bases(self) -> tuple[MonthBasis, ...]:
        """Basis of each month, January to December."""
        if self.basis is not Basis.READINGS:
            return tuple(
                MonthBasis.WEATHER if m in self.months_read else MonthBasis.UNKNOWN
                for m in range(1, 13)
            )
        known = self.months_known
        reached = MonthBasis.CARRIED if self.months_carried else MonthBasis.BESIDE
        return tuple(
            MonthBasis.MEASURED
            if m in self.months_read
            else reached
            if m in known
            else MonthBasis.UNKNOWN
            for m in range(1, 13)
        )

    def room(self) -> RoomAir:
        """The home's air as the room of a case."""
        return RoomAir(self.temp_c, self.rh_pct)

    def monthly(self) -> list[QuantileRange]:
        """Mean RH of each month over the members. [%]"""
        month = month_of_hour()
        return [quantile_range(self.rh_pct[month == m].mean(axis=0)) for m in range(12)]

    def only(self, member: int) -> HomeYear:
        """The year of one member."""
        part = slice(member, member + 1)
        rh, litres = self.rh_pct[:, part], self.litres_day[:, part]
        return replace(self, rh_pct=rh, litres_day=litres)


def indoor_temperature(home: ClientHome, outdoor_c: Floats) -> Floats:
    """Heated to the set point, and warmer with the day's mean outdoors. [°C]

    From 20 °C at 10 °C outdoors to 25 °C at 20 °C, and 1 K above outdoors at least.
    Source: EN 15026:2007, Annex C, the straight line between 10 and 20 °C. From memory, unchecked;
    beyond 20 °C: ours.
    """
    total = np.cumsum(np.concatenate([[0.0], outdoor_c[-23:], outdoor_c]))
    day_mean = (total[24:] - total[:-24]) / 24
    warm = np.maximum(20 + np.clip((day_mean - 10) / 2, 0, 5), day_mean + 1)
    return np.minimum(np.maximum(home.set_point_c, np.where(day_mean > 10, warm, -99)), 60.0)


WINDOW_SHARE = 0.75
"""Inner face of a good window: this share of the way from outdoors to indoors. [-]
From memory, unchecked: 0.7 to 0.8 is asked for against mould in building codes."""


def window_limit_pct(temp_c: ArrayLike, outdoor_c: ArrayLike) -> Floats:
    """RH at which the windows of a home run with water, so that it hardly gets damper. [%]

    >>> [round(float(window_limit_pct(20.0, t))) for t in (-20, 0, 25)]
    [53, 73, 100]
    """
    indoors, outdoors = np.asarray(temp_c), np.asarray(outdoor_c)
    inner = outdoors + WINDOW_SHARE * (indoors - outdoors)
    return np.minimum(100 * saturation(inner) / saturation(indoors), 100.0)


def home_year(
    home: ClientHome,
    outdoors: OutdoorYear,
    *,
    humidifier: RoomHumidifier | Sequence[RoomHumidifier] | None = None,
    members: int = MEMBERS,
) -> HomeYear:
    """The air of a home through the year, from the weather.

    Several humidifiers, one for each member, are compared side by side.

    Outdoor air is warmed and gains what living gives off; walls and furniture take up and give
    back. Air changes, water and furnishings are spread evenly in the logarithm; with monthly
    normals the members also have spells of weather. It gets no damper than cold windows allow
    (`window_limit_pct`). Cooling, drying laundry and single rooms are left out.

    Examples
    --------
    >>> from monitor.science.case.outdoors import from_normals
    >>> cold = from_normals([-10.0] * 12, [80.0] * 12, 0.0)
    >>> dry = home_year(ClientHome(people=0, changes_times=1), cold, members=1)
    >>> round(float(dry.rh_pct[-1, 0]), 1)  # outdoor air at −10 °C and 80 %, warmed to 20 °C
    9.8
    """
    ranks = scores(members, 7, SEED)
    temp = indoor_temperature(home, outdoors.temp_c)
    vapour = outdoors.members(members) * outdoors.vapour_times ** ranks[:, 4]
    outside = np.minimum(100 * vapour / saturation(temp)[:, None], 100.0)
    cooler, cooled = _cooler(home, outdoors, temp, ranks[:, 3], ranks[:, 5:])
    outside = np.minimum(outside * cooler, np.where(cooled, COOLED_MOST_PCT, 100.0))
    per_change = 24 * home.volume_m3 * grams_per_pct(temp)
    windows = np.clip((outdoors.temp_c - 10) / 10, 0, 1)
    leak_members = np.stack(
        [
            home.changes_h * home.changes_times ** ranks[:, 0],
            np.full(members, home.summer_changes_h),
        ]
    )
    held = home.furnishing_g_pct_m3 * home.volume_m3 * home.furnishing_times ** ranks[:, 2]
    held = np.maximum(held, 0.17 * home.volume_m3)  # the air's own, at 20 °C
    drive = CaseDrive(
        1 / 24,
        outside,
        warmth_offset(temp),
        np.stack([per_change, per_change * windows], axis=1),
        leak_members,
        np.zeros((YEAR_H, 1)),
        24 * home.water_g_h * home.water_times ** ranks[:, 1] * cooler.mean(axis=0),
    )
    wood = Wood(held, held * 24 / FURNISHING_H, np.zeros(members))
    first = outside[:720].mean(axis=0) + drive.source / (per_change[0] * leak_members[0])
    supply = None
    if humidifier is not None:
        each = [humidifier] if isinstance(humidifier, RoomHumidifier) else humidifier
        none = np.zeros(members)
        supply = Supply(
            np.array([one.set_pct for one in each]) + none,
            np.array([1000 * one.litres_day for one in each]) + none,
        )
    course = run(drive, wood, np.minimum(first, 100.0) + np.zeros(members), supply)
    limit = window_limit_pct(temp, outdoors.temp_c)[:, None]
    rh = np.clip(course.air_pct, 0.0, limit)
    basis = Basis.NORMALS if outdoors.smooth else Basis.WEATHER
    clipped = float((course.air_pct > limit).mean())
    return HomeYear(temp, rh, course.given_g / 1000, basis, clipped, home=home, outdoors=outdoors)


def _cooler(
    home: ClientHome, outdoors: OutdoorYear, temp: Floats, heated: Floats, warm: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Ratio of RH to that at the usual temperature [-], and where a cooler runs. (8760, M) or (1, 1)

    `heated` (M,), `warm` (M, 2): ranks of the set point, of the other temperature and of coolers.
    """
    if not home.set_point_k and not home.warm_k and not home.cooled:
        return np.ones((1, 1)), np.zeros((1, 1), np.bool_)
    hottest = float(outdoors.monthly()[0].max())
    share = np.interp(hottest, COOLED_FROM_C, COOLED_SHARE) if home.cooled else 0.0
    ratios, runs = [], []
    for set_rank, warm_rank, cool_rank in zip(heated, *warm.T, strict=True):
        set_c = min(max(home.set_point_c + home.set_point_k * set_rank, 5.0), 30.0)
        own = indoor_temperature(replace(home, set_point_c=set_c), outdoors.temp_c)
        own = np.where(own > set_c, np.maximum(own + home.warm_k * warm_rank, set_c), own)
        run_now = (own > COOLED_C) & bool(cool_rank > 1 - 2 * share)
        own = np.where(run_now, COOLED_C, own)
        ratios.append(saturation(temp) / saturation(np.minimum(own, 60.0)))
        runs.append(run_now)
    return np.stack(ratios, axis=1), np.stack(runs, axis=1)


FURNISHING_H = 8.0
"""Time constant of walls and furniture by themselves. [h]  Ours."""


BESIDE_MONTHS, BETWEEN_MONTHS = 1, 6
"""A reading covers its month and so many on either side; two readings at most so far apart cover
all months between them. [months]  Ours: spring lies between winter and summer, but nothing says
what summer is like from a winter alone."""


def months_known(read: Sequence[int]) -> tuple[int, ...]:
    """Months that readings of the months `read` (1 to 12) cover.

    >>> months_known([1]), months_known([1, 4]), len(months_known([1, 7]))
    ((1, 2, 12), (1, 2, 3, 4, 5, 12), 12)
    """
    at = sorted({m - 1 for m in read})
    known = {(m + away) % 12 for m in at for away in range(-BESIDE_MONTHS, BESIDE_MONTHS + 1)}
    for first, last in zip(at, [*at[1:], *at[:1]], strict=True):
        apart = (last - first) % 12 or 12
        if apart <= BETWEEN_MONTHS:
            known |= {(first + step) % 12 for step in range(apart)}
    return tuple(sorted(m + 1 for m in known))
