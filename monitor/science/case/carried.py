"""The air of a home through the year from a few readings and the climate outdoors.

A reading tells how much vapour living adds to the outdoor air of that month, and how warm the home
is. Both carry to other months, less surely with each month between. Draws of homes are weighted by
how well they agree with the readings; the range is that of the weighted draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from monitor.science.case.home import (
    COOLED_C,
    COOLED_FROM_C,
    COOLED_SHARE,
    MOST_WIDE_PCT,
    SEED,
    Basis,
    ClientHome,
    HomeYear,
    window_limit_pct,
)
from monitor.science.case.home_readings import (
    DAILY_SD_PCT,
    MonthReading,
    checked_readings,
    from_readings,
)
from monitor.science.case.outdoors import YEAR_H, OutdoorYear, saturation, through_months
from monitor.science.case.simulation import MEMBERS
from monitor.science.case.water_balance import grams_per_pct
from monitor.science.ranges import Floats

DRAWS = 6000
"""Homes that are drawn. [-]"""

READ_SD_PCT, READ_SD_K = 3.0, 1.0
"""Standard deviation of a typed month's RH and temperature about the home's. [% RH], [K]  Ours: a
hygrometer within 5 % (k = 2), and a few looks taken for the mean of the month."""

EXCESS_TIMES = 1.9
"""Spread of the moisture excess of a home as described, times or divided by, one standard
deviation. [-]  Ours; from 2.8 g/m³ it spans the classes 1 to 4 of EN ISO 13788 (from memory,
unchecked): below 2, 2 to 4, 4 to 6, 6 to 8 g/m³."""

FALLS_FROM_C, FALLS_TO_C, LEFT = (0.0, 12.0), (15.0, 26.0), (0.05, 0.6)
"""The excess falls from a temperature outdoors to another, and the share that is left there, evenly
spread. [°C], [°C], [-]  EN ISO 13788 lets it fall from 0 to 20 °C, to nothing (from memory,
unchecked); 101 timber houses from 4 g/m³ at 5 °C to 1.5 g/m³ at 15 °C (second-hand). Spreads: ours."""

SHUT_C = (24.0, 32.0)
"""Mean temperature outdoors from which windows are kept shut against the heat, so that part of the
excess comes back. [°C]  Ours."""

EXCESS_WANDER, REACH = 0.35, 0.95
"""How far the excess of a month wanders from that line, in its logarithm, and how far from month
to month it wanders alike: correlation 0.86 after one month, 0.33 after three. [-]  Ours."""

WARM_C, WARM_SD_K, WARM_SLOPE, WARM_SLOPE_SD = 24.3, 1.5, 0.6, 0.13
"""Temperature of a home that is neither heated nor cooled at 20 °C outdoors, and its rise with each
kelvin outdoors. [°C], [K], [-]  EN 15026:2007, Annex C: 25 °C, 0.5 between 10 and 20 °C (from memory,
unchecked); the spreads: ours."""

SET_SD_K = 2.0
"""How far a home is heated from what was said. [K]  Ours."""

COOLED_SD_K, COOLED_PCT, COOLED_SD_PCT = 1.3, 53.0, 8.0
"""What air conditioners keep, about `COOLED_C`. [K], [% RH]  From memory, unchecked."""

HOT_C, HOT_LOG = (24.0, 30.0), (0.0, 0.12)
"""How far the RH of a month strays besides, in its logarithm, by the mean of the hottest month: no
study of homes in hot climates is at hand. [°C], [-]  Ours."""

HUMIDIFIED_SHARE, DRIED_SHARE = 0.08, 0.06
"""Share of homes with a humidifier in dry months, or a dehumidifier, not mentioned. [-]  Ours."""

ANOMALY_K, ANOMALY_LOG = ((-5.0, 25.0), (2.3, 1.0)), 0.07
"""How far a month lies from the normal: its temperature by the normal temperature, and its vapour
beside what the warmth brings. [°C], [K], [-]  Ours: about 2 K in winter, 1 K in summer."""

LEAST_EFFECTIVE = 150.0
"""Draws that must still count after weighting; readings are weighted less until so many do. [-]"""


class CarriedMonths(NamedTuple):
    """Draws of a home's months. `temp_c`, `rh_pct` (N, 12) [°C], [%]; `weight` (N,) adds up to 1."""

    temp_c: Floats
    rh_pct: Floats
    weight: Floats

    def quantiles(self, *shares: float) -> Floats:
        """Weighted quantiles of the RH of each month. (n, 12) [%]"""
        order = np.argsort(self.rh_pct, axis=0)
        total = np.cumsum(self.weight[order], axis=0)
        at = [np.minimum((total < share).sum(axis=0), len(order) - 1) for share in shares]
        rows = np.take_along_axis(order, np.stack(at), axis=0)
        return np.take_along_axis(self.rh_pct, rows, axis=0)


