"""The climate record of a place or of the shop: hour means from the store, judged by published
methods."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.core.clock import to_ms
from monitor.core.errors import OutOfRange
from monitor.core.formats import local
from monitor.core.measurements import Quantity, Series, leading_order
from monitor.science.air import TEMP_C, relative_humidity_at
from monitor.science.climate.air_record import DAY_MS, RH_MAX_PCT, AirRecord, air_record
from monitor.science.climate.control_classes import ClassTimes, ControlClass, class_times, kept
from monitor.science.climate.en15757 import (
    FLOOR_PCT,
    FULL_DAYS,
    LEAST_DAYS,
    Exceedance,
    TargetBand,
    exceedances,
    target_band,
)
from monitor.science.climate.mould import MouldTime, mould_time
from monitor.store import HOUR_S, Reader

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from monitor.domain.places import Place

HOUR_MS = 1000 * HOUR_S
READ_MS = (FULL_DAYS + 1) * DAY_MS
"""Span read unless asked otherwise: 13 months give a year of results. [ms]"""

SHOP = "Shop"
BAND_IS_FOR = (
    "EN 15757 applies to objects that have adapted to this air without harm. It does not apply to an "
    "instrument that has just arrived. Fresh repairs need tighter limits."
)
CLASSES_FROM = (
    "Classes of control, ASHRAE Handbook—HVAC Applications, 2019 (fluctuations as in 1999 to "
    "2015), from memory and unchecked. Kept means: within its limits at least 95 % of the time (ours)."
)
MOULD_CAUTION = (
    "Check cold corners, outer walls and behind cases. Dry the air slowly. If you see mould, wear a "
    "mask and gloves, clean outdoors, and follow your local health authority."
)
T, RH, T_SURFACE = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.SURFACE_TEMPERATURE


class Month(NamedTuple):
    """A month on the local calendar: when it begins [ms], lowest, mean and highest hour mean of RH
    [%], the strictest class kept, and the share of it that could be judged."""

    from_ms: int
    low_pct: float
    mean_pct: float
    high_pct: float
    kept: ControlClass | None
    judged: float


@dataclass(frozen=True, kw_only=True, eq=False)
class ClimateRecord:
    """A record over [start, end) [ms since 1970-01-01 UTC]. `band` and `classes` are None where the
    readings are too few; `reliability` says in a sentence how far all of it can be relied on.

    `at_surface`: mould was judged at a surface whose temperature is measured, not in the air.
    """

    name: str
    start_ms: int
    end_ms: int
    air: AirRecord
    reliability: str
    band: TargetBand | None
    exceedances: list[Exceedance]
    classes: ClassTimes | None
    months: list[Month]
    mould: MouldTime
    at_surface: bool
    indoors: bool

    @property
    def outside(self) -> float:
        """Share of the recorded time outside the band, 0 to 1; NaN without a band. [-]"""
        if self.band is None:
            return float("nan")
        return sum(e.to_ms - e.from_ms for e in self.exceedances) / float(self.air.held_ms.sum())


def indoors(places: Sequence[Place]) -> list[Place]:
    """The places that make up the shop."""
    return [place for place in places if place.kind != "outdoors"]


def climate_record(
    reader: Reader, name: str, places: Sequence[Place], start_ms: int, end_ms: int, zone: ZoneInfo
) -> ClimateRecord:
    """The record of one place, or of several as the mean of those that have readings.

    Parameters
    ----------
    name : str
        What it is called: the place's label, or `SHOP`.
    places : sequence of Place
    start_ms, end_ms : int
        [ms since 1970-01-01 UTC]
    zone : ZoneInfo
        Whose months are told apart.

    Notes
    -----
    Worked out from hour means, each at the middle of its hour. Where a place has several sensors,
    the first by name counts, and where it has a gap, the next.
    """
    first = start_ms // HOUR_MS
    count = max(-(-end_ms // HOUR_MS) - first, 0)
    hours = [_hours(reader, place, first, count) for place in places]
    temp, rh, surface = (
        (_mean(rows, count) for rows in zip(*hours, strict=True))
        if hours
        else (np.full((3, count), np.nan))
    )
    ts_ms = HOUR_MS * (first + np.arange(count)) + HOUR_MS // 2
    air = air_record(ts_ms, rh, temp)
    damp, at_surface = air, False
    if (~np.isnan(surface)).any():
        damp, at_surface = air_record(ts_ms, _at_surface(temp, rh, surface), surface), True
    band: TargetBand | None = None
    try:
        band = target_band(air)
        reliability = _reliability(band)
    except OutOfRange as exc:
        reliability = _too_short(air, exc)
    edges = _month_edges(air, zone)
    classes = class_times(air, edges) if band else None
    return ClimateRecord(
        name=name,
        start_ms=start_ms,
        end_ms=end_ms,
        air=air,
        reliability=reliability,
        band=band,
        exceedances=exceedances(band) if band else [],
        classes=classes,
        months=_months(air, edges, classes),
        mould=mould_time(damp),
        at_surface=at_surface,
        indoors=bool(indoors(places)),
    )


def _hours(reader: Reader, place: Place, first: int, count: int) -> NDArray[np.float64]:
    """Hour means of temperature, RH and surface temperature; (3, count), NaN where there is none.

    Temperature and RH are of one sensor, the surface's temperature of any.
    """
    known = reader.series()
    found = np.full((3, count), np.nan)
    for sensor in sorted(
        {series.sensor for series in known if series.place == place.id}, key=leading_order
    ):
        mine = np.full((3, count), np.nan)
        for row, quantity in enumerate((T, RH, T_SURFACE)):
            series_id = known.get(Series(place.id, sensor, quantity))
            if series_id is not None:
                table = reader.rollups(
                    series_id, HOUR_S, HOUR_MS * first, HOUR_MS * (first + count)
                )
                mine[row, table["ts_ms"] // HOUR_MS - first] = table["mean"]
        gap = np.isnan(found[1]) & ~np.isnan(mine[1])
        found[:2, gap] = mine[:2, gap]
        found[2] = np.where(np.isnan(found[2]), mine[2], found[2])
    return found


def _mean(rows: Sequence[NDArray[np.float64]], count: int) -> NDArray[np.float64]:
    """Mean hour by hour of those that have a value; NaN where none has."""
    table = np.array(rows).reshape(len(rows), count)
    number = (~np.isnan(table)).sum(axis=0)
    return np.where(number, np.nansum(table, axis=0) / np.maximum(number, 1), np.nan)


def _at_surface(
    temp: NDArray[np.float64], rh: NDArray[np.float64], surface: NDArray[np.float64]
) -> NDArray[np.float64]:
    """RH of the room's air once it has the temperature of a surface; 105 where water condenses."""
    both = (temp >= TEMP_C[0]) & (temp <= TEMP_C[1]) & ~np.isnan(rh)
    both &= (surface >= TEMP_C[0]) & (surface <= TEMP_C[1])
    found = np.full(rh.shape, np.nan)
    found[both] = np.minimum(
        relative_humidity_at(temp[both], np.minimum(rh[both], 100), surface[both]), RH_MAX_PCT
    )
    return found


