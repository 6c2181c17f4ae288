"""The air of a home from a few of its readings: checked, then carried from month to month."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.case.fields import CaseFault, FieldFault, is_number
from monitor.science.case.home import SEED, Basis, ClientHome, HomeYear, window_limit_pct
from monitor.science.case.outdoors import MONTHS, YEAR_H, OutdoorYear, saturation, through_months
from monitor.science.case.simulation import MEMBERS, normal_scores, scores
from monitor.science.case.water_balance import grams_per_pct


class MonthReading(NamedTuple):
    """Mean air of a home in a month, 1 to 12, as typed. [°C], [%]"""

    month: int
    temp_c: float
    rh_pct: float


TOLD_U_PCT, AWAY_U_PCT = 5.0, 8.0
"""Expanded uncertainty (k = 2) of a typed RH, and what each month without a reading adds, in
square, up to `MOST_AWAY` months. [% RH]  Ours."""

MOST_AWAY = 4
DAILY_SD_PCT = 4.0
"""How far days lie about their month's mean. [% RH]  Ours."""


def from_readings(
    readings: list[MonthReading],
    *,
    home: ClientHome | None = None,
    outdoors: OutdoorYear | None = None,
    humidified_l_day: float = 0.0,
    members: int = MEMBERS,
) -> HomeYear:
    """The air of a home from a few of its readings: straight from month to month, wider between.

    With the weather known each reading is held against what the home can have.

    Raises
    ------
    CaseFault
        If there is no reading, a month twice, a value is outside −10 to 45 °C or 1 to 99 %, or the
        home cannot have had that air (`possible_rh_pct`).

    Examples
    --------
    >>> year = from_readings([MonthReading(1, 21.0, 28.0), MonthReading(7, 24.0, 55.0)])
    >>> [round(r.high - r.low) for r in year.monthly()[:4]]
    [6, 13, 16, 18]
    """
    checked_readings(readings, home or ClientHome(changes_times=4), outdoors, humidified_l_day)
    known = sorted(readings)
    at = np.array([r.month - 1 for r in known], dtype=np.float64)
    months = np.arange(12.0)
    temp = np.interp(months, at, [r.temp_c for r in known], period=12)
    vapour = [r.rh_pct / 100 * float(saturation(np.array(r.temp_c))) for r in known]
    rh = np.clip(100 * np.interp(months, at, vapour, period=12) / saturation(temp), 1, 99)
    apart = np.abs(months[:, None] - at)
    away = np.minimum(np.minimum(apart, 12 - apart).min(axis=1), MOST_AWAY)
    sd = np.hypot(TOLD_U_PCT, AWAY_U_PCT * np.sqrt(away)) / 2
    season = normal_scores(scores(members, 1, SEED)[:, 0])
    random = np.random.default_rng(SEED)
    days = random.normal(scale=DAILY_SD_PCT, size=(366, members))
    days[:, 0] = 0.0
    part = (np.arange(YEAR_H) % 24 / 24)[:, None]
    day = np.arange(YEAR_H) // 24
    wander = (1 - part) * days[day] + part * days[day + 1]
    year = through_months(rh)[:, None] + np.multiply.outer(through_months(sd), season) + wander
    return HomeYear(
        through_months(temp),
        np.clip(year, 1.0, 99.0),
        np.zeros((365, members)),
        Basis.READINGS,
        0.0,
        tuple(r.month for r in known),
        home,
        outdoors,
    )


def checked_readings(
    readings: list[MonthReading],
    home: ClientHome,
    outdoors: OutdoorYear | None,
    humidified_l_day: float,
) -> None:
    """Refuse readings that are wrong, or that the home cannot have had.

    Raises
    ------
    CaseFault
    """
    faults = _reading_faults(readings)
    if not faults and outdoors is not None:
        faults = _impossible(readings, home, outdoors, humidified_l_day)
    if faults:
        raise CaseFault(faults)


def _reading_faults(readings: list[MonthReading]) -> list[FieldFault]:
    if not readings:
        return [FieldFault("home", "readings", "none", "at least one month")]
    faults, seen = [], set()
    for i, r in enumerate(readings):
        where = f"readings[{i}]"
        if r.month not in range(1, 13):
            faults.append(FieldFault(where, "month", r.month, "1 to 12"))
        elif r.month in seen:
            faults.append(FieldFault(where, "month", r.month, "a month no other reading has"))
        seen.add(r.month)
        for name, low, high, unit in (("temp_c", -10, 45, " °C"), ("rh_pct", 1, 99, "%")):
            value = getattr(r, name)
            if not is_number(value) or not low <= value <= high:
                faults.append(FieldFault(where, name, value, f"{low} to {high}{unit}"))
    return faults


def possible_rh_pct(
    home: ClientHome,
    temp_c: float,
    outdoor_temp_c: float,
    outdoor_vapour_pa: float,
    humidified_l_day: float = 0.0,
) -> tuple[float, float]:
    """Least and most RH that a month's mean can have in a home. [%]

    Least: outdoor air, warmed, with nothing added; no limit where it is warm enough outdoors for an
    air conditioner, above `MAY_COOL_C`, or warmer than indoors. Most: the
    tightest home and the most water of living that its spread allows, and all a humidifier gives;
    but no more than its windows allow.

    >>> from monitor.science.case.outdoors import saturation
    >>> outdoors_pa = 0.7 * float(saturation(np.array(-20.0)))
    >>> [round(x) for x in possible_rh_pct(ClientHome(), 20.0, -20.0, outdoors_pa)]
    [4, 50]
    """
    at_home = float(saturation(np.array(temp_c)))
    bare = 100 * outdoor_vapour_pa / at_home
    change = home.changes_h / home.changes_times
    change += home.summer_changes_h * min(max((outdoor_temp_c - 10) / 10, 0), 1)
    water = home.water_g_h * home.water_times + 1000 / 24 * humidified_l_day
    gain = water / (change * home.volume_m3 * float(grams_per_pct(np.array(temp_c))))
    least = bare if outdoor_temp_c < min(temp_c, MAY_COOL_C) else 0.0
    windows = float(window_limit_pct(temp_c, outdoor_temp_c))
    return min(least, 100.0), min(bare + gain, windows)


MAY_COOL_C = 18.0
"""Above this mean outdoors, an air conditioner may dry a home. [°C]  Ours."""

SLACK_PCT = 6.0
"""A reading may lie this far beyond what is possible: sensors, and months that were not normal.
[% RH]  Ours."""

WARM_SLACK = (0.0, 15.0), (SLACK_PCT, 12.0)
"""The same by the temperature outdoors, where a whole climate is given: in warm months, people, rain
and other years matter more. [°C], [% RH]  Ours."""


def _impossible(
    readings: list[MonthReading], home: ClientHome, outdoors: OutdoorYear, litres_day: float
) -> list[FieldFault]:
    faults = []
    for i, r in enumerate(readings):
        temp, vapour = (float(column[r.month - 1]) for column in outdoors.monthly())
        low, high = possible_rh_pct(home, r.temp_c, temp, vapour, litres_day)
        slack = float(np.interp(temp, *WARM_SLACK))
        low, high = max(low - slack, 0.0), min(high + slack, 100.0)
        if not low <= r.rh_pct <= high:
            allowed = (
                f"{low:.0f} to {high:.0f}%: in {MONTHS[r.month - 1]} it is {temp:.0f} °C outdoors"
            )
            faults.append(FieldFault(f"readings[{i}]", "rh_pct", r.rh_pct, allowed))
    return faults