def home_from_readings(
    readings: list[MonthReading],
    *,
    home: ClientHome | None = None,
    outdoors: OutdoorYear | None = None,
    humidified_l_day: float = 0.0,
    members: int = MEMBERS,
) -> HomeYear:
    """The air of a home from its readings, carried to other months where the climate is known.

    Raises
    ------
    CaseFault
        As `from_readings`.
    """
    if outdoors is None:
        return from_readings(
            readings, home=home, humidified_l_day=humidified_l_day, members=members
        )
    home = home or ClientHome(changes_times=4)
    checked_readings(readings, home, outdoors, humidified_l_day)
    months = carried_months(readings, home, outdoors, humidified_l_day)
    low, high = months.quantiles(0.1, 0.9)
    read = tuple(sorted(r.month for r in readings))
    carried = tuple(
        m for m in range(1, 13) if m not in read and high[m - 1] - low[m - 1] <= MOST_WIDE_PCT
    )
    temp, rh = _members(months, members)
    random = np.random.default_rng(SEED)
    days = random.normal(scale=DAILY_SD_PCT, size=(366, members))
    days[:, 0] = 0.0
    part = (np.arange(YEAR_H) % 24 / 24)[:, None]
    day = np.arange(YEAR_H) // 24
    wander = (1 - part) * days[day] + part * days[day + 1]
    hours = np.stack([through_months(one) for one in np.eye(12)], axis=1) @ rh.T
    return HomeYear(
        through_months(temp),
        np.clip(hours + wander, 1.0, 99.0),
        np.zeros((365, members)),
        Basis.READINGS,
        0.0,
        read,
        home,
        outdoors,
        carried,
    )


def carried_months(
    readings: Sequence[MonthReading],
    home: ClientHome,
    outdoors: OutdoorYear,
    humidified_l_day: float = 0.0,
    *,
    draws: int = DRAWS,
) -> CarriedMonths:
    """Months of a home by its readings and the climate: weighted draws."""
    return weighed(drawn_homes(home, outdoors, humidified_l_day, draws), readings)


def weighed(drawn: tuple[Floats, Floats], readings: Sequence[MonthReading]) -> CarriedMonths:
    """Drawn homes, weighted by how well they agree with the readings.

    Examples
    --------
    >>> from monitor.science.case.outdoors import from_normals
    >>> cold = from_normals([-8, -6, 0, 8, 14, 19, 21, 20, 15, 9, 2, -5], [75.0] * 12)
    >>> months = carried_months([MonthReading(1, 21.0, 28.0)], ClientHome(), cold)
    >>> low, high = months.quantiles(0.1, 0.9)
    >>> bool(high[1] - low[1] < high[3] - low[3]), bool(low[6] > high[0])
    (True, True)
    """
    temp, rh = drawn
    at = np.array([r.month - 1 for r in readings])
    rh_read = np.array([r.rh_pct for r in readings])
    temp_read = np.array([r.temp_c for r in readings])
    off = ((rh[:, at] - rh_read) / READ_SD_PCT) ** 2 + ((temp[:, at] - temp_read) / READ_SD_K) ** 2
    fit = -0.5 * np.minimum(off, 60.0).sum(axis=1)
    share = 1.0
    weight = _weights(fit, share)
    while 1 / (weight**2).sum() < LEAST_EFFECTIVE and share > 1e-3:
        share *= 0.7
        weight = _weights(fit, share)
    months = CarriedMonths(temp, rh, weight)
    return months if share == 1 else _pulled(months, readings, 1 - share)


def _weights(fit: Floats, share: float) -> Floats:
    weight = np.exp(share * (fit - fit.max()))
    return np.asarray(weight / weight.sum())


def _pulled(months: CarriedMonths, readings: Sequence[MonthReading], left: float) -> CarriedMonths:
    """Draws pulled onto readings that weighting alone could not reach: what is `left` of their
    likelihood, by a linear update of the draws (ensemble Kalman, perturbed observations)."""
    at = np.array([r.month - 1 for r in readings])
    random = np.random.default_rng(SEED)
    found = []
    for values, sd, read in (
        (months.temp_c, READ_SD_K, [r.temp_c for r in readings]),
        (months.rh_pct, READ_SD_PCT, [r.rh_pct for r in readings]),
    ):
        noise = sd / np.sqrt(left)
        away = values - months.weight @ values
        both = (away * months.weight[:, None]).T @ away[:, at]  # (12, n)
        gain = both @ np.linalg.inv(both[at] + noise**2 * np.eye(len(at)))
        seen = np.array(read) + noise * random.normal(size=(len(values), len(at)))
        found.append(values + (seen - values[:, at]) @ gain.T)
    return CarriedMonths(found[0], np.clip(found[1], 1.0, 99.0), months.weight)


