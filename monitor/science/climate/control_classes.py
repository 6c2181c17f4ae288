"""Classes of control for collections: within whose limits a record of air keeps.

Source: ASHRAE Handbook—HVAC Applications, Museums, Galleries, Archives, and Libraries. Names and
outer limits as in the edition of 2019; fluctuations and seasonal changes as in Table 3 of those of
1999 to 2015, where A1 and A2 are the two columns of class A. From memory, unchecked.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.science.climate.air_record import DAY_MS, AirRecord
from monitor.science.climate.en15757 import LEAST_COVERAGE, WINDOW_DAYS
from monitor.science.ranges import Floats


class ControlClass(NamedTuple):
    """A class: how far the air may stray within days, how far its set point may follow the season
    (down, up), the outer limits, which stricter classes it takes in, and what it means."""

    name: str
    fluctuation_rh_pct: float
    fluctuation_temp_k: float
    season_rh_pct: tuple[float, float]
    season_temp_k: tuple[float, float]
    rh_pct: tuple[float, float]
    temp_c: tuple[float, float]
    takes_in: tuple[int, ...]
    risk: str


_TABLE = """
AA |    5    2    0    0   -5    5   35   65   10   25 |
    no mechanical risk to most objects
A1 |    5    2  -10   10  -10    5   35   65   10   25 | 0
    small risk to highly vulnerable objects, steady day by day, moving with the season
A2 |   10    2    0    0  -10    5   35   65   10   25 | 0
    small risk to highly vulnerable objects, the same all year, moving day by day
B  |   10    5  -10   10 -inf   10   30   70 -inf   30 | 1 2
    moderate risk to highly vulnerable objects
C  |  inf  inf -inf  inf -inf  inf   25   75 -inf   30 | 3
    high risk to highly vulnerable objects
D  |  inf  inf -inf  inf -inf  inf    0   75 -inf  inf | 4
    dry air can crack and open; only mould is kept off
"""
"""Name; fluctuation [% RH], [K]; season down, up [% RH], [K]; limits [%], [°C]; classes taken in, by
their number from 0; risk."""


def _class(row: str, risk: str) -> ControlClass:
    """Class of two lines of `_TABLE`."""
    name, numbers, takes_in = (cell.strip() for cell in row.split("|"))
    rh, temp, *ends = map(float, numbers.split())
    season_rh, season_temp, limits_rh, limits_temp = zip(ends[::2], ends[1::2], strict=True)
    stricter = tuple(map(int, takes_in.split()))
    return ControlClass(
        name, rh, temp, season_rh, season_temp, limits_rh, limits_temp, stricter, risk.strip()
    )


_LINES = _TABLE.strip().splitlines()
CLASSES = tuple(map(_class, _LINES[::2], _LINES[1::2]))
"""From the strictest to the loosest; A1 and A2 are held to carry the same risk."""

SET_POINT_C = (15.0, 25.0)
"""The set point of temperature lies between these. [°C]  Source as above."""

KEPT_SHARE = 0.95
"""A class is kept if the air was within its limits for at least this share of the time. [-]  Ours:
the handbook, as remembered, names none; it leaves room for opened doors and a sensor's error."""


class ClassTimes(NamedTuple):
    """Share of the time within each class's limits, over all and stretch by stretch.

    `share` of shape (classes,), `by_stretch` of shape (stretches, classes): 0 to 1, NaN where
    nothing could be judged. `judged` of shape (stretches,): share of each stretch that could.
    The set points are the means of the record. [%], [°C]  Without temperature that is NaN, and
    humidity alone was judged.
    """

    share: Floats
    by_stretch: Floats
    judged: Floats
    set_rh_pct: float
    set_temp_c: float


def kept(share: Floats) -> ControlClass | None:
    """The strictest class within whose limits the air was for 95 % of the time, if any."""
    for one, inside in zip(CLASSES, share.tolist(), strict=True):
        if inside >= KEPT_SHARE:
            return one
    return None


def class_times(record: AirRecord, edges_ms: ArrayLike) -> ClassTimes:
    """Share of a record's time within the limits of each class.

    Parameters
    ----------
    record : AirRecord
        Of a year, or it says little: the set point is its own mean.
    edges_ms : array_like of int, shape (stretches + 1,), rising
        Where stretches, such as months, begin and end. [ms since 1970-01-01 UTC]

    Notes
    -----
    A reading is within a class if RH and temperature are within its outer limits and no further
    than its fluctuation from a set point that follows the 30-day centred mean as far from the
    record's mean as the class allows (ours: the handbook leaves the averaging open). A class's
    share is never less than that of a stricter one it takes in. Readings around which 30 days are
    too thinly covered are not judged, nor are those that lack temperature in a record that has it.
    """
    edges = np.asarray(edges_ms, dtype=np.int64)
    t_known = ~np.isnan(record.temp_c)
    warm = bool(t_known.any())
    window = WINDOW_DAYS * DAY_MS
    rh_level, rh_cover, _ = record.centred_mean(record.rh_pct, window)
    judged = rh_cover >= LEAST_COVERAGE
    set_rh, set_temp = record.mean(record.rh_pct), np.nan
    if warm:
        t_level, t_cover, _ = record.centred_mean(record.temp_c, window)
        judged &= t_known & (t_cover >= LEAST_COVERAGE)
        set_temp = float(np.clip(record.mean(record.temp_c), *SET_POINT_C))
    stretch = np.searchsorted(edges, record.ts_ms, "right") - 1
    inside = []
    for one in CLASSES:
        within = _within(
            record.rh_pct, rh_level, set_rh, one.season_rh_pct, one.fluctuation_rh_pct, one.rh_pct
        )
        if warm:
            within &= _within(
                record.temp_c,
                t_level,
                set_temp,
                one.season_temp_k,
                one.fluctuation_temp_k,
                one.temp_c,
            )
        inside.append(within)
    count = len(edges) - 1
    total = _summed(record.held_ms, judged, stretch, count)
    by_class = [_summed(record.held_ms, judged & within, stretch, count) for within in inside]
    with np.errstate(invalid="ignore", divide="ignore"):
        by_stretch = np.stack([held / total for held in by_class], axis=1)
        share = np.array([held.sum() / total.sum() for held in by_class])
    for i, one in enumerate(CLASSES):
        for stricter in one.takes_in:
            share[i] = max(share[i], share[stricter])
            by_stretch[:, i] = np.maximum(by_stretch[:, i], by_stretch[:, stricter])
    return ClassTimes(share, by_stretch, total / np.diff(edges), set_rh, set_temp)


def _within(
    value: Floats,
    level: Floats,
    middle: float,
    season: tuple[float, float],
    fluctuation: float,
    limits: tuple[float, float],
) -> NDArray[np.bool_]:
    set_point = np.clip(level, middle + season[0], middle + season[1])
    near = np.abs(value - set_point) <= fluctuation
    return near & (value >= limits[0]) & (value <= limits[1])


def _summed(
    held: Floats, mask: NDArray[np.bool_], stretch: NDArray[np.intp], count: int
) -> Floats:
    """Time of the masked readings in each stretch; what lies before or after all is left out."""
    mask = mask & (stretch >= 0) & (stretch < count)
    return np.bincount(stretch[mask], held[mask], count).astype(np.float64)