def _reliability(band: TargetBand) -> str:
    days, covered = band.record.days, _percent(band.record.coverage)
    if not band.provisional:
        return (
            f"Based on {days:.0f} days, {covered} of their hours recorded. This gives a whole year "
            "of results."
        )
    if days < FULL_DAYS:
        return (
            f"A year of results needs 13 months ({FULL_DAYS} days) of readings. There are "
            f"{days:.0f} days, {covered} of their hours recorded. The band is provisional."
        )
    return (
        f"Only {covered} of the hours in {days:.0f} days were recorded, too few for a whole year of "
        "results. The band is provisional."
    )


def _too_short(air: AirRecord, fault: OutOfRange) -> str:
    if not len(air):
        return "There are no readings of humidity in this span."
    if air.days < LEAST_DAYS:
        return (
            f"There are {air.days:.0f} days of readings. A provisional band needs {LEAST_DAYS} days, "
            "a year of results 13 months."
        )
    return (
        f"{_percent(air.coverage)} of the hours in {air.days:.0f} days were recorded. A band needs a "
        f"month of days with enough readings in the 15 days around each. There are "
        f"{fault.value:.0f}."
    )


def _percent(share: float) -> str:
    """A share in whole per cent; less than all is never called 100 %."""
    return f"{min(int(100 * share + 0.5), 100 if share >= 1 else 99)} %"


