"""A connection to the store's database, of whichever engine: queries, transactions, errors as ours.

What the engines do differently is in `sqlite.py` and `postgresql`, and nowhere else. All other SQL of
the store is written once, with `?` for a value.
"""

from __future__ import annotations

import contextlib
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from monitor.core.errors import StoreFault
from monitor.store import migrations

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

StoreAddress = Path | str
"""Database file, or the URL of a database on a PostgreSQL server."""
BUSY_WAIT_S, READ_WAIT_S = 10.0, 1.0
"""Longest wait of a writer for another's transaction, and of a reader for a lock. [s]"""
UNFINISHED = "unfinished copy"
"""Name of a tally in a copy that is not whole yet."""
Columns = Sequence[tuple[str, str]]
"""Names of columns and their kinds, `i8` or `f8`."""
Row3 = tuple[int, int, float]
"""Reading by its series: series id, time [ms since 1970-01-01 UTC], value."""


@dataclass
class Fence:
    """Number of the lease under which transactions write, and whether another service has it now."""

    number: int
    lost: bool = False


class Cursor(Protocol):
    """Statements within a transaction, and their rows."""

    @property
    def rowcount(self) -> int: ...
    def execute(self, sql: str, values: Sequence[Any] = (), /) -> Cursor: ...
    def executemany(self, sql: str, values: Iterable[Sequence[Any]], /) -> object: ...
    def fetchone(self) -> Any: ...
    def fetchall(self) -> list[Any]: ...
    def __iter__(self) -> Iterator[Any]: ...


