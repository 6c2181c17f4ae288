"""The store in an SQLite file: write-ahead log, full synchronisation, one writer, any readers."""

from __future__ import annotations

import contextlib
import sqlite3
import time
import weakref
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.store import connection, migrations, rollups
from monitor.store.connection import READ_WAIT_S, Cursor, Row3, StoreConnection

_RETRYABLE = {"SQLITE_FULL", "SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_READONLY", "SQLITE_CANTOPEN"}
_SAVED_PAGES = 2_048
"""Pages that are copied between two looks at whether to go on, 8 MB."""
_INSERT = "INSERT INTO reading (series_id, ts_ms, value) VALUES (?, ?, ?) ON CONFLICT DO NOTHING"

_CLEAR = (
    "DELETE FROM reading WHERE series_id = ? AND ts_ms IN (SELECT ts_ms FROM reading "
    "WHERE series_id = ? AND ts_ms < ? ORDER BY ts_ms LIMIT ?)"
)


class SqliteConnection(StoreConnection):
    """A connection to a database file; see `StoreConnection`. A write is on disk when it returns, and
    readers never wait."""

    def __init__(self, path: Path, *, read_only: bool) -> None:
        super().__init__(str(path))
        self.path = path
        if not read_only:
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as exc:
                raise StoreUnavailable(f"{path.parent}: {exc.strerror}") from exc
        uri = f"{path.absolute().as_uri()}?mode={'ro' if read_only else 'rwc'}"
        with self._translated():
            self.raw = sqlite3.connect(
                uri,
                uri=True,
                isolation_level=None,
                check_same_thread=False,
                timeout=READ_WAIT_S if read_only else connection.BUSY_WAIT_S,
            )
            # Readers are kept by thread: one that ends leaves its connection to be closed with it.
            weakref.finalize(self, self.raw.close).atexit = False
            self.raw.execute("PRAGMA foreign_keys = ON")
        self._inode = path.stat().st_ino if path.exists() else 0

    def prepare(self, package: str = migrations.__name__, last: int | None = None) -> None:
        """Prepare the database for writing: durable commits, deleted rows overwritten, and the schema
        of this version or of its step `last`, all steps of a package or none."""
        with self._translated():
            self._write_ahead()
            self.raw.execute("PRAGMA synchronous = FULL")
            self.raw.execute("PRAGMA secure_delete = ON")
        self.bring_up_to_date(package, last)

    def _write_ahead(self) -> None:
        """Turn on the write-ahead log. SQLite does not wait while another connection does the same."""
        give_up = time.monotonic() + connection.BUSY_WAIT_S
        while True:
            try:
                self.raw.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError:
                if time.monotonic() > give_up:
                    raise
                time.sleep(0.01)
            else:
                return

    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        with self._lock:
            try:
                return self.raw.execute(sql, values).fetchall()
            except sqlite3.DatabaseError as exc:
                raise self._fault(exc) from exc

    def row(self, sql: str, values: Sequence[Any] = ()) -> Any:
        with self._lock:
            try:
                return self.raw.execute(sql, values).fetchone()
            except sqlite3.DatabaseError as exc:
                raise self._fault(exc) from exc

    @contextlib.contextmanager
    def cursor(self, sql: str, values: Sequence[Any] = ()) -> Iterator[sqlite3.Cursor]:
        with self._lock, self._translated():
            yield self.raw.execute(sql, values)

    @contextlib.contextmanager
    def transaction(self, *, beside: bool = False) -> Iterator[sqlite3.Cursor]:
        del beside  # SQLite has one writer at a time
        with self._lock, self._translated():
            self._check_in_place()
            cursor = self.raw.cursor()
            cursor.execute("BEGIN IMMEDIATE")
            try:
                yield cursor
                cursor.execute("COMMIT")
            except BaseException:
                if self.raw.in_transaction:
                    cursor.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def one_state(self) -> Iterator[None]:
        with self._lock, self._translated():
            self.raw.execute("BEGIN")
            try:
                self.raw.execute(
                    "SELECT 1 FROM sqlite_schema"
                ).fetchone()  # its state is that of now
                yield
            finally:
                self.raw.execute("ROLLBACK")

    def version(self) -> int:
        return int(self.row("PRAGMA data_version")[0])

    def add_readings(self, run: Cursor, rows: Sequence[Row3]) -> int:
        insert = run.execute
        new = [row for row in rows if insert(_INSERT, row).rowcount]
        rollups.add(run, new)
        return len(new)

    def occupied(self, run: Cursor, rows: Sequence[Row3]) -> set[tuple[int, int]]:
        find = "SELECT 1 FROM reading WHERE series_id = ? AND ts_ms = ?"
        return {(i, ts) for i, ts, _ in rows if run.execute(find, (i, ts)).fetchone()}

    def clear(self, run: Cursor, series_id: int, until_ms: int, at_most: int) -> int:
        return run.execute(_CLEAR, (series_id, series_id, until_ms, at_most)).rowcount

    def tidy(self) -> None:
        self.row("PRAGMA optimize")

    def empty_log(self, wait_s: float) -> bool:
        with self._lock:
            self.row(f"PRAGMA busy_timeout = {round(1000 * wait_s)}")
            try:
                return bool(self.row("PRAGMA wal_checkpoint(TRUNCATE)")[0] == 0)
            finally:
                self.row(f"PRAGMA busy_timeout = {round(1000 * connection.BUSY_WAIT_S)}")

    def save(self, path: Path, on_pages: Callable[[int, int], object] = lambda *_: None) -> None:
        """Save the database into a new file, as it is at one moment, while others read and write.

        `on_pages` is called with the number of pages that are copied, and of all; it may raise.
        """
        path.touch(0o600, exist_ok=False)
        with (
            self._lock,
            self._translated(),
            contextlib.closing(sqlite3.connect(path, isolation_level=None)) as target,
        ):
            with self.one_state():
                self.raw.backup(
                    target,
                    pages=_SAVED_PAGES,
                    progress=lambda _, left, of: on_pages(of - left, of),
                )
            target.execute("PRAGMA journal_mode = DELETE")  # one file, with nothing beside it

    def damage(self) -> str:
        """Damage of the database, by SQLite's own check of every page; empty if there is none."""
        faults = [str(text) for (text,) in self.rows("PRAGMA integrity_check(3)") if text != "ok"]
        faults += [
            f"a row of {table} refers to one of {parent} that is not there"
            for table, _, parent, _ in self.rows("PRAGMA foreign_key_check")[:3]
        ]
        return "; ".join(faults)

    def counts(self) -> dict[str, int]:
        """Number of rows of every table."""
        tables = self.rows("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
        return {
            name: int(self.row(f'SELECT count(*) FROM "{name}"')[0])  # noqa: S608 - of the schema
            for (name,) in tables
            if not name.startswith("sqlite_")
        }

    def close(self) -> None:
        self.raw.close()

    def _has_steps(self, run: Cursor) -> bool:
        run.execute("SELECT 1 FROM sqlite_schema WHERE name = 'schema_step'")
        return run.fetchone() is not None

    def _check_in_place(self) -> None:
        """Check the file: if it was deleted or replaced, what is written now would be lost with it."""
        try:
            in_place = self.path.stat().st_ino == self._inode
        except OSError:
            in_place = False
        if not in_place:
            raise StoreUnavailable(
                f"{self.path} was deleted or replaced while in use: put it back, or start again"
            )

    @contextlib.contextmanager
    def _translated(self) -> Iterator[None]:
        """Raise the driver's errors as ours."""
        try:
            yield
        except sqlite3.DatabaseError as exc:
            raise self._fault(exc) from exc

    def _fault(self, exc: sqlite3.DatabaseError) -> StoreFault:
        """An error of the driver as ours."""
        code = getattr(exc, "sqlite_errorname", "")
        text = f"{self.path}: {exc}"
        if code in _RETRYABLE or code.startswith("SQLITE_IOERR"):
            return StoreUnavailable(text)
        if code in ("SQLITE_CORRUPT", "SQLITE_NOTADB"):
            text += "; restore it from a copy, or move it away to start with an empty store"
        return StoreFault(text)
