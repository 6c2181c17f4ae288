"""The store: readings, their rollups and what was refused, in SQLite. All SQL is here.

One writer (`Writer`), any number of readers (`Reader`, read-only). The database is in WAL mode
with full synchronisation: what `Writer.write` returned for is on disk, and readers never wait.
The statements keep to what PostgreSQL also understands, but for the two lines marked `SQLite`.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from monitor import migrations
from monitor.errors import StoreFault, StoreUnavailable
from monitor.records import REFUSED_PAYLOAD_MAX, Quantity, Reading, Refusal, Series

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TEN_MINUTES_S, HOUR_S = 600, 3600
PERIODS_S = (TEN_MINUTES_S, HOUR_S)
"""Spans that rollups are kept for, aligned to the UTC epoch. [s]"""
BUSY_WAIT_S = 10.0
"""How long a write waits for another writer's transaction. [s]"""
TALLIES = ("messages", "readings", "repeats", "refused")
"""What is counted for ever, whatever is pruned."""

_RETRYABLE = {"SQLITE_FULL", "SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_READONLY", "SQLITE_CANTOPEN"}

_INSERT_READING = (
    "INSERT INTO reading (series_id, ts_ms, value) VALUES (?, ?, ?) ON CONFLICT DO NOTHING"
)
_ROLL_UP = """
INSERT INTO rollup (series_id, period_s, ts_ms, n, low, total, high)
SELECT series_id, ?1, ?2, count(*), min(value), sum(value), max(value)
FROM reading WHERE series_id = ?3 AND ts_ms >= ?2 AND ts_ms < ?2 + 1000 * ?1 GROUP BY series_id
ON CONFLICT (series_id, period_s, ts_ms) DO UPDATE
SET n = excluded.n, low = excluded.low, total = excluded.total, high = excluded.high
"""
_ROLL_UP_HOUR = f"""
INSERT INTO rollup (series_id, period_s, ts_ms, n, low, total, high)
SELECT series_id, {HOUR_S}, ?1, sum(n), min(low), sum(total), max(high) FROM rollup
WHERE series_id = ?2 AND period_s = {TEN_MINUTES_S} AND ts_ms >= ?1 AND ts_ms < ?1 + 1000 * {HOUR_S}
GROUP BY series_id
ON CONFLICT (series_id, period_s, ts_ms) DO UPDATE
SET n = excluded.n, low = excluded.low, total = excluded.total, high = excluded.high
"""  # noqa: S608 - constants of this module
_INSERT_REFUSED = (
    "INSERT INTO refused (received_ms, topic, payload, size, reason) VALUES (?, ?, ?, ?, ?)"
)
_ADD_TALLY = (
    "INSERT INTO tally (name, n) VALUES (?, ?) "
    "ON CONFLICT (name) DO UPDATE SET n = tally.n + excluded.n"
)
_REMEMBER = (
    "INSERT INTO delivered (packet_id, digest) VALUES (?, ?) "
    "ON CONFLICT (packet_id) DO UPDATE SET digest = excluded.digest"
)
_LATEST = """
SELECT series_id, place, sensor, quantity, ts_ms, value FROM series JOIN reading USING (series_id)
WHERE ts_ms = (SELECT max(ts_ms) FROM reading AS r WHERE r.series_id = series.series_id)
ORDER BY place, sensor, quantity
"""


class Stored(NamedTuple):
    """What became of a batch: readings that are new, and readings that were there already."""

    new: int
    repeated: int


class Latest(NamedTuple):
    """The newest reading of a series."""

    series_id: int
    reading: Reading


class KeptRefusal(NamedTuple):
    """A refused message as kept."""

    refused_id: int
    refusal: Refusal


@contextlib.contextmanager
def _translated(path: Path) -> Iterator[None]:
    """The driver's errors as ours."""
    try:
        yield
    except sqlite3.DatabaseError as exc:
        code = getattr(exc, "sqlite_errorname", "")
        text = f"{path}: {exc}"
        if code in _RETRYABLE or code.startswith("SQLITE_IOERR"):
            raise StoreUnavailable(text) from exc
        raise StoreFault(text) from exc


def _connect(path: Path, *, read_only: bool) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?mode={'ro' if read_only else 'rwc'}"
    connection = sqlite3.connect(
        uri, uri=True, isolation_level=None, check_same_thread=False, timeout=BUSY_WAIT_S
    )
    connection.execute("PRAGMA foreign_keys = ON")  # SQLite
    return connection