class StoreConnection(ABC):
    """A connection that threads may share: one query or one transaction at a time.

    Raises
    ------
    StoreUnavailable
        If the database cannot be opened, read or written just now.
    StoreFault
        If it is not our database, comes from a newer version of this program, or is damaged.
    """

    LATEST = """
SELECT series_id, place, sensor, quantity, ts_ms, value FROM series JOIN reading USING (series_id)
WHERE ts_ms = (SELECT max(ts_ms) FROM reading AS r
  WHERE r.series_id = series.series_id AND r.ts_ms <= ?)
ORDER BY place, sensor, quantity
"""
    """Query of the newest reading of each series up to a time."""

    def __init__(self, name: str) -> None:
        self.name = name
        """Where the store is, without a password."""
        self._lock = threading.RLock()
        self.fence: Fence | None = None
        """What each transaction compares with the lease of the store, if the service has one."""

    @abstractmethod
    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """All rows of a query."""

    @abstractmethod
    def row(self, sql: str, values: Sequence[Any] = ()) -> Any:
        """The first row of a query; None if there is none."""

    @abstractmethod
    def cursor(
        self, sql: str, values: Sequence[Any] = ()
    ) -> contextlib.AbstractContextManager[Iterable[Any]]:
        """A query to be read row by row; other threads wait until it is read."""

    def table(self, sql: str, values: Sequence[Any], columns: Columns) -> NDArray[np.void]:
        """All rows of a query of whole numbers and floats, none of them NULL, as a structured array."""
        import numpy as np  # only readers need it

        with self.cursor(sql, values) as rows:
            return np.fromiter(rows, dtype=list(columns))

    @abstractmethod
    def transaction(self, *, beside: bool = False) -> contextlib.AbstractContextManager[Cursor]:
        """Everything done within is on disk when it ends, or none of it. One transaction at a time
        writes the database, in whatever process it is.

        Other threads wait to read or write meanwhile, so work that takes long is done before or
        after. A transaction cannot be nested. One that only adds readings and counts, and so needs
        no order, may run `beside` others of that kind where the engine can do that.
        """

    @abstractmethod
    def one_state(self) -> contextlib.AbstractContextManager[None]:
        """Everything read within is of one moment, while others write."""

    @abstractmethod
    def version(self) -> int:
        """A number that changes when anything was committed since this connection last asked."""

    @abstractmethod
    def add_readings(self, run: Cursor, rows: Sequence[Row3]) -> int:
        """Within a transaction: store readings, with their rollups. Returns how many were new."""

    @abstractmethod
    def occupied(self, run: Cursor, rows: Sequence[Row3]) -> set[tuple[int, int]]:
        """Within a transaction: the series and times of these rows at which a reading is stored."""

    @abstractmethod
    def clear(self, run: Cursor, series_id: int, until_ms: int, at_most: int) -> int:
        """Within a transaction: delete the oldest readings of a series from before a time; their
        rollups stay. Returns how many. [ms since 1970-01-01 UTC]"""

    def claim(self, *, standby: bool = False) -> None:
        """Keep other services from this store, where the lock of the data folder does not; with
        `standby` those that do not stand by."""
        del standby

    def check_lease(self) -> bool:
        """Return True; raise `LeaseLost` if another service has the lease of the store."""
        if self.fence is not None:
            with self.transaction(beside=True):
                pass
        return True

    def wait_for_call(self, timeout_s: float) -> None:
        """Wait until somebody puts a request into the store, at most so long. [s]"""
        raise NotImplementedError(f"nobody puts requests into {self.name}: wait {timeout_s} s")

    def is_unfinished(self) -> bool:
        """Return whether this is a copy that was interrupted (`copying.py`)."""
        return self.row("SELECT 1 FROM tally WHERE name = ?", (UNFINISHED,)) is not None

    def put(self, run: Cursor, table: str, rows: Sequence[Sequence[Any]]) -> None:
        """Within a transaction: insert whole rows that are not there yet."""
        if rows:
            marks = ", ".join("?" for _ in rows[0])
            run.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608 - ours

    def free_ids(self, run: Cursor, tables: Sequence[str] = ()) -> None:
        """Within a transaction: give new rows of some tables, or of all, ids beyond those that were
        `put`."""
        del run, tables  # which an engine that counts for itself does not need

    @abstractmethod
    def tidy(self) -> None:
        """Refresh the planner's statistics."""

    @abstractmethod
    def empty_log(self, wait_s: float) -> bool:
        """Leave no deleted row in the database's files; False if somebody still reads there after
        `wait_s`."""

    @abstractmethod
    def close(self) -> None: ...

    def alone(self) -> contextlib.AbstractContextManager[object]:
        """Keep other threads from this connection for several steps; it may be nested."""
        return self._lock

    def _statements(self, step: migrations.Migration) -> Sequence[str]:
        """Statements of a step of the schema in the engine's SQL."""
        return step.statements

    @abstractmethod
    def _has_steps(self, run: Cursor) -> bool:
        """Within a transaction: whether the table of the schema's steps is there."""

    def bring_up_to_date(self, package: str, last: int | None = None) -> None:
        """Bring the schema to this version, or to its step `last`: all steps of a package that are
        missing, or none."""
        steps = migrations.steps(package)
        with self.transaction() as run:
            if not self._has_steps(run):
                for statement in self._statements(migrations.FIRST):
                    run.execute(statement)
            done = {number for (number,) in run.execute("SELECT number FROM schema_step")}
            if ahead := done - {step.number for step in steps}:
                raise StoreFault(
                    f"{self.name} was written by a newer version (schema step {max(ahead)}, this"
                    f" version knows {steps[-1].number}): install that version or use another store"
                )
            for step in steps:
                if step.number not in done and step.number <= (last or step.number):
                    for statement in self._statements(step):
                        run.execute(statement)
                    run.execute("INSERT INTO schema_step (number) VALUES (?)", (step.number,))


def is_there(address: StoreAddress) -> bool:
    """Return whether there is a store yet; a database is taken to be there."""
    return isinstance(address, str) or address.exists()


def opened(address: StoreAddress, *, read_only: bool, turn: str = "") -> StoreConnection:
    """A connection to a store; for writing with its schema brought up to date.

    `turn`: table of a database on a server whose lock the transactions take instead of the store's. Such
    a connection is for tables that nobody else writes, and takes the schema as it is.
    """
    if isinstance(address, str):
        try:
            from monitor.store.postgresql.connection import PostgresqlConnection
        except ImportError as exc:
            raise StoreFault(
                "store.url: the package to reach PostgreSQL is not installed: run "
                "pip install 'benchweather[postgresql]'"
            ) from exc
        return PostgresqlConnection(address, read_only=read_only, turn=turn)
    from monitor.store.sqlite import SqliteConnection

    connection = SqliteConnection(address, read_only=read_only)
    if not read_only:
        connection.prepare()
    return connection
