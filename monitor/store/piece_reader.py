"""Pieces of series read from the tables: newest reading, means, readings and rollups."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.core.clock import EVER_MS
from monitor.core.measurements import MEASURES
from monitor.store import corrected_series, many_series, retention
from monitor.store.many_series import ROLLUP
from monitor.store.rollups import TEN_MINUTES_S

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from monitor.store.connection import StoreConnection
    from monitor.store.corrected_series import Piece

_OF_WINDOWS = (
    "SELECT ts_ms, n, low, total, high FROM rollup "
    "WHERE series_id = ? AND period_s = ? AND ts_ms >= ? AND ts_ms < ? ORDER BY ts_ms"
)
_OF_READINGS = (
    "SELECT ?, count(*), min(value), sum(value), max(value) FROM reading "
    "WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ? HAVING count(*) > 0"
)
_OF_TEN_MINUTES = (
    "SELECT ?, sum(n), min(low), sum(total), max(high) FROM rollup "
    "WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ? AND period_s = ? HAVING count(*) > 0"
)


class PieceReader:
    """Reads pieces of series. `cleared`: by the id of a series, the time before which only its means
    of ten minutes are kept. [ms since 1970-01-01 UTC]"""

    def __init__(self, connection: StoreConnection) -> None:
        self._connection = connection
        self.cleared: dict[int, int] = {}

    def newest(self, piece: Piece, until_ms: int) -> tuple[int, float] | None:
        """Corrected newest reading of a piece up to and with `until_ms`, or mean of ten minutes where
        its readings are cleared; None if it has neither."""
        until_ms = min(piece.until_ms, until_ms + 1)
        row = self._connection.row(
            "SELECT ts_ms, value FROM reading WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ? "
            "ORDER BY ts_ms DESC LIMIT 1",
            (piece.series_id, piece.from_ms, until_ms),
        )
        limit = min(self.cleared.get(piece.series_id, piece.from_ms), until_ms)
        if row is None and piece.from_ms < limit:
            kept = retention.span(self._connection, piece.series_id, piece.from_ms, limit)
            if kept is None:
                return None
            (at,), (mean,) = self.means(piece, kept[1], kept[1] + 1)
            return int(at), float(mean)
        if row is None or piece.correction is None:
            return row
        measure, value = (
            MEASURES[piece.correction.quantity],
            piece.correction.fit.corrected(row[1]),
        )
        return row[0], min(max(float(value), measure.low), measure.high)

    def means(
        self, piece: Piece, start_ms: int, end_ms: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Middles [ms] and means of the ten minutes of a piece in [start, end)."""
        table = self.rollups(piece, TEN_MINUTES_S, start_ms, end_ms)
        middle = table["ts_ms"] + 500 * TEN_MINUTES_S
        within = (middle >= start_ms) & (middle < end_ms)
        return middle[within], table["mean"][within]

    def readings(self, series_id: int, start_ms: int, end_ms: int) -> NDArray[np.void]:
        """Readings of a series as stored, in [start, end), by time: fields `ts_ms` and `value`."""
        return self._connection.table(
            "SELECT ts_ms, value FROM reading "
            "WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ? ORDER BY ts_ms",
            (series_id, start_ms, end_ms),
            [("ts_ms", "i8"), ("value", "f8")],
        )

    def rollups(self, piece: Piece, period_s: int, start_ms: int, end_ms: int) -> NDArray[np.void]:
        """Rollups of one piece: whole buckets as stored, its first and last from readings."""
        series_id, from_ms, until_ms, correction = piece
        step = 1000 * period_s
        first, last = -(-from_ms // step) * step, until_ms // step * step
        whole = (series_id, period_s, max(start_ms - step + 1, first), min(end_ms, last))
        table = many_series.divided(self._connection.table(_OF_WINDOWS, whole, ROLLUP))
        edges = {
            (max(bucket, from_ms), min(bucket + step, until_ms), bucket)
            for bucket, cut in ((first - step, first != from_ms), (last, last != until_ms))
            if cut and start_ms - step < bucket < end_ms
        }
        if edges:
            parts = [table]
            for low, high, bucket in edges:
                of = _OF_READINGS
                values: tuple[int, ...] = (bucket, series_id, low, high)
                if bucket < self.cleared.get(series_id, -EVER_MS):  # to ten minutes
                    ends = high - 1000 * TEN_MINUTES_S + 1
                    of, values = _OF_TEN_MINUTES, (bucket, series_id, low, ends, TEN_MINUTES_S)
                parts.append(many_series.divided(self._connection.table(of, values, ROLLUP)))
            table = merged(parts)
        if correction is not None:
            columns = corrected_series.correct(
                correction, [table[name] for name in ("low", "mean", "high")]
            )
            for name, column in zip(("low", "mean", "high"), columns, strict=True):
                table[name] = column
        return table


def joined(
    parts: list[tuple[NDArray[np.int64], NDArray[np.float64]]],
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Readings of several pieces by time; where two have the same time, the first piece's."""
    import numpy as np

    if not parts:
        return np.empty(0, np.int64), np.empty(0)
    ts, first = np.unique(np.concatenate([ts for ts, _ in parts]), return_index=True)
    return ts, np.concatenate([values for _, values in parts])[first]


def merged(tables: list[NDArray[np.void]]) -> NDArray[np.void]:
    """Rollups of several pieces by time, those of one bucket as one."""
    import numpy as np

    whole = np.concatenate(tables) if tables else np.empty(0, ROLLUP)
    ts, place = np.unique(whole["ts_ms"], return_inverse=True)
    if len(ts) == len(whole):
        return whole[np.argsort(whole["ts_ms"])]
    found = np.zeros(len(ts), ROLLUP)
    found["ts_ms"], found["low"], found["high"] = ts, np.inf, -np.inf
    np.add.at(found["n"], place, whole["n"])
    np.add.at(found["mean"], place, whole["mean"] * whole["n"])
    found["mean"] /= found["n"]
    np.minimum.at(found["low"], place, whole["low"])
    np.maximum.at(found["high"], place, whole["high"])
    return found
