"""Stored readings by hand: looked up, and stored like any other."""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence

import numpy as np

from monitor.core.measurements import BY_HAND, Quantity, Reading, Series
from monitor.domain.hand_reading import LastReading
from monitor.store import HOUR_S, Reader, Writer
from monitor.store.connection import Cursor

T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
WEEK_MS = 7 * 86_400_000


class StoredHandReadings:
    """The readings by hand in the store."""

    def __init__(self, reader: Reader, writer: Writer, outdoors: Container[str] = ()) -> None:
        self._reader, self._writer, self._outdoors = reader, writer, outdoors

    def last_ms(self, place: str) -> int | None:
        series_id = self._reader.series().get(_humidity(place))
        span = None if series_id is None else self._reader.span(series_id)
        return span[1] if span else None

    def is_taken(self, place: str, at_ms: int) -> bool:
        row = self._writer.connection.row(
            "SELECT 1 FROM reading JOIN series USING (series_id) "
            "WHERE place = ? AND sensor = ? AND ts_ms = ? LIMIT 1",
            (place, BY_HAND, at_ms),
        )
        return row is not None

    def is_indoors(self, place: str) -> bool:
        return place not in self._outdoors

    def last_before(self, place: str, at_ms: int) -> LastReading | None:
        newest: dict[str, dict[Quantity, tuple[int, int, float]]] = {}
        for series_id, (series, ts_ms, value) in self._reader.latest(at_ms):
            if series.place == place:
                newest.setdefault(series.sensor, {})[series.quantity] = ts_ms, series_id, value
        pairs = [found for found in newest.values() if {T, RH} <= found.keys()]
        if not pairs:
            return None
        last = max(pairs, key=lambda found: min(found[T][0], found[RH][0]))
        heard_ms = min(last[T][0], last[RH][0])
        spreads = (self._spread(last[q][1], heard_ms) for q in (T, RH))
        return LastReading(heard_ms, last[T][2], last[RH][2], *spreads)

    def _spread(self, series_id: int, until_ms: int) -> float:
        """Standard deviation of the hourly means of a week; 0 if fewer than a day's are there."""
        rows = self._reader.rollups(series_id, HOUR_S, until_ms - WEEK_MS, until_ms + 1)
        return float(np.std(rows["mean"])) if len(rows) >= 24 else 0.0

    def storing(self, readings: Sequence[Reading]) -> Callable[[Cursor], None]:
        def write(run: Cursor) -> None:
            self._writer.put(run, readings)

        return write


def _humidity(place: str) -> Series:
    return Series(place, BY_HAND, Quantity.HUMIDITY)
