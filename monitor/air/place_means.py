"""The places there are, and means of temperature and RH at each, from the store's rollups."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.unreliable_readings import doubtful
from monitor.core.measurements import BY_HAND, Quantity, Series, leading_order
from monitor.domain.hand_reading import HELD_MS
from monitor.domain.places import Place
from monitor.store import TEN_MINUTES_S, Reader

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from monitor.settings import Settings


class Means(NamedTuple):
    """Means: start of each [ms], temperature [°C], RH [%]; three arrays of shape (n,)."""

    ts_ms: NDArray[np.int64]
    temp_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]


def means(
    reader: Reader,
    place: str,
    start_ms: int,
    end_ms: int,
    period_s: int = TEN_MINUTES_S,
    *,
    typed: bool = True,
) -> Means:
    """Means of T and RH at a place, of the sensor that is first by name and has both; where it has
    a gap, of the next. Where one was stuck or saturated, or its clock wrong, it comes last. Readings
    by hand fill what is left; without `typed` they are left out. [ms], [°C], [%]"""
    known = reader.series()
    parts, in_doubt = [], []
    for sensor in sorted({s.sensor for s in known if s.place == place}, key=leading_order):
        if sensor == BY_HAND and not typed:
            continue
        ids = [
            known.get(Series(place, sensor, q)) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
        ]
        rows = [reader.rollups(i, period_s, start_ms, end_ms) for i in ids if i is not None]
        if len(rows) < len(ids):
            continue
        part = joined(*rows)
        doubt = doubtful(reader, place, sensor, rows[1], period_s)
        bad = np.isin(part[0], rows[1]["ts_ms"][doubt])
        parts.append([column[~bad] for column in part])
        in_doubt.append([column[bad] for column in part])
    ts, temp, rh = joined(None, None)
    for more in (*parts, *in_doubt):
        new = ~np.isin(more[0], ts)
        ts, temp, rh = (
            np.concatenate([had, got[new]]) for had, got in zip((ts, temp, rh), more, strict=True)
        )
    order = np.argsort(ts, kind="stable")
    return Means(ts[order], temp[order], rh[order])


def by_hand(reader: Reader, place: str, read: Means, period_s: int) -> NDArray[np.bool_]:
    """Mask of the means of a place that a person read. Shape (n,)."""
    series_id = reader.series().get(Series(place, BY_HAND, Quantity.HUMIDITY))
    if series_id is None or not len(read.ts_ms):
        return np.zeros(len(read.ts_ms), np.bool_)
    rows = reader.rollups(series_id, period_s, int(read.ts_ms[0]), int(read.ts_ms[-1]) + 1)
    return np.isin(read.ts_ms, rows["ts_ms"])


def held(read: Means, mask: NDArray[np.bool_], until_ms: int, period_s: int) -> Means:
    """Means in which each one of the mask is repeated, every period, until the next one or
    `until_ms`, at most for `HELD_MS`: a reading by hand is the air of its place for a while. [ms]"""
    if not mask.any():
        return read
    step = 1000 * period_s
    ends = np.minimum(np.append(read.ts_ms[1:], until_ms), read.ts_ms + HELD_MS)
    repeats = np.where(mask, np.maximum(-(-(ends - read.ts_ms) // step), 1), 1)
    first = np.repeat(np.cumsum(repeats) - repeats, repeats)
    ts = np.repeat(read.ts_ms, repeats) + step * (np.arange(repeats.sum()) - first)
    return Means(ts, np.repeat(read.temp_c, repeats), np.repeat(read.rh_pct, repeats))


def calibrated(reader: Reader, place: str, read: Means) -> tuple[float | None, float | None]:
    """Expanded uncertainty (k = 2) of the last means of a place, as the calibration of the sensor
    they come from has it; None where it was never calibrated. [K], [%]"""
    known, at_ms = reader.series(), int(read.ts_ms[-1])
    pairs = ((Quantity.TEMPERATURE, read.temp_c), (Quantity.HUMIDITY, read.rh_pct))
    for sensor in sorted({s.sensor for s in known if s.place == place}, key=leading_order):
        ids = [known.get(Series(place, sensor, q)) for q, _ in pairs]
        if all(
            i is not None and _mean_at(reader, i, at_ms) == values[-1]
            for i, (_, values) in zip(ids, pairs, strict=True)
        ):
            u_temp, u_rh = (
                reader.uncertainty(i, float(values[-1]), at_ms)
                for i, (_, values) in zip(ids, pairs, strict=True)
                if i is not None
            )
            return u_temp, u_rh
    return None, None


def _mean_at(reader: Reader, series_id: int, at_ms: int) -> float | None:
    rows = reader.rollups(series_id, TEN_MINUTES_S, at_ms, at_ms + 1)
    return float(rows["mean"][-1]) if len(rows) else None


def joined(
    temp: NDArray[np.void] | None, rh: NDArray[np.void] | None
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Times, and means of temperature and RH, where there are both."""
    if temp is None or rh is None:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    if np.array_equal(temp["ts_ms"], rh["ts_ms"]):  # as almost always
        return temp["ts_ms"].copy(), temp["mean"].copy(), rh["mean"].copy()
    at_ms, i, j = np.intersect1d(temp["ts_ms"], rh["ts_ms"], True, True)
    return at_ms, temp["mean"][i], rh["mean"][j]


def places(reader: Reader, settings: Settings) -> list[Place]:
    """The places of the settings in their order, then any other that a sensor has named."""
    return places_of(reader.series(), settings)


def places_of(every: Iterable[Series], settings: Settings) -> list[Place]:
    """The same `places`, of all series."""
    known = {place.id: place for place in settings.places}
    for series in every:
        if series.place not in known:
            known[series.place] = Place(id=series.place)
    return list(known.values())
