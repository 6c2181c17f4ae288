"""Readings out of the store as a table: CSV or Parquet, each or rolled up.

Corrected, at the place of their sensors, as every page shows them; or raw, as the sensors sent
them on their topics. The columns of raw values say so: `raw_temp_c` beside `temp_c`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np

from monitor.core import files
from monitor.core.csv_text import defused, restored
from monitor.core.errors import MonitorError
from monitor.core.measurements import MEASURES, Quantity, Series, name_fault
from monitor.domain.sensor import SensorHistory
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

STEPS_S = {"raw": 0, "10min": TEN_MINUTES_S, "hour": HOUR_S}
"""Periods that can be exported: 0 for every reading, or rollups. [s]"""
WINDOW_MS = 31 * 86_400_000
"""Span read at a time, so that years do not fill the memory. [ms]"""


RAW = "raw_"
"""Prefix of a column with uncorrected values."""
VOIDED = "voided"
"""Column that says why a reading was voided."""


TEXTS = ("place", "sensor", VOIDED)
"""Columns of text."""


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
    only_known("place", places, {series.place for series in known})
    wanted = set(places)
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
                yield _titled(table, place, sensor, columns)


def raw_tables(
    reader: Reader, *, start_ms: int, end_ms: int, places: Iterable[str] = ()
) -> Iterator[pd.DataFrame]:
    """Yield tables as `tables` does, but of the values as sent on each topic.

    They are uncorrected, at the place that the topic names, with the time in a calibration jar.
    The columns are `raw_temp_c`, `raw_rh_pct`, ... Where readings were voided there is a column
    `voided` too, with why at those.
    """
    import pandas as pd

    ever = reader.raw_extents(-(2**53), 2**53)
    only_known("place", places, {series.place for series in ever})
    wanted = set(places)
    columns = [RAW + name for name in _columns({s.quantity for s in ever}, "raw")]
    extents = reader.raw_extents(start_ms, end_ms)
    histories = reader.histories()
    if any(not void.undone for one in histories.values() for void in one.voids):
        columns.append(VOIDED)
    for place, sensor in sorted({(s.place, s.sensor) for s in extents}):
        if wanted and place not in wanted:
            continue
        own = {s: extent for s, extent in extents.items() if s[:2] == (place, sensor)}
        first = min(low for _, low, _ in own.values())
        last = max(high for _, _, high in own.values()) + 1
        for window in range(first, last, WINDOW_MS):
            parts = []
            for series in own:
                until = min(window + WINDOW_MS, last)
                ts_ms, values = reader.raw_values(series, window, until, voided=True)
                name = RAW + MEASURES[series.quantity].column
                parts.append(pd.DataFrame({name: values}, index=ts_ms))
            table = pd.concat(parts, axis=1, sort=True)
            if VOIDED in columns:
                history = histories.get(f"{place}/{sensor}", SensorHistory(""))
                table[VOIDED] = _voided(history, table.index.to_numpy(dtype=np.int64))
            table = _titled(table, place, sensor, columns)
            if len(table):
                yield table


def _voided(history: SensorHistory, ts_ms: NDArray[np.int64]) -> list[str]:
    """Reasons for which the readings at these times were voided; empty where they were not."""
    why = [""] * len(ts_ms)
    for void in history.voids:
        if not void.undone:
            for i in np.flatnonzero((ts_ms >= void.from_ms) & (ts_ms < void.until_ms)).tolist():
                why[i] = void.why
    return why


def only_known(what: str, wanted: Iterable[str], there: set[str]) -> None:
    """Raise if a place or sensor is not there.

    Raises
    ------
    ExportFault
        With the names that are.
    """
    if unknown := set(wanted) - there:
        have = ", ".join(sorted(there)) or "none"
        raise ExportFault(f"no {what} {', '.join(sorted(unknown))} there: it has {have}")


def write_csv(parts: Iterable[pd.DataFrame], out: IO[str], digits: int | None = 10) -> int:
    """Write tables as one CSV, times in ISO 8601 UTC. Returns how many rows.

    `digits` are significant, of each value; None writes as many as read the same value again."""
    rows = 0
    float_format = None if digits is None else f"%.{digits}g"
    for table in parts:
        stamped = table.assign(
            measured_at=table["measured_at"].dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z",
            **{name: table[name].map(defused) for name in TEXTS if name in table},
        )
        stamped.to_csv(out, index=False, header=rows == 0, float_format=float_format)
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
        raise ExportFault("there are no readings in that range")
    return rows


def read_raw(path: Path) -> dict[Series, tuple[NDArray[np.int64], NDArray[np.float64]]]:
    """Read a file made of `raw_tables` again: times [ms] and values of each series, by time. Voided
    readings are left out.

    Raises
    ------
    ExportFault
        If it is not such a file, or a line of it does not fit, with its number.
    """
    import pandas as pd

    try:
        if path.suffix == ".parquet":
            with files.open_plain(path, files.TABLE_MAX) as file:
                table = pd.read_parquet(file)
            texts = [
                c for c in ("measured_at", *TEXTS) if c in table and table[c].dtype.kind != "M"
            ]
            table = table.astype(dict.fromkeys(texts, str))
        else:
            with files.open_table(path) as file:
                table = pd.read_csv(file, dtype=str, keep_default_na=False).fillna("")
            table = table.assign(**{c: table[c].map(restored) for c in TEXTS if c in table})
    except ImportError as exc:
        raise ExportFault("Parquet needs pyarrow: pip install 'benchweather[parquet]'") from exc
    except files.FileFault as exc:
        raise ExportFault(str(exc)) from exc
    except (ValueError, pd.errors.ParserError) as exc:  # also what is no text
        raise ExportFault(f"{path} is not a table: {str(exc).splitlines()[0]}") from exc
    _check_raw(list(table.columns), path)
    times = pd.to_datetime(table["measured_at"], format="ISO8601", utc=True, errors="coerce")
    _refuse_line(times.isna().to_numpy(), table["measured_at"], path, "is not a time (ISO 8601)")
    ts_ms = np.asarray(times.dt.as_unit("ms").astype("int64"), dtype=np.int64)
    values = {
        quantity: _believable(table[column], quantity, path)
        for column, quantity in _raw_columns().items()
        if column in table
    }
    counts = np.ones(len(table), bool)
    if VOIDED in table:
        counts = (table[VOIDED] == "").to_numpy()
    lines: dict[tuple[str, str], list[int]] = {}
    for i, key in enumerate(zip(table["place"], table["sensor"], strict=True)):
        lines.setdefault(key, []).append(i)
    found = {}
    for (place, sensor), own in lines.items():
        for what, name in (("place", place), ("sensor", sensor)):
            if fault := name_fault(name):
                raise ExportFault(f"{path}, line {own[0] + 2}: {what} {name!r} {fault}")
        rows = np.array(own)[np.argsort(ts_ms[own], kind="stable")]
        for quantity, column in values.items():
            kept = rows[np.isfinite(column[rows]) & counts[rows]]
            if len(kept):
                found[Series(place, sensor, quantity)] = ts_ms[kept], column[kept]
    return found


def _raw_columns() -> dict[str, Quantity]:
    return {RAW + measure.column: quantity for quantity, measure in MEASURES.items()}


def _check_raw(header: list[str], path: Path) -> None:
    missing = [name for name in ("measured_at", "place", "sensor") if name not in header]
    if missing:
        raise ExportFault(f"{path} has no column {missing[0]}: make the file with export --raw")
    for name in header[3:]:
        if name not in (*_raw_columns(), VOIDED):
            raise ExportFault(
                f"{path} has a column {name}, which raw files do not have: "
                "make the file with export --raw"
            )


def _believable(column: pd.Series, quantity: Quantity, path: Path) -> NDArray[np.float64]:
    measure = MEASURES[quantity]
    empty = ((column == "") | column.isna()).to_numpy()
    values = np.array([_number(cell) for cell in column])
    outside = ~empty & ~((values >= measure.low) & (values <= measure.high))
    allowed = f"{quantity} must be {measure.low:g} to {measure.high:g} {measure.unit}"
    _refuse_line(outside, column, path, f"in {column.name}: {allowed}")
    return values


def _number(cell: str | float) -> float:
    """NaN where it is none. As Python reads it, so that the value written comes back."""
    try:
        return float(cell)
    except (ValueError, TypeError):
        return float("nan")


def _refuse_line(bad: NDArray[np.bool_], cells: pd.Series, path: Path, why: str) -> None:
    if bad.any():
        i = int(bad.argmax())
        raise ExportFault(f"{path}, line {i + 2}: {str(cells.iloc[i])!r:.40} {why}")


def _titled(table: pd.DataFrame, place: str, sensor: str, columns: list[str]) -> pd.DataFrame:
    """A sensor's values by time [ms], with their time, place and sensor before them."""
    import pandas as pd

    table.insert(0, "measured_at", pd.to_datetime(table.index, unit="ms", utc=True))
    table.insert(1, "place", place)
    table.insert(2, "sensor", sensor)
    return table.reindex(columns=["measured_at", "place", "sensor", *columns])


def _columns(quantities: set[object], step: str) -> list[str]:
    names = [measure.column for quantity, measure in MEASURES.items() if quantity in quantities]
    if step == "raw":
        return names
    return [f"{name}_{part}" for name in names for part in ("n", "low", "mean", "high")]


def _part(
    reader: Reader, series: Series, series_id: int, start_ms: int, end_ms: int, step: str
) -> pd.DataFrame:
    """Table of one series in a window, by time."""
    import pandas as pd

    column = MEASURES[series.quantity].column
    if step == "raw":
        ts_ms, values = reader.readings(series_id, start_ms, end_ms)
        return pd.DataFrame({column: values}, index=ts_ms)
    rows = reader.rollups(series_id, STEPS_S[step], start_ms, end_ms)
    rows = rows[rows["ts_ms"] >= start_ms]
    names = {f"{column}_{part}": rows[part] for part in ("n", "low", "mean", "high")}
    return pd.DataFrame(names, index=rows["ts_ms"])
