"""Histories of quantities at places: thinned for a plot, whole for a download."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dashboard.data import thinning
from dashboard.data.records import DownloadRows, QuantityHistory
from monitor.core.clock import AHEAD_MAX_MS, now_ms
from monitor.core.measurements import MEASURES, Quantity, Series, leading_order
from monitor.science.registry import DERIVED, derive
from monitor.store import HOUR_S, TEN_MINUTES_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashboard.data.shop import Reader, ShopData
    from dashboard.data.thinning import Points
    from monitor.domain.places import Place

ROWS_MAX = 20_000
"""Most rows read for one figure, over all its places and the quantities they need."""
POINTS_MAX = 800
"""Most points of a mean line; the outline of its band has at most 2.5 times as many."""
CSV_ROWS_MAX = 500_000
"""Most rows of a download."""
PAIR_WITHIN_MS = 300_000
"""Temperature and RH further apart than this are no pair, however slow the sensor. [ms]"""
SOURCES = {0: "readings", TEN_MINUTES_S: "10-minute means", HOUR_S: "hourly means"}

T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY


def quantities(shop: ShopData) -> dict[str, set[str]]:
    """Quantities that can be shown of each place: measured ones, then derived ones."""
    with shop.reader() as reader:
        by_sensor: dict[tuple[str, str], set[Quantity]] = {}
        for series in reader.series():
            by_sensor.setdefault((series.place, series.sensor), set()).add(series.quantity)
    found: dict[str, set[str]] = {}
    for (place, _), measured in by_sensor.items():
        own = found.setdefault(place, set())
        own |= {str(quantity) for quantity in measured}
        if {T, RH} <= measured:
            own |= set(DERIVED)
    return found


def extent(shop: ShopData, place_ids: list[str]) -> tuple[int, int] | None:
    """Times of the first and last reading of some places. [ms]"""
    with shop.reader() as reader:
        ends = [
            span
            for series, series_id in reader.series().items()
            if series.place in place_ids and (span := reader.span(series_id))
        ]
    if not ends:
        return None
    first, last = min(a for a, _ in ends), max(b for _, b in ends)
    return first, min(last, max(now_ms() + AHEAD_MAX_MS, first))


def history(
    shop: ShopData, place: Place, quantity: str, start_ms: int, end_ms: int, *, share: int = 1
) -> QuantityHistory:
    """A quantity at a place in [start, end), thinned to at most about `POINTS_MAX` points.

    Parameters
    ----------
    quantity : str
        Measured (a `Quantity`) or derived (a key of `DERIVED`).
    share : int
        How many such histories share one figure, and so `ROWS_MAX`.

    Notes
    -----
    Read are the readings if they are few enough, else the 10-minute rollups, else the hours.
    A derived quantity is worked out from temperature and RH of one sensor, reading by
    reading or from their means. Where a place has several sensors, the first by name counts,
    and where it has a gap, the next.
    """
    needs = _needs(quantity)
    budget = ROWS_MAX // (share * len(needs))
    with shop.reader() as reader:
        sensors = _sensors(reader, place.id, needs)
        readings = sum(reader.count(ids[-1], start_ms, end_ms) for ids in sensors)
        period = _period(readings, end_ms - start_ms, budget, len(sensors))
        cleared = (reader.cleared_until(one) or 0 for ids in sensors for one in ids)
        if any(until_ms > start_ms for until_ms in cleared):
            period = max(period, TEN_MINUTES_S)  # its lowest and highest are kept too
        table = np.empty(0, thinning.POINT)
        longest = thinning.gap_ms(table["at_ms"])
        for ids in sensors:
            piece = _piece(shop, reader, quantity, needs, ids, period, start_ms, end_ms)
            longest = max(longest, thinning.gap_ms(piece["at_ms"], 1000 * period))
            table = thinning.filled_in(table, piece, longest)
    table, width = thinning.thinned(table, end_ms - start_ms, POINTS_MAX)
    longest = max(longest, thinning.GAP_FACTOR * width)
    return QuantityHistory(
        place,
        quantity,
        thinning.with_breaks(table, longest),
        SOURCES[period],
        max(width, 1000 * period),
        readings,
    )


def _piece(
    shop: ShopData,
    reader: Reader,
    quantity: str,
    needs: list[Quantity],
    ids: list[int],
    period: int,
    start_ms: int,
    end_ms: int,
) -> Points:
    """Part of a history that comes from one sensor."""
    columns = []
    for series_id in ids:
        if period:
            table = reader.rollups(series_id, period, start_ms, end_ms)
            part = np.empty(len(table), thinning.POINT)
            part["at_ms"] = table["ts_ms"] + 500 * period
            for name in ("n", *thinning.COLUMNS):
                part[name] = table[name]
        else:
            part = thinning.points(*reader.readings(series_id, start_ms, end_ms))
        columns.append(part)
    if quantity not in DERIVED:
        return columns[0]
    first = columns[0]
    values = _derived(shop, quantity, needs, [(c["at_ms"], c["mean"]) for c in columns])
    out = thinning.points(first["at_ms"], values)
    out["n"] = first["n"]
    return out[~np.isnan(values)]


def _derived(
    shop: ShopData,
    quantity: str,
    needs: list[Quantity],
    columns: list[tuple[NDArray[np.int64], NDArray[np.float64]]],
) -> NDArray[np.float64]:
    """A derived quantity at the times of the first column, the temperature."""
    at_ms = columns[0][0]
    within = min(thinning.gap_ms(at_ms) / 2, PAIR_WITHIN_MS)
    values = dict(zip(needs, columns, strict=True))
    found = {q: thinning.aligned(at_ms, ms, v, within) for q, (ms, v) in values.items()}
    return derive(quantity, found[T], found[RH], shop.pressure_pa())


def stored(
    shop: ShopData, places: list[Place], quantity: str, start_ms: int, end_ms: int
) -> tuple[list[DownloadRows], int]:
    """The rows behind a figure as they are stored, and how many there are in all.

    At most about `CSV_ROWS_MAX` rows are given, the newest.
    """
    needs = _needs(quantity)
    with shop.reader() as reader:
        sensors = [(place, ids) for place in places for ids in _sensors(reader, place.id, needs)]
        names = {i: series.sensor for series, i in reader.series().items()}
        total = sum(reader.count(ids[0], start_ms, end_ms) for _, ids in sensors)
        if total > CSV_ROWS_MAX:
            start_ms = end_ms - int((end_ms - start_ms) * CSV_ROWS_MAX / total)
        rows: list[DownloadRows] = []
        room = CSV_ROWS_MAX
        for place, ids in sensors:
            parts = [reader.readings(i, start_ms, end_ms) for i in ids]
            at_ms = parts[0][0]
            columns: dict[str, NDArray[np.float64]] = {}
            if quantity in DERIVED:
                within = min(thinning.gap_ms(at_ms) / 2, PAIR_WITHIN_MS)
                for need, (ms, values) in zip(needs, parts, strict=True):
                    columns[str(need)] = thinning.aligned(at_ms, ms, values, within)
                columns[quantity] = _derived(shop, quantity, needs, parts)
            else:
                columns[quantity] = parts[0][1]
            first = max(len(at_ms) - room, 0)
            kept = {name: values[first:] for name, values in columns.items()}
            rows.append(DownloadRows(place, names[ids[0]], at_ms[first:], kept))
            room -= len(at_ms) - first
    return rows, total


def _needs(quantity: str) -> list[Quantity]:
    """The measured quantities behind one; a KeyError if there is no such quantity."""
    if quantity in MEASURES:
        return [Quantity(quantity)]
    _ = DERIVED[quantity]
    return [T, RH]


def _sensors(reader: Reader, place_id: str, needs: list[Quantity]) -> list[list[int]]:
    """Series of each sensor of a place that measures all of `needs`, by name of the sensor."""
    known = reader.series()
    names = sorted(
        {series.sensor for series in known if series.place == place_id}, key=leading_order
    )
    found = []
    for name in names:
        ids = [known.get(Series(place_id, name, need)) for need in needs]
        if all(i is not None for i in ids):
            found.append([i for i in ids if i is not None])
    return found


def _period(readings: int, span_ms: int, budget: int, sensors: int) -> int:
    """The rollup to read, 0 for the readings themselves. [s]"""
    if readings <= budget:
        return 0
    return TEN_MINUTES_S if sensors * span_ms <= 1000 * TEN_MINUTES_S * budget else HOUR_S
