"""Many rows at once for PostgreSQL: the binary form of COPY, rollups, and columns as arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from monitor.store.connection import Columns

_TYPES = {"i8": "bigint", "f8": "float8"}
_ARRAY_HEAD = 20
"""Size of what precedes the elements of an array of one dimension. [bytes]"""
_COPY_HEAD, _COPY_END = b"PGCOPY\n\xff\r\n\0" + bytes(8), b"\xff\xff"
_COPY_ROW = np.dtype(
    [("fields", ">i2")]
    + [
        part
        for name, kind in (("series_id", ">i8"), ("ts_ms", ">i8"), ("value", ">f8"))
        for part in ((f"{name}_size", ">i4"), (name, kind))
    ]
)
"""A reading as COPY wants it in its binary form."""


def copy_content(
    series: NDArray[np.int64], at: NDArray[np.int64], values: NDArray[np.float64]
) -> bytes:
    """Readings as COPY takes them."""
    table = np.empty(len(series), _COPY_ROW)
    table["fields"] = 3
    for name, column in (("series_id", series), ("ts_ms", at), ("value", values)):
        table[name], table[f"{name}_size"] = column, 8
    return bytes(_COPY_HEAD + table.tobytes() + _COPY_END)


def as_arrays(sql: str, columns: Columns) -> str:
    """A query that gives each column of another as one array, without NULL."""
    every = (f"array_agg({name}::{_TYPES[kind]})" for name, kind in columns)
    names = ", ".join(name for name, _ in columns)
    return f"SELECT {', '.join(every)} FROM ({sql}) AS found ({names})"  # noqa: S608 - ours


def table(arrays: Sequence[bytes | None], columns: Columns) -> NDArray[np.void]:
    """Rows from the answer to such a query, in binary form. An array's elements follow its head, each
    after its size."""
    if arrays[0] is None:
        return np.empty(0, list(columns))
    found = np.empty((len(arrays[0]) - _ARRAY_HEAD) // 12, list(columns))
    for (name, kind), array in zip(columns, arrays, strict=True):
        element = [("size", ">i4"), (name, f">{kind}")]
        found[name] = np.frombuffer(array or b"", element, offset=_ARRAY_HEAD)[name]
    return found


def array_content(column: NDArray[Any]) -> bytes:
    """A column as an array in binary form, the reverse of `table`."""
    kind, type_id = ("f8", 701) if column.dtype.kind == "f" else ("i8", 20)
    elements = np.empty(len(column), [("size", ">i4"), ("value", f">{kind}")])
    elements["size"], elements["value"] = 8, column
    return np.array([1, 0, type_id, len(column), 1], ">i4").tobytes() + elements.tobytes()


def windows(
    series: NDArray[np.int64],
    at: NDArray[np.int64],
    values: NDArray[np.float64],
    periods_s: Iterable[int],
) -> list[list[NDArray[Any]]]:
    """Columns of the rollups of readings, for each period."""
    order = np.lexsort((at, series))
    series, at, values = series[order], at[order], values[order]
    found = []
    for period_s in periods_s:
        start = at - at % (1000 * period_s)
        new = (np.diff(series) != 0) | (np.diff(start) != 0)
        first = np.flatnonzero(np.append(True, new))
        columns = [
            series[first],
            np.full(len(first), period_s),
            start[first],
            np.diff(first, append=len(at)),
            np.minimum.reduceat(values, first),
            np.add.reduceat(values, first),
            np.maximum.reduceat(values, first),
        ]
        found.append(columns)
    return found
