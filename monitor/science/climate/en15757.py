"""The target band of EN 15757:2010: where the air may move without doing what it has not done yet.

A rule of acclimatisation: wood that has lived through a climate unharmed is not harmed by more of
the same. It says nothing of a piece that has just arrived, and repaired or weakened work needs
tighter limits. Second-hand throughout: public papers that apply the standard; the points marked
"ours" are not laid down in what could be read of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.core.errors import OutOfRange
from monitor.science.climate.air_record import DAY_MS, AirRecord
from monitor.science.ranges import Floats

WINDOW_DAYS = 30
"""Width of the centred mean that is the seasonal level. [d]"""

YEAR_DAYS = 365
"""The fluctuations of at least this are judged. [d]"""

FULL_DAYS = YEAR_DAYS + WINDOW_DAYS
"""Readings of this many days give a year of results: 13 months. [d]"""

PERCENTILES = (7.0, 93.0)
"""The fluctuations outside these are cut off. [%]"""

FLOOR_PCT = 10.0
"""The band need not be tighter than this to either side of the level. [% RH]  Side by side: ours."""

LEAST_COVERAGE = 0.75
"""A window of which readings stand for less gives no level; a year likewise is no whole year.
[-]  Ours."""

LEAST_DAYS = 60
"""Fewer days give no band, not even a provisional one: a month of levels is needed. [d]  Ours."""


ROUNDING_PCT = 1e-6
"""A reading no further beyond a limit than this is on it. [% RH]"""


@dataclass(frozen=True, eq=False)
class TargetBand:
    """The band over a record of n readings.

    Attributes
    ----------
    annual_mean_pct : float
        Mean RH over the record. [%]
    level_pct : ndarray of shape (n,)
        The seasonal level. [%]  NaN where readings around it are too few.
    settled : ndarray of bool, shape (n,)
        Whether a level rests on a whole window; near the ends of the record it does not.
    low_percentile_pct, high_percentile_pct : float
        7th and 93rd percentile of the settled fluctuations. [% RH]
    below_pct, above_pct : float
        How far the band reaches from the level: at most −10, at least +10. [% RH]
    settled_days : float
        Time with a settled level. [d]
    """

    record: AirRecord
    annual_mean_pct: float
    level_pct: Floats
    settled: NDArray[np.bool_]
    low_percentile_pct: float
    high_percentile_pct: float
    below_pct: float
    above_pct: float
    settled_days: float

    @property
    def low_pct(self) -> Floats:
        """Lower limit at each reading. [%]"""
        return self.level_pct + self.below_pct

    @property
    def high_pct(self) -> Floats:
        """Upper limit at each reading. [%]"""
        return self.level_pct + self.above_pct

    @property
    def provisional(self) -> bool:
        """True if the record is less than the standard asks for."""
        return self.record.days < FULL_DAYS or self.settled_days < LEAST_COVERAGE * YEAR_DAYS


class Exceedance(NamedTuple):
    """Air outside the band without a break.

    From when to when [ms], which side, the reading furthest outside [%] and its time [ms], how far
    beyond the limit it was [% RH], and whether every level there was settled.
    """

    from_ms: int
    to_ms: int
    side: Literal["below", "above"]
    extreme_pct: float
    at_ms: int
    beyond_pct: float
    settled: bool


def target_band(record: AirRecord) -> TargetBand:
    """The band that the record itself sets.

    Parameters
    ----------
    record : AirRecord
        Readings each hour or oftener; 395 days give a year of results. With fewer, down to 60,
        the band is provisional.

    Raises
    ------
    OutOfRange
        If the record spans fewer than 60 days, or 30 days of it do not have a settled level.

    Notes
    -----
    Seasonal level: mean of the readings from 15 days before to 15 days after each. Fluctuation:
    reading less level. Limits: 7th and 93rd percentile of the fluctuations, but the band is not
    made tighter than ±10 % RH. Where a window reaches past the record, the level is that of the
    part within: unsettled, and left out of the percentiles. Percentiles interpolate linearly
    between readings, each weighted by the time it stands for.

    Examples
    --------
    >>> hours = np.arange(9504)
    >>> rh = 50 + 10 * np.sin(2 * np.pi * hours / 8760) + 15 * np.sin(2 * np.pi * hours / 24)
    >>> from monitor.science.climate.air_record import air_record
    >>> band = target_band(air_record(3_600_000 * hours, rh))
    >>> round(band.below_pct, 4), round(band.above_pct, 4), band.provisional
    (-14.5223, 14.5223, False)
    """
    if record.days < LEAST_DAYS:
        raise OutOfRange("days of readings", round(record.days, 1), "days", LEAST_DAYS, None)
    level, coverage, whole = record.centred_mean(record.rh_pct, WINDOW_DAYS * DAY_MS)
    level = np.where(coverage >= LEAST_COVERAGE, level, np.nan)
    settled = whole & ~np.isnan(level)
    settled_days = float(record.held_ms[settled].sum()) / DAY_MS
    if settled_days < LEAST_DAYS - WINDOW_DAYS:
        name = "days with enough readings within 15 days of them"
        raise OutOfRange(name, round(settled_days, 1), "days", LEAST_DAYS - WINDOW_DAYS, None)
    away = (record.rh_pct - level)[settled]
    low, high = _percentiles(away, record.held_ms[settled])
    return TargetBand(
        record,
        record.mean(record.rh_pct),
        level,
        settled,
        low,
        high,
        min(low, -FLOOR_PCT),
        max(high, FLOOR_PCT),
        settled_days,
    )


def _percentiles(values: Floats, weight: Floats) -> tuple[float, float]:
    """Weighted percentiles; with equal weights, those that numpy interpolates linearly."""
    order = np.argsort(values)
    values, weight = values[order], weight[order]
    rank = np.concatenate([[0.0], np.cumsum((weight[1:] + weight[:-1]) / 2)])
    low, high = np.interp(np.array(PERCENTILES) / 100 * rank[-1], rank, values)
    return float(low), float(high)


def exceedances(band: TargetBand) -> list[Exceedance]:
    """Every spell of air outside the band, by time."""
    record, found = band.record, []
    sides: tuple[tuple[Literal["below", "above"], Floats], ...] = (
        ("below", band.low_pct - record.rh_pct),
        ("above", record.rh_pct - band.high_pct),
    )
    for side, beyond in sides:
        for spell in record.spells(beyond > ROUNDING_PCT):
            part = slice(spell.first, spell.stop)
            worst = spell.first + int(np.argmax(beyond[part]))
            found.append(
                Exceedance(
                    spell.from_ms,
                    spell.to_ms,
                    side,
                    float(record.rh_pct[worst]),
                    int(record.ts_ms[worst]),
                    float(beyond[worst]),
                    bool(band.settled[part].all()),
                )
            )
    return sorted(found)
