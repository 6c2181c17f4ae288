"""Humidifiers and buffers in a case, and the days on which they are made ready."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.science.case.fields import CaseFault, FieldFault, checked_fields, is_number, parameter
from monitor.science.case.water_balance import Device
from monitor.science.ranges import Floats

MONTH_STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
"""First day of each month of a year of 365 days, and its end. [d]"""

ALL_YEAR = tuple(range(1, 13))


def month_of(day: NDArray[np.int_]) -> NDArray[np.int_]:
    """Month, 1 to 12, of days counted from 1 January."""
    return np.searchsorted(MONTH_STARTS, np.asarray(day) % 365, side="right")


@dataclass(frozen=True, kw_only=True)
class Humidifier:
    """Holds water and gives it off in proportion to what the air lacks, until it is empty.

    Raises
    ------
    CaseFault
    """

    water_ml: float = parameter(20.0, "0.1 to 5000 mL", "water in it when it is full")
    release_g_day_pct: float = parameter(
        0.02,
        "1e-4 to 20 g/(d·%)",
        "what it gives off for each % RH below 100; weigh it",
        "ours: 0.005 nearly shut to 0.1 a wet sponge",
    )
    release_times: float = parameter(1.5, "1 to 10", "spread of the release")
    every_d: float = parameter(7.0, "1 to 365 d", "days from one filling to the next")
    months: tuple[int, ...] = ALL_YEAR

    def __post_init__(self) -> None:
        checked_fields(self, "humidifier", _schedule_faults("humidifier", self))

    def device(self, times: Floats) -> Device:
        """Device of each member; `times` (M,): its release over the usual."""
        one = np.ones_like(times)
        water, release = self.water_ml * one, self.release_g_day_pct * times
        return Device(100 * one, release, 0 * one, water, water)


@dataclass(frozen=True, kw_only=True)
class Buffer:
    """Packs that give off water below their set point and take it up above.

    Raises
    ------
    CaseFault
    """

    mass_g: float = parameter(120.0, "1 to 50_000 g", "mass when dry")
    set_pct: float = parameter(50.0, "5 to 95 %", "RH at which it neither gives nor takes")
    capacity_g_kg_pct: float = parameter(
        4.0,
        "0.1 to 50 g/(kg·%)",
        "water for each kilogram and % RH",
        "silica gels at their set point 4 to 6, ordinary 2; from memory, unchecked",
    )
    works_pct: float = parameter(
        15.0, "1 to 50 %", "how far its RH may go from the set point before it is spent"
    )
    settles_d: float = parameter(
        1.5, "0.05 to 60 d", "time constant of a pack in a small space by itself"
    )
    release_times: float = parameter(1.5, "1 to 10", "spread of how fast it answers")
    every_d: float = parameter(
        30.0, "1 to 365 d", "days until it is brought back to its set point"
    )
    months: tuple[int, ...] = ALL_YEAR

    def __post_init__(self) -> None:
        checked_fields(self, "buffer", _schedule_faults("buffer", self))

    @property
    def capacity_g_pct(self) -> float:
        """Water capacity of the packs. [g/%]"""
        return self.mass_g / 1000 * self.capacity_g_kg_pct

    def device(self, times: Floats) -> Device:
        """Device of each member; `times` (M,): its rate over the usual."""
        one = np.ones_like(times)
        capacity = self.capacity_g_pct * one
        reach = capacity * self.works_pct
        return Device(
            self.set_pct * one, capacity / self.settles_d * times, 1 / capacity, reach, 2 * reach
        )


def devices(each: Sequence[Humidifier | Buffer], ranks: Floats) -> Device:
    """Devices side by side, each in all members, which are spread by ranks from −1 to 1. (K·M,)"""
    ones = [one.device(one.release_times**ranks) for one in each]
    return Device(*(np.concatenate(column) for column in zip(*ones, strict=True)))


def ready_days(device: Humidifier | Buffer, start_day: int, days: int) -> NDArray[np.bool_]:
    """Days at whose start it is made ready: (days,), counted from `start_day` of the year.

    The first day of each stretch of its months, and from there every so many days.

    >>> np.flatnonzero(ready_days(Humidifier(every_d=10, months=(1, 12)), 0, 365)).tolist()
    [0, 10, 20, 30, 334, 344, 354, 364]
    """
    on = np.isin(month_of(start_day + np.arange(days)), device.months)
    begins = np.flatnonzero(on & ~np.concatenate([[False], on[:-1]]))
    if not begins.size:
        return on
    day = np.arange(days)
    since = day - begins[np.maximum(np.searchsorted(begins, day, side="right") - 1, 0)]
    return on & (np.floor(since / device.every_d) != np.floor((since - 1) / device.every_d))


def release_from_weighing(lost_g: float, days: float, rh_pct: float) -> float:
    """Release of a humidifier from what it lost on a kitchen scale. [g/(day %)]

    Parameters
    ----------
    lost_g, days : float
        Loss of mass, and in how many days; above 0. [g], [d]
    rh_pct : float
        Mean RH around it meanwhile, 0 to below 95. [%]

    Raises
    ------
    CaseFault

    Examples
    --------
    >>> release_from_weighing(7.7, 7.0, 45.0)
    0.02
    """
    faults = [
        FieldFault("weighing", name, value, allowed)
        for name, value, good, allowed in (
            ("lost_g", lost_g, is_number(lost_g) and lost_g > 0, "above 0 g"),
            ("days", days, is_number(days) and days > 0, "above 0 d"),
            ("rh_pct", rh_pct, is_number(rh_pct) and 0 <= rh_pct < 95, "0 to below 95%"),
        )
        if not good
    ]
    if faults:
        raise CaseFault(faults)
    return lost_g / days / (100 - rh_pct)


def _schedule_faults(name: str, device: Humidifier | Buffer) -> list[FieldFault]:
    months = device.months
    good = isinstance(months, tuple) and months and all(m in ALL_YEAR for m in months)
    return [] if good else [FieldFault(name, "months", months, "months from 1 to 12")]