def drawn_homes(
    home: ClientHome, outdoors: OutdoorYear, humidified_l_day: float = 0.0, draws: int = DRAWS
) -> tuple[Floats, Floats]:
    """Temperature and RH of the months of homes such as this one may be. (N, 12) [°C], [%]"""
    random = np.random.default_rng(SEED)

    def normal(*more: int) -> Floats:
        return random.normal(size=(draws, *more))

    def even(low: float, high: float) -> Floats:
        return random.uniform(low, high, size=(draws, 1))

    month = np.arange(12)
    apart = np.sin(np.pi * np.subtract.outer(month, month) / 12) ** 2
    alike = np.linalg.cholesky(np.exp(-2 * apart / REACH**2) + 1e-6 * np.eye(12))

    def wander() -> Floats:
        return np.asarray(normal(12) @ alike.T)

    usual_t, usual_e = outdoors.monthly()
    warmer = normal(12) * np.interp(usual_t, *ANOMALY_K)
    out_t = usual_t + warmer
    out_e = usual_e * np.exp(0.05 * warmer + ANOMALY_LOG * normal(12))
    out_e = np.minimum(out_e, saturation(np.clip(out_t, -60, 60)))

    heated = home.set_point_c + SET_SD_K * normal(1)
    free = WARM_C + WARM_SD_K * normal(1)
    free = free + (WARM_SLOPE + WARM_SLOPE_SD * normal(1)) * (out_t - 20)
    natural = np.clip(np.logaddexp(heated, free) + 0.7 * wander(), -10, 45)

    change = home.changes_h * home.changes_times ** random.uniform(-1, 1, size=(draws, 1))
    per_pa = 1000 / (461.52 * (natural + 273.15))  # g/m³ for each Pa
    usual_gain = home.water_g_h / (home.changes_h * home.volume_m3)  # g/m³
    gain = max(usual_gain, 0.3) * EXCESS_TIMES ** normal(1)
    falls, to = even(*FALLS_FROM_C), even(*FALLS_TO_C)
    left = even(*LEFT)
    shape = 1 - (1 - left) * np.clip((out_t - falls) / (to - falls), 0, 1)
    shut = np.clip((out_t - even(*SHUT_C)) / 4, 0, 1)
    shape = shape + even(0, 1) * shut * (1 - shape)
    excess = gain * shape * np.exp(EXCESS_WANDER * wander())
    vapour = out_e + excess / per_pa

    hottest = float(usual_t.max())
    cooled = random.uniform(size=(draws, 1)) < np.interp(hottest, COOLED_FROM_C, COOLED_SHARE)
    kept = COOLED_C + COOLED_SD_K * normal(1)
    temp = np.where(cooled, np.minimum(natural, np.maximum(kept, heated)), natural)
    runs = np.clip((natural - temp) / 2.0, 0, 1)
    dry = (COOLED_PCT + COOLED_SD_PCT * normal(1)) / 100 * saturation(temp)
    vapour = vapour - runs * np.maximum(vapour - dry, 0)
    hot = np.interp(hottest, HOT_C, HOT_LOG)
    rh = 100 * vapour * np.exp(hot * wander()) / saturation(temp)

    given = 1000 / 24 * (humidified_l_day or 3.0) * 1.5 ** normal(1)
    most = given / (change * home.volume_m3 * grams_per_pct(temp))
    has = np.ones((draws, 1), bool) if humidified_l_day else even(0, 1) < HUMIDIFIED_SHARE
    set_pct = 44 + 5 * normal(1)
    rh = np.where(has, np.maximum(rh, np.minimum(rh + most, set_pct)), rh)
    limit = 54 + 4 * normal(1)
    rh = np.where(even(0, 1) < DRIED_SHARE, np.minimum(rh, limit), rh)
    lag = even(0.0, 0.35)
    rh = (1 - lag) * rh + lag * np.roll(rh, 1, axis=1)
    return temp, np.clip(np.minimum(rh, window_limit_pct(temp, out_t)), 1.0, 99.0)


def _members(months: CarriedMonths, members: int) -> tuple[Floats, Floats]:
    """Temperature (12,) and the RH of the members (M, 12): the first the middle one, the others
    evenly spaced along the weighted draws, in order of their mean RH. [°C], [%]"""
    order = np.argsort(months.rh_pct.mean(axis=1))
    total = np.cumsum(months.weight[order])
    rank = (np.arange(members) + 0.5) / members
    rows = order[np.minimum(np.searchsorted(total, rank), len(order) - 1)]
    rh = months.rh_pct[rows].copy()
    rh = np.concatenate([months.quantiles(0.5), rh])[:members]
    return months.weight @ months.temp_c, rh