def band_words(record: ClimateRecord) -> str:
    """The band and the time outside it in a sentence or two; empty without a band."""
    band = record.band
    if band is None:
        return ""
    below = sum(e.side == "below" for e in record.exceedances)
    above = len(record.exceedances) - below
    text = (
        f"Mean RH {band.annual_mean_pct:.0f} %. The 30-day mean ranged from "
        f"{np.nanmin(band.level_pct):.0f} to {np.nanmax(band.level_pct):.0f} %; the band reaches "
        f"{-band.below_pct:.1f} % below it and {band.above_pct:.1f} % above it."
    )
    if band.below_pct < -FLOOR_PCT or band.above_pct > FLOOR_PCT:
        text += (
            " A limit more than 10 % away is exceeded 7 % of the time, as the standard defines it."
        )
    if not record.exceedances:
        return f"{text} The air never left the band."
    spells = ", ".join(
        f"{n} {'time' if n == 1 else 'times'} {side}"
        for n, side in ((below, "below"), (above, "above"))
        if n
    )
    return (
        f"{text} It was outside the band for {share_words(record.outside)} of the time: {spells}."
    )


def class_words(record: ClimateRecord) -> str:
    """Sentence on the class of control that was kept; empty without classes."""
    if record.classes is None:
        return ""
    alone = (
        ""
        if record.classes.set_temp_c == record.classes.set_temp_c
        else (" Only humidity is judged, because there are no temperature readings.")
    )
    if (found := kept(record.classes.share)) is None:
        return f"No class was kept for 95 % of the time.{alone}"
    return f"Class {found.name} was kept: {found.risk}.{alone}"


def mould_words(record: ClimateRecord) -> str:
    """Sentence on the time in which mould could have grown; empty without readings."""
    mould = record.mould
    if not len(record.air):
        return ""
    if np.isnan(mould.share):
        return "Mould is not judged, because there are no temperature readings."
    at = "The measured surface" if record.at_surface else "The air"
    if not mould.spells:
        text = f"{at} was never damp enough for mould to grow on wood."
    else:
        text = (
            f"{at} was damp enough for mould to grow on wood for {mould.hours:.0f} hours "
            f"({share_words(mould.share)} of the time), at most {mould.longest_hours:.0f} hours without "
            "a break."
        )
    return text if record.at_surface else f"{text} Colder walls and corners are damper."


def mould_caution(record: ClimateRecord) -> str:
    """Caution for places where mould could have grown; empty elsewhere and outdoors."""
    return MOULD_CAUTION if record.mould.spells and record.indoors else ""


def share_words(share: float) -> str:
    """A share in per cent, with a decimal below 10; "under 0.1 %" for the least."""
    if 0 < share < 0.001:
        return "under 0.1 %"
    return f"{100 * share:.1f} %" if share < 0.1 else _percent(share)


def _month_edges(air: AirRecord, zone: ZoneInfo) -> NDArray[np.int64]:
    """Local first days of the months, from the one that begins the record to that after its end."""
    if not len(air):
        return np.zeros(1, np.int64)
    start = local(int(air.from_ms[0]), zone)
    edges: list[int] = []
    number = 12 * start.year + start.month - 1
    while not edges or edges[-1] < air.to_ms[-1]:
        edges.append(to_ms(datetime(number // 12, number % 12 + 1, 1, tzinfo=zone)))
        number += 1
    return np.array(edges, np.int64)


def _months(air: AirRecord, edges: NDArray[np.int64], classes: ClassTimes | None) -> list[Month]:
    found = []
    for i, (begin, end) in enumerate(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)):
        mine = (air.ts_ms >= begin) & (air.ts_ms < end)
        if not mine.any():
            continue
        rh = air.rh_pct[mine]
        found.append(
            Month(
                begin,
                float(rh.min()),
                float(np.average(rh, weights=air.held_ms[mine])),
                float(rh.max()),
                kept(classes.by_stretch[i]) if classes else None,
                float(classes.judged[i]) if classes else 0.0,
            )
        )
    return found
