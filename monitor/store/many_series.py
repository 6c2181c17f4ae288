"""Rows of many series by a few queries, where a query for each would cost more than its rows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from monitor.store.connection import StoreConnection

ROLLUP = [("ts_ms", "i8"), ("n", "i8"), ("low", "f8"), ("mean", "f8"), ("high", "f8")]
"""Columns of rollups as they are read."""
LATENESS = [("hour_ms", "i8"), ("least_s", "f8")]
AT_ONCE = 3_000
"""Most series of one query. PostgreSQL reads the pages of a span again for each query."""
_ROLLUPS = """
SELECT ts_ms, n, low, total, high, series_id FROM rollup
WHERE series_id IN ({}) AND period_s = ? AND ts_ms >= ? AND ts_ms < ?
"""
_SUMS = """
SELECT series_id, CAST(sum(n) AS bigint), sum(total) FROM rollup
WHERE series_id IN ({}) AND period_s = ? AND ts_ms >= ? AND ts_ms < ? GROUP BY series_id
"""
_LATENESS = """
SELECT place, sensor, hour_ms, least_ms / 1000.0 FROM lateness
WHERE (place, sensor) IN (VALUES {}) AND hour_ms > ? AND hour_ms < ?
ORDER BY place, sensor, hour_ms
"""
_OFF_TIME = """
SELECT DISTINCT place, sensor FROM lateness
WHERE (place, sensor) IN (VALUES {}) AND hour_ms > ? AND (least_ms >= ? OR least_ms <= ?)
"""
_One = TypeVar("_One")


def rollups(
    connection: StoreConnection,
    series_ids: Sequence[int],
    period_s: int,
    start_ms: int,
    end_ms: int,
) -> dict[int, NDArray[np.void]]:
    """Rollups that begin in [start, end) by time, of each series that has any."""
    import numpy as np  # only readers need it

    found = {}
    for part in _parts(series_ids):
        sql = _ROLLUPS.format(", ".join("?" * len(part)))
        values = (*part, period_s, start_ms, end_ms)
        table = divided(connection.table(sql, values, [*ROLLUP, ("series_id", "i8")]))
        # PostgreSQL would sort so many on the disk.
        table = table[np.lexsort((table["ts_ms"], table["series_id"]))]
        ids, starts = np.unique(table["series_id"], return_index=True)
        ends = [*starts, len(table)][1:]
        columns = np.empty(len(table), ROLLUP)
        for name, _ in ROLLUP:
            columns[name] = table[name]
        for series_id, start, end in zip(ids.tolist(), starts, ends, strict=True):
            found[series_id] = columns[start:end]
    return found


def none() -> NDArray[np.void]:
    """No rollups."""
    import numpy as np

    return np.empty(0, ROLLUP)


def joined(first: NDArray[np.void], then: NDArray[np.void]) -> NDArray[np.void]:
    """Rollups of a series, and later ones. As bytes, since by columns it costs ten times as much."""
    import numpy as np

    as_bytes = f"V{first.dtype.itemsize}"
    return np.concatenate((first.view(as_bytes), then.view(as_bytes))).view(first.dtype)


def sums(
    connection: StoreConnection,
    series_ids: Sequence[int],
    period_s: int,
    start_ms: int,
    end_ms: int,
) -> dict[int, tuple[int, float]]:
    """Number and sum of the readings in the rollups that begin in [start, end), of each series that
    has any."""
    found: dict[int, tuple[int, float]] = {}
    for part in _parts(series_ids):
        sql = _SUMS.format(", ".join("?" * len(part)))
        rows = connection.rows(sql, (*part, period_s, start_ms, end_ms))
        found |= {series_id: (n, total) for series_id, n, total in rows}
    return found


def divided(table: NDArray[np.void]) -> NDArray[np.void]:
    """Rollups that were read with their sums as means. PostgreSQL fails to divide the least numbers."""
    table["mean"] /= table["n"]
    return table


def lateness(
    connection: StoreConnection, topics: Sequence[tuple[str, str]], after_ms: int, before_ms: int
) -> dict[tuple[str, str], NDArray[np.void]]:
    """Lateness by hours of arrival between two times, of each topic (place, sensor) that has any."""
    import numpy as np

    found = {}
    for part in _parts(topics):
        rows = connection.rows(*_of_topics(_LATENESS, part, after_ms, before_ms))
        for topic, hours in groupby(rows, key=lambda row: (row[0], row[1])):
            found[topic] = np.array([row[2:] for row in hours], dtype=LATENESS)
    return found


def off_time(
    connection: StoreConnection,
    topics: Sequence[tuple[str, str]],
    after_ms: int,
    slow_ms: float,
    fast_ms: float,
) -> set[tuple[str, str]]:
    """Topics with an hour after a time whose least lateness is `slow_ms` or more, or early by
    `fast_ms` or more."""
    return {
        (place, sensor)
        for part in _parts(topics)
        for place, sensor in connection.rows(
            *_of_topics(_OFF_TIME, part, after_ms, slow_ms, -fast_ms)
        )
    }


def _of_topics(
    sql: str, topics: Sequence[tuple[str, str]], *values: float
) -> tuple[str, tuple[Any, ...]]:
    """A statement about some topics, and its values."""
    names = [name for topic in topics for name in topic]
    return sql.format(", ".join(["(?, ?)"] * len(topics))), (*names, *values)


def _parts(every: Sequence[_One]) -> Iterator[Sequence[_One]]:
    """Parts of few lengths: a power of two, or `AT_ONCE`. The last item is repeated to fill one, which
    adds no row. An engine keeps each statement, SQLite 0.5 MB for one of 3,000 series."""
    for start in range(0, len(every), AT_ONCE):
        part = every[start : start + AT_ONCE]
        size = min(1 << (len(part) - 1).bit_length(), AT_ONCE)
        yield [*part, *[part[-1]] * (size - len(part))]
