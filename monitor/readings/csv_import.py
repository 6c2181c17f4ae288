"""Readings from a logger's CSV file, with every column, unit and time zone named by the user.

Nothing is guessed and no line is read in part: each is either read, or rejected with its number and
the reason. A dry run shows both before anything is stored.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from monitor.core import files
from monitor.core.clock import from_ms
from monitor.core.errors import ImportFault
from monitor.core.measurements import BY_HAND, MEASURES, Quantity, Reading, Series, new_name_fault
from monitor.core.units import UNITS, allowed

EARLIEST = pd.Timestamp("1970-01-02", tz="UTC")
"""Earlier times come from a clock that was never set."""


class Column(NamedTuple):
    """A column to take: what it measures, in which unit, and its name in the header."""

    quantity: Quantity
    unit: str
    name: str

    @classmethod
    def parse(cls, text: str) -> Column:
        """Parse `quantity:unit:column name`, such as `temperature:Cel:Temp (C)`.

        Raises
        ------
        ImportFault
            If the quantity or the unit is not known.
        """
        parts = text.split(":", 2)
        if len(parts) != 3 or not parts[2]:
            raise ImportFault(f"{text!r} must be quantity:unit:column, as temperature:Cel:Temp")
        if parts[0] not in list(Quantity):
            raise ImportFault(f"quantity {parts[0]!r} must be one of {', '.join(Quantity)}")
        quantity = Quantity(parts[0])
        if parts[1] not in UNITS[quantity]:
            raise ImportFault(
                f"unit {parts[1]!r} does not fit {quantity}: must be one of {allowed(quantity)}"
            )
        return cls(quantity, parts[1], parts[2])


@dataclass(frozen=True, kw_only=True)
class ImportPlan:
    """Plan for reading a logger's file.

    `time_columns` are joined by a space before they are read. `time_format` is a strptime
    pattern, `iso` (ISO 8601), or `s` or `ms` (since 1970-01-01 UTC). `zone` is the zone of times
    that carry none.
    """

    place: str
    sensor: str
    columns: tuple[Column, ...]
    time_columns: tuple[str, ...]
    time_format: str = "iso"
    zone: ZoneInfo | None = None
    decimal: str = "."
    delimiter: str = ","
    encoding: str = "utf-8-sig"
    skip_lines: int = 0


class RefusedLine(NamedTuple):
    """A rejected line, or one rejected value of it. `line` counts from 1."""

    line: int
    reason: str


class ParsedFile(NamedTuple):
    """The content of a file. `values` maps each series to times [ms since 1970-01-01 UTC] and values,
    by line."""

    lines: int
    values: dict[Series, tuple[np.ndarray, np.ndarray]]
    refused: list[RefusedLine]

    @property
    def total(self) -> int:
        return sum(len(ts_ms) for ts_ms, _ in self.values.values())

    def span(self) -> str:
        """First and last time, in words."""
        times = [ts_ms for ts_ms, _ in self.values.values() if len(ts_ms)]
        if not times:
            return "nothing"
        first, last = min(t.min() for t in times), max(t.max() for t in times)
        return " to ".join(from_ms(int(t)).isoformat(timespec="seconds") for t in (first, last))

    def batches(self, size: int) -> Iterator[list[Reading]]:
        """The readings, `size` at a time."""
        for series, (ts_ms, values) in self.values.items():
            for i in range(0, len(ts_ms), size):
                pairs = zip(
                    ts_ms[i : i + size].tolist(), values[i : i + size].tolist(), strict=True
                )
                yield [Reading(series, t, v) for t, v in pairs]


def read_csv(
    path: Path, plan: ImportPlan, *, now_ms: int, content: bytes | None = None
) -> ParsedFile:
    """Read a file as planned; nothing is stored.

    Parameters
    ----------
    path : Path
    plan : ImportPlan
    now_ms : int
        The present: later times are rejected. [ms since 1970-01-01 UTC]
    content : bytes, optional
        Of the file, where it is not on this disk: `path` is then only its name.

    Raises
    ------
    ImportFault
        If the file, its header or the plan does not fit; lines that do not are in the result.
    """
    for what, name in (("place", plan.place), ("sensor", plan.sensor)):
        if fault := new_name_fault(name):
            raise ImportFault(f"{what} {name!r} {fault}")
    if plan.sensor == BY_HAND:
        raise ImportFault(f"sensor {BY_HAND!r} is for readings that a person types: name another")
    for what, sign in (("delimiter", plan.delimiter), ("decimal sign", plan.decimal)):
        if len(sign) != 1 or sign in '\r\n"\0':
            raise ImportFault(f"{what} {sign!r} must be one character, such as , or ;")
    if plan.decimal.isalnum() or plan.decimal in "+-":
        raise ImportFault(f"decimal sign {plan.decimal!r} is part of a number: must be . or ,")
    if not plan.columns:
        raise ImportFault("no column is named: name at least one, such as temperature:Cel:Temp")
    taken = [column.quantity for column in plan.columns]
    if twice := {quantity for quantity in taken if taken.count(quantity) > 1}:
        raise ImportFault(f"{', '.join(sorted(twice))} is named for two columns: name only one")
    table, numbers, refused = _table(path, plan, content)
    moments = _moments(table, plan)
    _refuse_times(moments, table, plan, numbers, refused, now_ms)
    ts_ms = moments.dt.as_unit("ms").astype("int64").to_numpy()
    timed = moments.notna().to_numpy()
    values: dict[Series, tuple[np.ndarray, np.ndarray]] = {}
    for column in plan.columns:
        kept = _values(table[column.name], column, plan, numbers, refused, timed)
        taken = timed & np.isfinite(kept)
        series = Series(plan.place, plan.sensor, column.quantity)
        values[series] = (ts_ms[taken], kept[taken])
    return ParsedFile(len(table), values, sorted(set(refused)))


def _table(
    path: Path, plan: ImportPlan, content: bytes | None
) -> tuple[pd.DataFrame, np.ndarray, list[RefusedLine]]:
    """The file as text, the line number of each row, and the rows that do not fit the header."""
    refused: list[RefusedLine] = []
    rows, numbers, number = [], [], 0
    try:
        with io.TextIOWrapper(
            io.BytesIO(content)
            if content is not None
            else files.open_plain(path, files.TABLE_MAX),
            encoding=plan.encoding,
            newline="",
        ) as file:
            lines = files.bounded_lines(file, path)
            for _ in itertools.islice(lines, plan.skip_lines):
                pass
            reader = csv.reader(lines, delimiter=plan.delimiter, strict=True)
            header = [name.strip() for name in next(reader, [])]
            _check_header(header, path, plan)
            number = reader.line_num + plan.skip_lines
            for row in reader:
                first, number = number + 1, reader.line_num + plan.skip_lines
                if number > first:
                    refused.append(RefusedLine(first, f"a quoted field runs on to line {number}"))
                elif len(row) == len(header):
                    rows.append(row)
                    numbers.append(number)
                elif any(row):
                    refused.append(
                        RefusedLine(
                            number, f"{len(row)} fields where the header has {len(header)}"
                        )
                    )
    except OSError as exc:
        raise ImportFault(f"{path}: {exc.strerror}") from exc
    except UnicodeDecodeError as exc:
        raise ImportFault(
            f"{path} is not {plan.encoding} text ({exc.reason} at byte {exc.start}): "
            "name its encoding, such as cp1252"
        ) from exc
    except csv.Error as exc:
        raise ImportFault(
            f"{path}, from line {number + 1}: {exc}; is a quote left open there?"
        ) from exc
    except (LookupError, files.FileFault) as exc:
        raise ImportFault(
            str(exc) if isinstance(exc, files.FileFault) else f"{path}: {exc}"
        ) from exc
    return pd.DataFrame(rows, columns=header, dtype=str), np.array(numbers, dtype=int), refused


def _check_header(header: Sequence[str], path: Path, plan: ImportPlan) -> None:
    if not header:
        raise ImportFault(f"{path} has no header line")
    if len(header) > files.COLUMNS_MAX:
        raise ImportFault(
            f"{path}: its header has {len(header)} columns: must be at most {files.COLUMNS_MAX}"
        )
    wanted = [*plan.time_columns, *(column.name for column in plan.columns)]
    missing = [name for name in wanted if name not in header]
    if missing:
        hint = ""
        if len(header) == 1:
            other = next((d for d in ";\t," if d != plan.delimiter and d in header[0]), None)
            hint = f"; is the delimiter {other!r}?" if other else ""
        raise ImportFault(
            f"{path} has no column {', '.join(map(repr, missing))}: "
            f"its header has {', '.join(map(repr, header[:40]))[:500]}{hint}"
        )
    if twice := {name for name in wanted if header.count(name) > 1}:
        raise ImportFault(
            f"{path}: column {', '.join(map(repr, twice))} occurs twice in the header"
        )


def _moments(table: pd.DataFrame, plan: ImportPlan) -> pd.Series:
    """Times as UTC; NaT where one cannot be read."""
    text = table[plan.time_columns[0]]
    for name in plan.time_columns[1:]:
        text = text + " " + table[name]
    text = text.str.strip()
    if not len(text):
        return pd.to_datetime(text, utc=True)
    if plan.time_format in ("s", "ms"):
        numbers = pd.to_numeric(text.str.replace(plan.decimal, "."), errors="coerce")
        scaled = (numbers * (1000 if plan.time_format == "s" else 1)).round()
        return pd.to_datetime(
            scaled.where(scaled.abs() < 1e14), unit="ms", utc=True, errors="coerce"
        )
    layout = "ISO8601" if plan.time_format == "iso" else plan.time_format
    if layout == "ISO8601":
        zoned = text.str.contains(r"(?:Z|[+-]\d\d:?\d\d)$")
    else:
        zoned = pd.Series("%z" in layout, index=text.index)
    try:
        with_zone = pd.to_datetime(text.where(zoned), format=layout, utc=True, errors="coerce")
        naive = pd.to_datetime(text.where(~zoned), format=layout, errors="coerce")
    except (ValueError, re.error) as exc:  # the latter for a part that stands there twice
        raise ImportFault(f"time format {plan.time_format!r}: {exc}") from exc
    if not naive.notna().any():
        return with_zone
    if plan.zone is None:
        raise ImportFault(
            "some times have no time zone: name the logger's, such as Europe/Paris or UTC"
        )
    try:
        local = naive.dt.tz_localize(plan.zone, ambiguous="infer", nonexistent="NaT")
    except ValueError:  # the repeated hour does not stand in order: which is which is unknown
        local = naive.dt.tz_localize(plan.zone, ambiguous="NaT", nonexistent="NaT")
    return with_zone.fillna(local.dt.tz_convert("UTC"))


def _refuse_times(
    moments: pd.Series,
    table: pd.DataFrame,
    plan: ImportPlan,
    numbers: np.ndarray,
    refused: list[RefusedLine],
    now_ms: int,
) -> None:
    """Set impossible times to NaT, and list the reason for each NaT."""
    latest = pd.Timestamp(now_ms, unit="ms", tz="UTC") + pd.Timedelta(minutes=5)
    ahead = (moments > latest).to_numpy()
    early = (moments < EARLIEST).to_numpy()
    unread = moments.isna().to_numpy()
    moments[ahead | early] = pd.NaT
    cells = [table[name].tolist() for name in plan.time_columns]
    where = f" in {plan.zone}" if plan.zone else ""
    for i in np.flatnonzero(unread | ahead | early).tolist():
        text = " ".join(column[i] for column in cells)
        if unread[i]:
            why = (
                f"is not a time in the form {plan.time_format}{where}, "
                "or is in a clock change, when it occurs not at all or twice"
            )
        else:
            why = "is in the future" if ahead[i] else "is before 1970-01-02"
        refused.append(RefusedLine(int(numbers[i]), f"time {text!r} {why}"))


def _values(
    text: pd.Series,
    column: Column,
    plan: ImportPlan,
    numbers: np.ndarray,
    refused: list[RefusedLine],
    timed: np.ndarray,
) -> np.ndarray:
    """A column in the unit it is stored in; NaN where it is empty or rejected."""
    text = text.str.strip()
    if plan.decimal != ".":
        text = text.str.replace(".", "\0", regex=False).str.replace(plan.decimal, ".", regex=False)
    given = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float, copy=True)
    factor, offset = UNITS[column.quantity][column.unit]
    kept = given * factor + offset
    measure = MEASURES[column.quantity]
    with np.errstate(invalid="ignore"):
        outside = ~((kept >= measure.low) & (kept <= measure.high))
    present = (text != "").to_numpy()
    cells = text.tolist()
    for i in np.flatnonzero(outside & present & timed).tolist():
        shown = cells[i].replace(".", plan.decimal).replace("\0", ".")
        if np.isnan(given[i]):
            why = f"{column.name} {shown!r} is not a number with decimal {plan.decimal!r}"
        else:
            why = (
                f"{column.name} {shown} {column.unit}: {column.quantity} must be "
                f"{measure.low:g} to {measure.high:g} {measure.unit}"
            )
        refused.append(RefusedLine(int(numbers[i]), why))
    kept[outside] = np.nan
    return kept
