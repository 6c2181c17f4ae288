"""A year of air from what loggers recorded, with gaps: a client's at home, the shop's outdoors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.science.case.carried import home_from_readings
from monitor.science.case.fields import CaseFault, FieldFault
from monitor.science.case.home import SEED, ClientHome, HomeYear
from monitor.science.case.home_readings import MonthReading
from monitor.science.case.outdoors import MONTHS, YEAR_H, OutdoorYear, month_of_hour, saturation
from monitor.science.case.simulation import MEMBERS, normal_scores, scores
from monitor.science.ranges import Floats
from monitor.science.waits.monte_carlo import ORDINARY_SENSOR, SensorUncertainty

LEAST_H, LEAST_OUTDOORS_H = 48, 240
"""A month counts as read with this many recorded hours, at home and outdoors. [h]  Ours."""


def year_of_hours(hour: np.ndarray, values: Floats) -> Floats:
    """Means of what was recorded in each hour of the year, NaN where nothing was. (8760,)

    Parameters
    ----------
    hour : ndarray of int, shape (n,)
        Hour of the year, 0 to 8759, of each value; several years fall on one.
    values : ndarray of shape (n,)
    """
    count = np.bincount(hour, minlength=YEAR_H)
    total = np.bincount(hour, values, minlength=YEAR_H)
    with np.errstate(invalid="ignore"):
        return np.asarray(total / count)


def home_from_log(
    temp_c: Floats,
    rh_pct: Floats,
    *,
    home: ClientHome | None = None,
    outdoors: OutdoorYear | None = None,
    humidified_l_day: float = 0.0,
    sensor: SensorUncertainty = ORDINARY_SENSOR,
    members: int = MEMBERS,
) -> HomeYear:
    """The air of a home from its own log: hours as recorded, the others as `home_from_readings` would
    have them from the months' means.

    Parameters
    ----------
    temp_c, rh_pct : ndarray of shape (8760,)
        By the hour of the year, NaN where nothing was recorded. [°C], [%]

    Raises
    ------
    CaseFault
        If no month has `LEAST_H` recorded hours, or a month's air cannot be that of a home.
    """
    known = ~(np.isnan(temp_c) | np.isnan(rh_pct))
    month = month_of_hour()
    read = [m for m in range(12) if (known & (month == m)).sum() >= LEAST_H]
    if not read:
        allowed = f"at least {LEAST_H} h of temperature and RH in one month"
        raise CaseFault([FieldFault("home", "log", f"{int(known.sum())} h", allowed)])
    means = [
        MonthReading(m + 1, *(float(v[known & (month == m)].mean()) for v in (temp_c, rh_pct)))
        for m in read
    ]
    year = home_from_readings(
        means, home=home, outdoors=outdoors, humidified_l_day=humidified_l_day, members=members
    )
    known &= np.isin(month, read)
    off = sensor.u_rh_pct / 2 * normal_scores(scores(members, 1, SEED)[:, 0])
    temp, rh = year.temp_c.copy(), year.rh_pct.copy()
    temp[known] = np.clip(temp_c[known], -20, 60)
    rh[known] = np.clip(np.add.outer(rh_pct[known], off), 0.0, 100.0)
    return replace(year, temp_c=temp, rh_pct=rh)


def outdoors_from_log(temp_c: Floats, rh_pct: Floats) -> OutdoorYear:
    """The air outdoors from a log of every month; what is missing is like the rest of its month.

    Parameters
    ----------
    temp_c, rh_pct : ndarray of shape (8760,)
        By the hour of the year, NaN where nothing was recorded. [°C], [%]

    Raises
    ------
    CaseFault
        Naming the months with less than `LEAST_OUTDOORS_H` recorded hours.
    """
    known = ~(np.isnan(temp_c) | np.isnan(rh_pct))
    month = month_of_hour()
    poor = [
        name for m, name in enumerate(MONTHS) if (known & (month == m)).sum() < LEAST_OUTDOORS_H
    ]
    if poor:
        allowed = f"at least {LEAST_OUTDOORS_H} h in every month"
        raise CaseFault(
            [FieldFault("outdoors", "log", f"too little in {', '.join(poor)}", allowed)]
        )
    temp, vapour = temp_c.copy(), np.minimum(rh_pct, 100.0) / 100 * saturation(temp_c)
    clock = np.arange(YEAR_H) % 24
    for column in (temp, vapour):
        for m in range(12):
            mine = month == m
            for hour in range(24):
                same = mine & (clock == hour)
                there = same & known
                column[same & ~known] = column[there if there.any() else mine & known].mean()
    return OutdoorYear(temp, np.minimum(vapour, saturation(temp)), smooth=False)