class Writer:
    """The one that writes. Not to be shared between threads without a lock of the caller's.

    Parameters
    ----------
    path : Path
        The database file; it and its folder are made, and its schema brought up to date.

    Raises
    ------
    StoreUnavailable
        If the file cannot be opened or written just now.
    StoreFault
        If it is no database of ours, or of a newer version of this program.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._series_ids: dict[Series, int] = {}
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise StoreUnavailable(f"{path.parent}: {exc.strerror}") from exc
        with _translated(path):
            self._connection = _connect(path, read_only=False)
            self._connection.execute("PRAGMA journal_mode = WAL")  # SQLite
            self._connection.execute("PRAGMA synchronous = FULL")  # SQLite
            self._migrate()
            rows = self._connection.execute(
                "SELECT place, sensor, quantity, series_id FROM series"
            )
            self._series_ids = {Series(p, s, Quantity(q)): i for p, s, q, i in rows}

    def write(
        self,
        readings: Sequence[Reading],
        *,
        refusals: Sequence[Refusal] = (),
        deliveries: Iterable[tuple[int, bytes]] = (),
        tallies: Mapping[str, int] | None = None,
    ) -> Stored:
        """Store a batch in one transaction, with its rollups. All of it is on disk, or none.

        Parameters
        ----------
        readings : sequence of Reading
            Any order; one already stored for its series and time changes nothing.
        refusals : sequence of Refusal
        deliveries : iterable of (packet id, digest)
            Messages to be known again by `delivered`.
        tallies : mapping of name to number, optional
            Added to the counts of `TALLIES`, besides readings, repeats and refusals.

        Raises
        ------
        StoreUnavailable
            If the disk is full, locked or away: nothing was stored, and the same batch may be
            tried again.
        StoreFault
            If the database is damaged.
        """
        fresh: dict[Series, int] = {}
        with self._transaction() as run:
            ids = self._series_ids
            rows = []
            for series, ts_ms, value in readings:
                series_id = ids.get(series) or fresh.get(series)
                if series_id is None:
                    series_id = fresh[series] = self._new_series(series)
                rows.append((series_id, ts_ms, value))
            before = self._connection.total_changes
            run.executemany(_INSERT_READING, rows)
            new = self._connection.total_changes - before
            if new:
                self._roll_up(run, rows)
            if refusals:
                run.executemany(_INSERT_REFUSED, refusals)
            run.executemany(_REMEMBER, deliveries)
            counts = Counter(tallies or {})
            counts.update(readings=new, repeats=len(rows) - new, refused=len(refusals))
            run.executemany(_ADD_TALLY, [(name, n) for name, n in counts.items() if n])
        self._series_ids |= fresh
        return Stored(new, len(rows) - new)

    def delivered(self, packet_id: int) -> bytes | None:
        """Digest of the last message kept under a packet id; None if there is none."""
        with _translated(self.path):
            row = self._connection.execute(
                "SELECT digest FROM delivered WHERE packet_id = ?", (packet_id,)
            ).fetchone()
        return row[0] if row else None

    def refused_before(self, topic: str, payload: bytes) -> bool:
        """Whether this very message is among the refused."""
        with _translated(self.path):
            row = self._connection.execute(
                "SELECT 1 FROM refused WHERE topic = ? AND payload = ? AND size = ? LIMIT 1",
                (topic, payload[:REFUSED_PAYLOAD_MAX], len(payload)),
            ).fetchone()
        return row is not None

    def prune_refused(self, keep: int) -> int:
        """Drop all but the newest `keep` refused messages. Returns how many went."""
        with self._transaction() as run:
            return run.execute(
                "DELETE FROM refused WHERE refused_id <= (SELECT max(refused_id) FROM refused) - ?",
                (keep,),
            ).rowcount

    def tidy(self) -> None:
        """Refresh the planner's statistics and give the log file's space back."""
        with _translated(self.path):
            self._connection.execute("PRAGMA optimize")  # SQLite
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # SQLite

    def close(self) -> None:
        self._connection.close()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Cursor]:
        with _translated(self.path):
            cursor = self._connection.cursor()
            cursor.execute("BEGIN IMMEDIATE")
            try:
                yield cursor
                cursor.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    cursor.execute("ROLLBACK")
                raise

    def _new_series(self, series: Series) -> int:
        row = self._connection.execute(
            "INSERT INTO series (place, sensor, quantity) VALUES (?, ?, ?) "
            "ON CONFLICT (place, sensor, quantity) DO UPDATE SET place = excluded.place "
            "RETURNING series_id",
            (series.place, series.sensor, str(series.quantity)),
        ).fetchone()
        return int(row[0])

    def _roll_up(self, run: sqlite3.Cursor, rows: list[tuple[int, int, float]]) -> None:
        """Recompute each bucket a row fell in: right for late readings and for repeats."""
        step, hour = 1000 * TEN_MINUTES_S, 1000 * HOUR_S
        buckets = {(series_id, ts_ms - ts_ms % step) for series_id, ts_ms, _ in rows}
        hours = {(series_id, ts_ms - ts_ms % hour) for series_id, ts_ms in buckets}
        run.executemany(
            _ROLL_UP, [(TEN_MINUTES_S, ts_ms, series_id) for series_id, ts_ms in buckets]
        )
        run.executemany(_ROLL_UP_HOUR, [(ts_ms, series_id) for series_id, ts_ms in hours])

    def _migrate(self) -> None:
        with self._transaction() as run:
            run.execute(
                "CREATE TABLE IF NOT EXISTS schema_step (number INTEGER PRIMARY KEY) STRICT"
            )
            done = {number for (number,) in run.execute("SELECT number FROM schema_step")}
        steps = migrations.steps()
        if ahead := done - {step.number for step in steps}:
            raise StoreFault(
                f"{self.path} was written by a newer version (schema step {max(ahead)}, "
                f"this version knows {steps[-1].number}): install that version or use another folder"
            )
        for step in steps:
            if step.number not in done:
                with self._transaction() as run:
                    for statement in step.statements:
                        run.execute(statement)
                    run.execute("INSERT INTO schema_step (number) VALUES (?)", (step.number,))


class Reader:
    """Reads the store and cannot write it. One connection; not to be shared between threads.

    Raises
    ------
    StoreUnavailable
        If there is no store at `path` yet, or it cannot be read just now.
    StoreFault
        If it is no store of ours or is damaged.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with _translated(path):
            self._connection = _connect(path, read_only=True)

    def version(self) -> int:
        """A number that changes when anything was committed since this reader last asked."""
        with _translated(self.path):
            return int(self._connection.execute("PRAGMA data_version").fetchone()[0])  # SQLite

    def series(self) -> dict[Series, int]:
        """Every series and its id."""
        with _translated(self.path):
            rows = self._connection.execute(
                "SELECT place, sensor, quantity, series_id FROM series ORDER BY 1, 2, 3"
            ).fetchall()
        return {Series(p, s, Quantity(q)): i for p, s, q, i in rows}

    def latest(self) -> list[Latest]:
        """The newest reading of every series, by place, sensor and quantity."""
        with _translated(self.path):
            rows = self._connection.execute(_LATEST).fetchall()
        return [Latest(i, Reading(Series(p, s, Quantity(q)), t, v)) for i, p, s, q, t, v in rows]

    def span(self, series_id: int) -> tuple[int, int] | None:
        """Times of the first and last reading of a series; None if it has none. [ms]"""
        with _translated(self.path):
            low, high = self._connection.execute(
                "SELECT (SELECT min(ts_ms) FROM reading WHERE series_id = ?1), "
                "(SELECT max(ts_ms) FROM reading WHERE series_id = ?1)",
                (series_id,),
            ).fetchone()
        return None if low is None else (low, high)

    def count(self, series_id: int, start_ms: int, end_ms: int) -> int:
        """About how many readings lie in [start, end): counted from whole hours."""
        with _translated(self.path):
            row = self._connection.execute(
                "SELECT coalesce(sum(n), 0) FROM rollup "
                "WHERE series_id = ? AND period_s = ? AND ts_ms > ? AND ts_ms < ?",
                (series_id, HOUR_S, start_ms - 1000 * HOUR_S, end_ms),
            ).fetchone()
        return int(row[0])

    def readings(
        self, series_id: int, start_ms: int, end_ms: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Times [ms] and values of a series in [start, end), by time; two arrays of shape (n,)."""
        table = self._array(
            "SELECT ts_ms, value FROM reading "
            "WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ? ORDER BY ts_ms",
            (series_id, start_ms, end_ms),
            [("ts_ms", "i8"), ("value", "f8")],
        )
        return table["ts_ms"], table["value"]

    def rollups(
        self, series_id: int, period_s: int, start_ms: int, end_ms: int
    ) -> NDArray[np.void]:
        """Rollups that overlap [start, end), by time.

        Returns
        -------
        structured ndarray of shape (n,)
            Fields `ts_ms` (start of the bucket), `n`, `low`, `mean`, `high`.
        """
        return self._array(
            "SELECT ts_ms, n, low, total / n, high FROM rollup "
            "WHERE series_id = ? AND period_s = ? AND ts_ms > ? AND ts_ms < ? ORDER BY ts_ms",
            (series_id, period_s, start_ms - 1000 * period_s, end_ms),
            [("ts_ms", "i8"), ("n", "i8"), ("low", "f8"), ("mean", "f8"), ("high", "f8")],
        )

    def refused(self, limit: int) -> list[KeptRefusal]:
        """The newest refused messages, newest first."""
        with _translated(self.path):
            rows = self._connection.execute(
                "SELECT refused_id, received_ms, topic, payload, size, reason FROM refused "
                "ORDER BY refused_id DESC LIMIT ?",
                (limit,),
            ).fetchall()
        return [KeptRefusal(row[0], Refusal(*row[1:])) for row in rows]

    def tallies(self) -> dict[str, int]:
        """How many messages, readings, repeats and refusals there ever were."""
        with _translated(self.path):
            rows = self._connection.execute("SELECT name, n FROM tally").fetchall()
        return dict.fromkeys(TALLIES, 0) | dict(rows)

    def close(self) -> None:
        self._connection.close()

    def _array(
        self, sql: str, values: tuple[int, ...], columns: list[tuple[str, str]]
    ) -> NDArray[np.void]:
        import numpy as np  # the service, which never reads back, does without it

        with _translated(self.path):
            return np.fromiter(self._connection.execute(sql, values), dtype=columns)
