"""Tables of CSV files, read into numbers and moments, or refused with line and reason."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from monitor.core.csv_text import restored
from monitor.core.errors import ImportFault
from monitor.core.files import FileFault, open_table
from monitor.science.ranges import Floats

TEMP_C = (-45.0, 60.0)
SATURATED_PCT = 105.0
"""RH up to here is a sensor's or a model's way to say saturated, and taken as 100. [%]"""


def table(path: Path, columns: tuple[str, ...]) -> pd.DataFrame:
    """Rows of a CSV file as text; a missing column of `columns` or an empty file is refused."""
    try:
        with open_table(path) as file:
            table = pd.read_csv(file, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except FileFault as exc:
        raise ImportFault(str(exc)) from exc
    except pd.errors.EmptyDataError as exc:
        raise ImportFault(f"{path} has no header line") from exc
    except pd.errors.ParserError as exc:
        raise ImportFault(f"{path}: {exc}") from exc
    except UnicodeDecodeError as exc:
        raise ImportFault(f"{path} is not UTF-8 text ({exc.reason} at byte {exc.start})") from exc
    table.columns = table.columns.str.strip()
    if "place" in table.columns:  # as our own export writes it
        table["place"] = table["place"].map(restored)
    if missing := [name for name in columns if name not in table.columns]:
        header = ", ".join(table.columns)
        parted = next((name for mark, name in _MARKS.items() if mark in header), "")
        why = (
            f"; its columns are separated by {parted}: must be separated by commas"
            if parted
            else ""
        )
        raise ImportFault(
            f"{path} has no column {', '.join(missing)}: must be {','.join(columns)}; "
            f"its header has {header[:200]}{why}"
        )
    if not len(table):
        raise ImportFault(f"{path} has no rows")
    return table


_MARKS = {";": "semicolons", "\t": "tabs", "|": "bars"}
_TIMES = "must be ISO 8601 in UTC or with its offset, such as 2026-01-31T14:30:00Z"
YEARS = (1970, 2199)


def moments(path: Path, text: pd.Series, column: str) -> np.ndarray:
    """Nanoseconds since 1970-01-01 UTC."""
    text = text.str.strip().str.replace("z", "Z")
    zoned = text.str.contains(r"(?:Z|\d[+-]\d\d:?\d\d)$")
    if not zoned.all():
        i = int(np.argmin(zoned.to_numpy()))
        raise ImportFault(
            f"{path}, line {i + 2}: {column} {text.iloc[i]!r:.60} has no time zone: {_TIMES}"
        )
    try:
        moments = pd.to_datetime(text, format="ISO8601", utc=True, errors="coerce")
        known = moments.dt.as_unit("ns")
        good = ~known.isna() & (known.dt.year.between(*YEARS))
    except pd.errors.OutOfBoundsDatetime:
        years = text.str.slice(0, 4)
        good = years.between(str(YEARS[0]), str(YEARS[1])) & ~moments.isna()
    if (bad := np.flatnonzero(~good.to_numpy())).size:
        i = int(bad[0])
        raise ImportFault(
            f"{path}, line {i + 2}: {column} {text.iloc[i]!r:.60} is not a time from {YEARS[0]} to "
            f"{YEARS[1]}: {_TIMES}"
        )
    return known.astype("int64").to_numpy()


def numbers(path: Path, table: pd.DataFrame, column: str) -> Floats:
    """Values of a column; NaN where it is empty."""
    text = table[column].str.strip()
    values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, copy=True)
    wrong = np.flatnonzero(~np.isfinite(values) & ~text.isin(("", "nan", "NaN")).to_numpy())
    if wrong.size:
        i = int(wrong[0])
        raise ImportFault(f"{path}, line {i + 2}: {column} {text.iloc[i]!r} is not a number")
    return values


def believable(path: Path, temp: Floats, rh: Floats) -> None:
    """Refuses what lies outside, and whole columns in another unit."""
    low, high = TEMP_C
    if (bad := np.flatnonzero((temp < low) | (temp > high))).size:
        raise ImportFault(
            f"{path}, line {bad[0] + 2}: temp_c {temp[bad[0]]:g}: must be {low:g} to {high:g} °C; "
            "is the column in °F?"
        )
    if np.isnan(temp).all() or np.isnan(rh).all():
        raise ImportFault(
            f"{path}: {'temp_c' if np.isnan(temp).all() else 'rh_pct'} is empty in all rows"
        )
    if np.nanmedian(temp) > 42:
        raise ImportFault(
            f"{path}: half of temp_c is above 42 °C: must be °C; is the column in °F?"
        )
    if (bad := np.flatnonzero((rh < 0) | (rh > SATURATED_PCT))).size:
        raise ImportFault(f"{path}, line {bad[0] + 2}: rh_pct {rh[bad[0]]:g}: must be 0 to 100 %")
    if np.nanmax(rh) <= 1:
        raise ImportFault(
            f"{path}: no rh_pct is above 1: must be 0 to 100 %; is the column a fraction?"
        )
    np.clip(rh, 1.0, 100.0, out=rh)


def once(path: Path, keys: list[np.ndarray], values: list[Floats]) -> tuple[np.ndarray, list[str]]:
    """Rows (n,) of which each is the first for its keys, and notes on the others that differ."""
    table = pd.DataFrame(dict(enumerate(keys)))
    first = ~table.duplicated().to_numpy()
    if first.all():
        return np.arange(len(table)), []
    other = ~first & ~pd.concat([table, pd.DataFrame(values).T], axis=1).duplicated().to_numpy()
    if not other.any():
        return np.flatnonzero(first), []
    line = int(np.argmax(other)) + 2
    return np.flatnonzero(first), [
        f"{int(other.sum())} rows of {path.name} repeat a time, such "
        f"as line {line}: the first row of each time is used"
    ]


def member_numbers(path: Path, table: pd.DataFrame) -> np.ndarray:
    """Number of the member that each row is of, −1 for the forecast itself."""
    if "member" not in table:
        return np.full(len(table), -1)
    text = table["member"].str.strip()
    if (bad := np.flatnonzero(~text.str.fullmatch(r"[0-9]{0,4}"))).size:
        raise ImportFault(
            f"{path}, line {bad[0] + 2}: member {text.iloc[bad[0]]!r:.60} must be a whole number, or "
            "empty for the forecast itself"
        )
    return text.where(text != "", "-1").astype(int).to_numpy()
