"""A connection to the database: opens it, translates its errors, keeps its schema up to date."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import weakref
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.store import migrations

Cursor = sqlite3.Cursor
BUSY_WAIT_S, READ_WAIT_S = 10.0, 1.0
"""Longest wait of a writer for another's transaction, and of a reader for a lock. [s]"""
_RETRYABLE = {"SQLITE_FULL", "SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_READONLY", "SQLITE_CANTOPEN"}


class StoreConnection:
    """A connection that threads may share: one query or one transaction at a time.

    Raises
    ------
    StoreUnavailable
        If the database cannot be opened, read or written just now.
    StoreFault
        If the file is not our database, comes from a newer version of this program, or is damaged.
    """

    def __init__(self, path: Path, *, read_only: bool) -> None:
        self.path = path
        self._lock = threading.RLock()
        uri = f"{path.absolute().as_uri()}?mode={'ro' if read_only else 'rwc'}"
        with self._translated():
            self.raw = sqlite3.connect(
                uri,
                uri=True,
                isolation_level=None,
                check_same_thread=False,
                timeout=READ_WAIT_S if read_only else BUSY_WAIT_S,
            )
            # Readers are kept by thread: one that ends leaves its connection to be closed with it.
            weakref.finalize(self, self.raw.close).atexit = False
            self.raw.execute("PRAGMA foreign_keys = ON")  # SQLite
        self._inode = path.stat().st_ino if path.exists() else 0

    def prepare(self, package: str = migrations.__name__) -> None:
        """Prepare the database for writing: durable commits, deleted rows overwritten, and the schema
        of this version, all steps of a package or none."""
        with self._translated():
            self.raw.execute("PRAGMA journal_mode = WAL")  # SQLite
            self.raw.execute("PRAGMA synchronous = FULL")  # SQLite
            self.raw.execute("PRAGMA secure_delete = ON")  # SQLite
        with self.transaction() as run:
            run.execute(
                "CREATE TABLE IF NOT EXISTS schema_step (number INTEGER PRIMARY KEY) STRICT"
            )
            done = {number for (number,) in run.execute("SELECT number FROM schema_step")}
            steps = migrations.steps(package)
            if ahead := done - {step.number for step in steps}:
                raise StoreFault(
                    f"{self.path} was written by a newer version (schema step {max(ahead)}, this"
                    f" version knows {steps[-1].number}): install that version or use another folder"
                )
            for step in steps:
                if step.number not in done:
                    for statement in step.statements:
                        run.execute(statement)
                    run.execute("INSERT INTO schema_step (number) VALUES (?)", (step.number,))

    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """All rows of a query."""
        with self._lock:
            try:
                return self.raw.execute(sql, values).fetchall()
            except sqlite3.DatabaseError as exc:
                raise self._fault(exc) from exc

    def row(self, sql: str, values: Sequence[Any] = ()) -> Any:
        """The first row of a query; None if there is none."""
        with self._lock:
            try:
                return self.raw.execute(sql, values).fetchone()
            except sqlite3.DatabaseError as exc:
                raise self._fault(exc) from exc

    @contextlib.contextmanager
    def cursor(self, sql: str, values: Sequence[Any] = ()) -> Iterator[sqlite3.Cursor]:
        """A query to be read row by row; other threads wait until it is read."""
        with self._lock, self._translated():
            yield self.raw.execute(sql, values)

    def alone(self) -> contextlib.AbstractContextManager[object]:
        """Keep other threads from this connection for several steps; it may be nested."""
        return self._lock

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Cursor]:
        """Everything done within is on disk when it ends, or none of it.

        Other threads wait to read or write meanwhile, so work that takes long is done before or
        after. A transaction cannot be nested.
        """
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

    def close(self) -> None:
        self.raw.close()

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
