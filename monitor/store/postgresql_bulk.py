"""Many readings at once for PostgreSQL: the binary form of COPY, and their rollups."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

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


def windows(
    series: NDArray[np.int64], at: NDArray[np.int64], values: NDArray[np.float64], period_s: int
) -> list[list[Any]]:
    """Columns of the rollups of readings, which are by series and time."""
    start = at - at % (1000 * period_s)
    new = (np.diff(series) != 0) | (np.diff(start) != 0)
    first = np.flatnonzero(np.append(True, new))
    return [
        series[first].tolist(),
        [period_s] * len(first),
        start[first].tolist(),
        np.diff(first, append=len(at)).tolist(),
        np.minimum.reduceat(values, first).tolist(),
        np.add.reduceat(values, first).tolist(),
        np.maximum.reduceat(values, first).tolist(),
    ]
