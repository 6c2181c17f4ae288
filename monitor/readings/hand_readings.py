"""Stored readings by hand: looked up, and stored like any other."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from monitor.core.measurements import BY_HAND, Quantity, Reading, Series
from monitor.store import Reader, Writer
from monitor.store.connection import Cursor


class StoredHandReadings:
    """The readings by hand in the store."""

    def __init__(self, reader: Reader, writer: Writer) -> None:
        self._reader, self._writer = reader, writer

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

    def storing(self, readings: Sequence[Reading]) -> Callable[[Cursor], None]:
        def write(run: Cursor) -> None:
            self._writer.put(run, readings)

        return write


def _humidity(place: str) -> Series:
    return Series(place, BY_HAND, Quantity.HUMIDITY)
