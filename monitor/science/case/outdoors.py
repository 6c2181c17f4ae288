"""The air outdoors through a year, by the hour: from a record, or made from monthly normals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.science.case.devices import MONTH_STARTS
from monitor.science.case.fields import CaseFault, FieldFault, is_number
from monitor.science.ranges import Floats
from monitor.science.saturation import saturation_vapour_pressure

YEAR_H = 8760
"""Hours of the year that is looked at: 365 days from 1 January, local standard time. [h]"""

MONTHS = ("January", "February", "March", "April", "May", "June",
          "July", "August", "September", "October", "November", "December")  # fmt: skip # a table

WARMEST_H = 15.0
"""Hour at which the day is warmest. [h]  Common practice, no source."""

SPELL_SD, SPELL_C, SPELL_D = (0.40, 0.13), (5.0, 22.0), 1.8
"""Spells of weather, which monthly normals level out: standard deviation of the logarithm of the
day's vapour pressure in cold and in warm months [-], what is cold and warm [°C], and how long a
spell lasts [d]. From the demo's weather (a typical year, TMY3 Greensboro): 0.34 to 0.55 from
October to April, 0.12 to 0.26 from June to September, correlation from day to day 0.58."""

SEED = 20_261_202
TEMP_C, SWING_K = (-60.0, 45.0), (0.0, 25.0)
"""Range of a month's mean, so that the swing keeps within 60 °C, and of a day's swing. [°C], [K]"""


def month_of_hour() -> np.ndarray:
    """Month, 0 to 11, of each hour of the year."""
    return np.repeat(np.arange(12), 24 * np.diff(MONTH_STARTS))


@dataclass(frozen=True, eq=False)
class OutdoorYear:
    """Outdoor air of a year by the hour.

    `temp_c` (8760,): temperature [°C]. `vapour_pa` (8760,): vapour pressure [Pa]. `smooth`:
    whether spells of weather are levelled out, as in monthly normals. `vapour_times`: how far the
    vapour of the whole year may lie off, times or divided by [-].
    """

    temp_c: Floats
    vapour_pa: Floats
    smooth: bool
    vapour_times: float = 1.0

    @property
    def usual(self) -> OutdoorYear:
        """The same year without spells of weather or spread."""
        return replace(self, smooth=False, vapour_times=1.0)

    def members(self, count: int) -> Floats:
        """Vapour pressure of each member. (8760, 1) of a record, (8760, count) of normals. [Pa]"""
        if not self.smooth:
            return self.vapour_pa[:, None]
        random = np.random.default_rng(SEED)
        keep = np.exp(-1 / SPELL_D)
        spell = np.zeros((366, count))
        spell[0, 1:] = random.normal(size=count - 1)
        for i in range(1, 366):
            kick = np.sqrt(1 - keep**2) * random.normal(size=count)
            spell[i] = keep * spell[i - 1] + kick
        spell[:, 0] = 0
        part = (np.arange(YEAR_H) % 24 / 24)[:, None]
        day = np.arange(YEAR_H) // 24
        now = (1 - part) * spell[day] + part * spell[day + 1]
        month_c = self.monthly()[0][month_of_hour()]
        sd = np.interp(month_c, SPELL_C, SPELL_SD)[:, None]
        return np.asarray(self.vapour_pa[:, None] * np.exp(sd * now - (sd**2 / 2) * (now != 0)))

    def monthly(self) -> tuple[Floats, Floats]:
        """Mean temperature and vapour pressure of each month. (12,) [°C], [Pa]"""
        month, hours = month_of_hour(), 24 * np.diff(MONTH_STARTS)
        return (
            np.bincount(month, self.temp_c) / hours,
            np.bincount(month, self.vapour_pa) / hours,
        )


def from_hours(temp_c: Sequence[float], rh_pct: Sequence[float]) -> OutdoorYear:
    """Outdoor year from hourly values, as in a weather file: 8760 values from 1 January on.

    RH is over liquid water. [°C], [%]

    Raises
    ------
    CaseFault
        If a value is missing or outside −60 to 60 °C, 0 to 100 %, or there are not 8760 hours.
    """
    faults, columns = [], []
    for name, values, low, high, unit in (
        ("temp_c", temp_c, -60.0, 60.0, " °C"),
        ("rh_pct", rh_pct, 0.0, 100.0, "%"),
    ):
        column = np.asarray(values, dtype=np.float64)
        columns.append(column)
        if column.shape != (YEAR_H,):
            faults.append(FieldFault("outdoors", name, f"{column.size} values", "8760 hours"))
            continue
        bad = np.flatnonzero(~((column >= low) & (column <= high)))
        if bad.size:
            where, value = f"{name}[{bad[0]}]", float(column[bad[0]])
            allowed = f"{low:g} to {high:g}{unit}"
            faults.append(FieldFault("outdoors", where, value, allowed))
    faults = faults or _fahrenheit(columns[0], columns[1])
    if faults:
        raise CaseFault(faults)
    return OutdoorYear(columns[0], _vapour(columns[0], columns[1]), smooth=False)


def _fahrenheit(temp_c: Floats, rh_pct: Floats) -> list[FieldFault]:
    """A year damper than air has ever been is in another unit, probably °F."""
    vapour = _vapour(temp_c, rh_pct)
    hour = int(vapour.argmax())
    if vapour[hour] <= HIGHEST_VAPOUR_PA:
        return []
    where, allowed = f"temp_c[{hour}]", f"in °C: it would hold {vapour[hour]:.0f} Pa of vapour"
    return [FieldFault("outdoors", where, float(temp_c[hour]), allowed)]


HIGHEST_VAPOUR_PA = 6300.0
"""More vapour than outdoor air has ever been found with: a dew point of about 37 °C. [Pa]
The highest known is about 35 °C. From memory, unchecked."""


def from_normals(
    temp_c: Sequence[float], rh_pct: Sequence[float], daily_swing_k: Sequence[float] | float = 8.0
) -> OutdoorYear:
    """Outdoor year from twelve monthly means, January to December, and a day's temperature swing.

    Months come out at the means that were typed; the day is warmest at 15 h; its vapour stays,
    but for what the night's cold could not hold. Spells of weather are added to the members.

    Raises
    ------
    CaseFault
        Naming each month that is wrong.

    Examples
    --------
    >>> year = from_normals([-5] * 6 + [15] * 6, [80] * 12)
    >>> year.monthly()[0].round(1).tolist()[:2], int(year.temp_c[:24].argmax())
    ([-5.0, -5.0], 15)
    """
    swing = daily_swing_k if isinstance(daily_swing_k, Sequence) else [daily_swing_k] * 12
    faults = []
    for name, values, (low, high), unit in (
        ("temp_c", temp_c, TEMP_C, " °C"),
        ("rh_pct", rh_pct, (1.0, 100.0), "%"),
        ("daily_swing_k", swing, SWING_K, " K"),
    ):
        if len(values) != 12:
            faults.append(FieldFault("outdoors", name, f"{len(values)} values", "12 months"))
            continue
        faults += [
            FieldFault("outdoors", f"{name}, {month}", value, f"{low:g} to {high:g}{unit}")
            for month, value in zip(MONTHS, values, strict=True)
            if not is_number(value) or not low <= value <= high
        ]
    if faults:
        raise CaseFault(faults)
    t, rh, wide = (np.asarray(v, dtype=np.float64) for v in (temp_c, rh_pct, swing))
    day = np.cos(2 * np.pi * (np.arange(YEAR_H) % 24 - WARMEST_H) / 24)
    temp = through_months(t) + through_months(wide) / 2 * day
    vapour = np.maximum(through_months(_vapour(t, rh)), 1.0)
    return OutdoorYear(temp, np.minimum(vapour, saturation(temp)), smooth=True)


def through_months(means: Floats) -> Floats:
    """A year of hours, straight from mid-month to mid-month, with the means given. (8760,)"""
    lengths = 24.0 * np.diff(MONTH_STARTS)
    middle = 24 * MONTH_STARTS[:-1] + lengths / 2
    month, at = month_of_hour(), np.arange(YEAR_H) + 0.5
    knots = means.copy()
    for _ in range(12):
        year = np.interp(at, middle, knots, period=YEAR_H)
        knots += means - np.bincount(month, year) / lengths
    return np.interp(at, middle, knots, period=YEAR_H)


def saturation(temp_c: Floats) -> Floats:
    """Saturation vapour pressure over liquid water, −60 to 60 °C. [Pa]"""
    return np.asarray(saturation_vapour_pressure(temp_c))


def _vapour(temp_c: Floats, rh_pct: Floats) -> Floats:
    return np.asarray(rh_pct / 100 * saturation(temp_c))
