"""Readings out of the store as a table: CSV or Parquet, raw or rolled up."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING

from monitor.errors import MonitorError
from monitor.records import MEASURES, Series
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader

if TYPE_CHECKING:
    import pandas as pd

STEPS_S = {"raw": 0, "10min": TEN_MINUTES_S, "hour": HOUR_S}
"""What may be exported: every reading, or rollups. [s]"""
WINDOW_MS = 31 * 86_400_000
"""Read at a time, so that years do not fill the memory. [ms]"""


class ExportFault(MonitorError, ValueError):
    """The export cannot be made as asked."""


def tables(
    reader: Reader, *, start_ms: int, end_ms: int, places: Iterable[str] = (), step: str = "raw"
) -> Iterator[pd.DataFrame]:
    """The readings of a range, one table for each sensor and month.

    Parameters
    ----------
    reader : Reader
    start_ms, end_ms : int
        From, and before. [ms since 1970-01-01 UTC]
    places : iterable of str
        Only these; all if empty.
    step : {"raw", "10min", "hour"}

    Yields
    ------
    DataFrame
        Columns `measured_at` (UTC; the start of the span for rollups), `place`, `sensor`, and one
        for each quantity the store has: `temp_c`, `rh_pct`, ... or, for rollups, each with
        `_n`, `_low`, `_mean` and `_high`. By time within a sensor.

    Raises
    ------
    ExportFault
        If a place is not in the store.
    """
    import pandas as pd

    known = reader.series()
    wanted = set(places)
    if unknown := wanted - {series.place for series in known}:
        have = ", ".join(sorted({series.place for series in known})) or "none"
        raise ExportFault(f"no place {', '.join(sorted(unknown))} in the store: it has {have}")
    columns = _columns({series.quantity for series in known}, step)
    for place, sensor in sorted({(s.place, s.sensor) for s in known}):
        if wanted and place not in wanted:
            continue
        own = {s: i for s, i in known.items() if (s.place, s.sensor) == (place, sensor)}
        spans = [span for i in own.values() if (span := reader.span(i))]
        if not spans:
            continue
        first = max(start_ms, min(low for low, _ in spans))
        last = min(end_ms, max(high for _, high in spans) + 1)
        bucket_ms = 1000 * STEPS_S[step]
        if bucket_ms:
            first -= first % bucket_ms
        for window in range(first, last, WINDOW_MS):
            parts = [
                _part(reader, series, i, window, min(window + WINDOW_MS, last), step)
                for series, i in own.items()
            ]
            table = pd.concat(parts, axis=1, sort=True)
            if len(table):
                stamps = pd.to_datetime(table.index, unit="ms", utc=True)
                table.insert(0, "measured_at", stamps)
                table.insert(1, "place", place)
                table.insert(2, "sensor", sensor)
                yield table.reindex(columns=["measured_at", "place", "sensor", *columns])


def write_csv(parts: Iterable[pd.DataFrame], out: IO[str]) -> int:
    """Write tables as one CSV, times in ISO 8601 UTC. Returns how many rows."""
    rows = 0
    for table in parts:
        stamped = table.assign(
            measured_at=table["measured_at"].dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
        )
        stamped.to_csv(out, index=False, header=rows == 0, float_format="%.10g")
        rows += len(table)
    if not rows:
        out.write("measured_at,place,sensor\n")
    return rows


def write_parquet(parts: Iterable[pd.DataFrame], path: Path) -> int:
    """Write tables as one Parquet file. Returns how many rows.

    Raises
    ------
    ExportFault
        If pyarrow is not installed, or there is nothing to write.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as exc:
        raise ExportFault("Parquet needs pyarrow: pip install 'benchweather[parquet]'") from exc
    rows, writer = 0, None
    try:
        for table in parts:
            arrow = pa.Table.from_pandas(table, preserve_index=False)
            if writer is None:
                writer = pq.ParquetWriter(path, arrow.schema)
            writer.write_table(arrow.cast(writer.schema))
            rows += len(table)
    finally:
        if writer is not None:
            writer.close()
    if not rows:
        raise ExportFault("there is nothing in that range to write")
    return rows


def _columns(quantities: set[object], step: str) -> list[str]:
    names = [measure.column for quantity, measure in MEASURES.items() if quantity in quantities]
    if step == "raw":
        return names
    return [f"{name}_{part}" for name in names for part in ("n", "low", "mean", "high")]


def _part(
    reader: Reader, series: Series, series_id: int, start_ms: int, end_ms: int, step: str
) -> pd.DataFrame:
    """One series of a window, by time."""
    import pandas as pd

    column = MEASURES[series.quantity].column
    if step == "raw":
        ts_ms, values = reader.readings(series_id, start_ms, end_ms)
        return pd.DataFrame({column: values}, index=ts_ms)
    rows = reader.rollups(series_id, STEPS_S[step], start_ms, end_ms)
    rows = rows[rows["ts_ms"] >= start_ms]
    names = {f"{column}_{part}": rows[part] for part in ("n", "low", "mean", "high")}
    return pd.DataFrame(names, index=rows["ts_ms"])
