"""Rollups: kept by adding each new reading to its windows, and recounted from the readings.

A window's cost is the same however many readings it has, and however many series there are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from monitor.core.clock import EVER_MS
from monitor.core.measurements import Quantity, Series

if TYPE_CHECKING:
    from monitor.store.connection import Cursor
    from monitor.store.reader import Reader
    from monitor.store.writer import Writer

TEN_MINUTES_S, HOUR_S = 600, 3600
"""Spans that rollups are kept for, aligned to the UTC epoch. [s]"""
SUM_TOLERANCE = 1e-9
"""Largest relative difference of two sums of the same values that were added in another order."""

MERGED = """
ON CONFLICT (series_id, period_s, ts_ms) DO UPDATE SET
  n = rollup.n + excluded.n, total = rollup.total + excluded.total,
  low = CASE WHEN excluded.low < rollup.low THEN excluded.low ELSE rollup.low END,
  high = CASE WHEN excluded.high > rollup.high THEN excluded.high ELSE rollup.high END
"""
"""The end of an INSERT of rollups: those of windows that are there are added to them."""
_ADD = f"""
INSERT INTO rollup (series_id, period_s, ts_ms, n, low, total, high) VALUES (?, ?, ?, ?, ?, ?, ?)
{MERGED}"""  # noqa: S608 - a constant
FLOORED = "ts_ms - (ts_ms % {0} + {0}) % {0}"
"""Start of the window of a reading, also before 1970: SQL's remainder has the sign of the time."""
_COUNTED = (
    f"SELECT {FLOORED.format('?')} AS window_ms, count(*), min(value), sum(value), max(value) "  # noqa: S608 - constants
    "FROM reading WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ? GROUP BY window_ms"
)
_LIMIT = "SELECT until_ms FROM retention WHERE series_id = ?"
_STORED = (
    "SELECT ts_ms, n, low, total, high FROM rollup "
    "WHERE series_id = ? AND period_s = ? AND ts_ms >= ? AND ts_ms < ?"
)


class Window(NamedTuple):
    """Number of readings of a window, the lowest value, the sum and the highest."""

    n: int
    low: float
    total: float
    high: float

    def agrees(self, other: Window | None) -> bool:
        """Return whether both are of the same readings."""
        if other is None or (self.n, self.low, self.high) != (other.n, other.low, other.high):
            return False
        largest = self.n * max(abs(self.low), abs(self.high))
        return abs(self.total - other.total) <= SUM_TOLERANCE * largest


class Disagreement(NamedTuple):
    """Window whose rollup is not that of its readings; None: there is no rollup, or no reading."""

    series: Series
    series_id: int
    period_s: int
    ts_ms: int
    stored: Window | None
    counted: Window | None


class Recount(NamedTuple):
    """Number of windows that were recounted, and those that disagree."""

    windows: int
    disagreements: list[Disagreement]


def add(run: Cursor, rows: Sequence[tuple[int, int, float]]) -> None:
    """Within a transaction: add new readings, (series id, ms, value), to their windows.

    A reading that was stored before must not be among them.
    """
    for period_s in (TEN_MINUTES_S, HOUR_S):
        step = 1000 * period_s
        windows: dict[tuple[int, int], list[float]] = {}
        for series_id, ts_ms, value in rows:
            key = (series_id, ts_ms - ts_ms % step)
            values = windows.get(key)
            if values is None:
                windows[key] = [value]
            else:
                values.append(value)
        run.executemany(
            _ADD,
            [
                (series_id, period_s, ts_ms, len(v), min(v), sum(v), max(v))
                for (series_id, ts_ms), v in windows.items()
            ],
        )


def recount(store: Reader | Writer, start_ms: int, end_ms: int) -> Recount:
    """Compare the rollups of the whole windows that overlap [start, end) with their readings. [ms]

    Each series is read in one look, so the service may go on storing. Windows of cleared readings
    (`retention`) are left out.
    """
    windows, found = 0, []
    for period_s in (TEN_MINUTES_S, HOUR_S):
        step = 1000 * period_s
        first, high = start_ms - start_ms % step, -(-end_ms // step) * step
        for series, series_id in _series(store):
            low = max(first, _cleared_ms(store.connection.row(_LIMIT, (series_id,))))
            rows = store.connection.rows(
                f"SELECT 1, * FROM ({_COUNTED}) AS counted UNION ALL SELECT 0, * FROM ({_STORED}) AS s",  # noqa: S608 - constants of this module
                (step, step, step, series_id, low, high, series_id, period_s, low, high),
            )
            counted = {ts_ms: Window(*rest) for of, ts_ms, *rest in rows if of}
            stored = {ts_ms: Window(*rest) for of, ts_ms, *rest in rows if not of}
            low = _cleared_ms(store.connection.row(_LIMIT, (series_id,)))  # cleared meanwhile
            every = sorted(ts_ms for ts_ms in counted.keys() | stored.keys() if ts_ms >= low)
            windows += len(every)
            for ts_ms in every:
                was, now = stored.get(ts_ms), counted.get(ts_ms)
                if now is None or not now.agrees(was):
                    found.append(Disagreement(series, series_id, period_s, ts_ms, was, now))
    return Recount(windows, found)


def rewrite(run: Cursor, wrong: Iterable[Disagreement]) -> int:
    """Within a transaction: make these rollups anew, from the readings that are there now; not those
    whose readings were cleared meanwhile. Returns how many."""
    number = 0
    for _, series_id, period_s, ts_ms, _, _ in wrong:
        if ts_ms < _cleared_ms(run.execute(_LIMIT, (series_id,)).fetchone()):
            continue
        number += 1
        run.execute(
            "DELETE FROM rollup WHERE series_id = ? AND period_s = ? AND ts_ms = ?",
            (series_id, period_s, ts_ms),
        )
        step = 1000 * period_s
        run.execute(_COUNTED, (step, step, step, series_id, ts_ms, ts_ms + step))
        if (row := run.fetchone()) is not None:
            run.execute(_ADD, (series_id, period_s, *row))
    return number


def _cleared_ms(limit: tuple[int] | None) -> int:
    return limit[0] if limit else -EVER_MS


def _series(store: Reader | Writer) -> Iterator[tuple[Series, int]]:
    for place, sensor, quantity, series_id in store.connection.rows(
        "SELECT place, sensor, quantity, series_id FROM series ORDER BY place, sensor, quantity"
    ):
        yield Series(place, sensor, Quantity(quantity)), series_id
