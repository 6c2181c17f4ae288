"""The store on a PostgreSQL server (15 or newer), by psycopg 3.

One transaction at a time writes, by a lock that each takes first, so that events get their numbers in
the order of their commits; those that only add readings share that lock. A connection that was cut is
made anew at the next use: nothing of a transaction that was cut is stored, and the caller tries it
again. If it was cut during its commit, the server is asked what became of it. Readings lie in
partitions by month (UTC).
"""

from __future__ import annotations

import contextlib
import time
import weakref
from collections.abc import Iterator, Sequence
from typing import Any
from urllib.parse import unquote

import numpy as np
import psycopg
from numpy.typing import NDArray
from psycopg.conninfo import conninfo_to_dict

from monitor.core.clock import now_ms
from monitor.core.errors import LeaseLost, StoreFault, StoreMissing, StoreUnavailable
from monitor.store import migrations, rollups
from monitor.store.connection import Columns, Row3, StoreConnection
from monitor.store.postgresql import bulk, schema, session
from monitor.store.postgresql.session import StoreCursor

ASK_S, ASK_EVERY_S = 30.0, 0.1
"""Longest time to ask what became of a commit that was cut, and between two tries. [s]"""
AHEAD_MS = 32 * 86_400_000
"""How far ahead partitions are made. [ms]"""
COPY_FROM = 50
"""Number of readings from which COPY is quicker than an array."""
DAY_MS = 86_400_000
NEEDS_TEXT = "must be postgresql://user@host/database"
_WRITERS_TURN, _BESIDE_OTHERS, _PARTITIONS = (
    f"LOCK TABLE turn IN {mode} MODE"
    for mode in ("EXCLUSIVE", "ROW SHARE", "SHARE UPDATE EXCLUSIVE")
)
"""Take the lock that each writer holds during its transaction; share it with others that only add
readings; keep others that share it from making partitions. Only who may write the store can."""
_OUR_TABLES = """SELECT string_agg(oid::regclass::text, ', ') FROM pg_class
WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p') AND NOT relispartition
AND relowner = (SELECT relowner FROM pg_class WHERE oid = 'reading'::regclass)"""
_FIRST_TURN = "SELECT pg_advisory_xact_lock(1, hashtext(current_schema()))"
"""Takes the lock of who makes the schema, and with it the other one. Every user of the database can."""
_NUMBER = "SELECT pg_current_xact_id()::text"
_LEASE = "SELECT number FROM lease"
_OCCUPIED = """
SELECT series_id, ts_ms FROM reading
JOIN unnest(?::bigint[], ?::bigint[]) AS looked_for (series_id, ts_ms) USING (series_id, ts_ms)"""
_PUT = f"""
WITH new AS (
  INSERT INTO reading (series_id, ts_ms, value)
  SELECT * FROM unnest(?::bigint[], ?::bigint[], ?::float8[])
  ON CONFLICT DO NOTHING RETURNING series_id, ts_ms, value
), rolled AS (
  INSERT INTO rollup (series_id, period_s, ts_ms, n, low, total, high)
  SELECT series_id, period_s, {rollups.FLOORED.format("(1000 * period_s)")} AS window_ms,
    count(*), min(value), sum(value), max(value)
  FROM new CROSS JOIN (VALUES ({rollups.TEN_MINUTES_S}), ({rollups.HOUR_S})) AS p (period_s)
  GROUP BY series_id, period_s, window_ms ORDER BY period_s, series_id, window_ms {rollups.MERGED}
) SELECT count(*) FROM new
"""  # noqa: S608 - constants of the store
_ROLL = f"""
INSERT INTO rollup (series_id, period_s, ts_ms, n, low, total, high)
SELECT * FROM unnest(?::bigint[], ?::bigint[], ?::bigint[], ?::bigint[], ?::float8[], ?::float8[],
  ?::float8[])
{rollups.MERGED}"""  # noqa: S608 - a constant of the store
_PERIODS_S = (rollups.TEN_MINUTES_S, rollups.HOUR_S)
_COPY = "COPY reading FROM STDIN (FORMAT BINARY)"


class PostgresqlConnection(StoreConnection):
    """A connection to a database on a server; see `StoreConnection`. For writing, the schema is
    brought up to date, unless the transactions take the `turn` of one table only."""

    LATEST = """
SELECT series_id, place, sensor, quantity, ts_ms, value FROM series CROSS JOIN LATERAL (
  SELECT ts_ms, value FROM reading AS r WHERE r.series_id = series.series_id AND ts_ms <= ?
  ORDER BY ts_ms DESC LIMIT 1) AS newest
ORDER BY place, sensor, quantity
"""
    raw: psycopg.Connection[Any] | None = None
    _listening: psycopg.Connection[Any] | None = None
    """The connection that hears calls."""

    def __init__(self, url: str, *, read_only: bool, turn: str = "") -> None:
        try:
            parts = conninfo_to_dict(url)
        except (psycopg.Error, UnicodeError):  # a text of the latter may have the password in it
            parts = {}
        super().__init__(
            f"postgresql://{parts.get('host') or 'localhost'}:{parts.get('port') or 5432}"
            f"/{parts.get('dbname') or ''}"
        )
        if not parts:
            raise StoreFault(f"store.url cannot be read: {NEEDS_TEXT}") from None
        self._url, self._read_only = url, read_only
        self._stands_by: bool | None = None
        self._secret = str(parts.get("password") or "")
        self._days: set[int] = set()
        """Days whose partition is there."""
        self._turn = f"LOCK TABLE {turn} IN EXCLUSIVE MODE" if turn else _FIRST_TURN
        self._as_is = read_only or bool(turn)
        with self._translated():
            self.raw = self._connected()
        try:
            if not self._as_is:
                self.bring_up_to_date(migrations.__name__)
        except StoreFault:
            self.close()
            raise

    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        with self.cursor(sql, values) as found:
            return found.fetchall()

    def row(self, sql: str, values: Sequence[Any] = ()) -> Any:
        with self.cursor(sql, values) as found:
            return found.fetchone()

    def table(self, sql: str, values: Sequence[Any], columns: Columns) -> NDArray[np.void]:
        arrays = bulk.as_arrays(sql, columns)
        with self._lock, self._translated(), self._begun(arrays, values, binary=True) as found:
            answer = [found.pgresult.get_value(0, i) for i in range(len(columns))]
            return bulk.table(answer, columns)

    @contextlib.contextmanager
    def cursor(self, sql: str, values: Sequence[Any] = ()) -> Iterator[StoreCursor]:
        with self._lock, self._translated(), self._begun(sql, values) as found:
            yield found

    @contextlib.contextmanager
    def transaction(self, *, beside: bool = False) -> Iterator[StoreCursor]:
        with self._lock, self._translated(), self._begun("BEGIN") as run:
            try:
                run.execute(self._turn if not beside else _BESIDE_OTHERS)
                number = run.execute(_NUMBER).fetchone()[0]
                if (fence := self.fence) is not None:
                    fence.lost = run.execute(_LEASE).fetchone() != (fence.number,)
                    if fence.lost:
                        raise LeaseLost(f"{self.name}: another service has taken over")
                yield run
            except BaseException:
                self._days.clear()  # a partition that was made is gone again
                with contextlib.suppress(psycopg.Error):
                    run.execute("ROLLBACK")
                raise
            try:
                run.execute("COMMIT")
            except psycopg.Error:
                self._days.clear()
                if not self._is_cut() or not self._was_committed(number):
                    raise

    @contextlib.contextmanager
    def one_state(self) -> Iterator[None]:
        begin = "BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY"
        with self._lock, self._translated(), self._begun(begin) as run:
            try:
                yield
            finally:
                with contextlib.suppress(psycopg.Error):
                    run.execute("ROLLBACK")

    def claim(self, *, standby: bool = False) -> None:
        with self._lock, self._translated():
            self._stands_by = standby
            self.close()
            self.raw = self._connected()

    def wait_for_call(self, timeout_s: float) -> None:
        """Wait until somebody calls the service of this store (`requests.put`), at most so long; the
        first time, and after the connection was cut, not at all. For a connection of its own."""
        with self._lock, self._translated():
            if self._listening is not self.raw or self._is_cut():
                (name,) = self._begun("SELECT quote_ident(current_schema())").fetchone()
                self._begun(f"LISTEN {name}")
                self._listening = self.raw
            elif self.raw is not None:
                for _ in self.raw.notifies(timeout=timeout_s, stop_after=1):
                    pass

    def version(self) -> int:
        return hash(self.row("SELECT pg_current_snapshot()::text")[0])

    def bring_up_to_date(self, package: str, last: int | None = None) -> None:
        self._choose_turn()
        super().bring_up_to_date(package, last)
        self._choose_turn()

    def add_readings(self, run: Any, rows: Sequence[Row3]) -> int:
        if not rows:
            return 0
        if fresh := {ts_ms // DAY_MS for _, ts_ms, _ in rows} - self._days:
            self._make_months(run, fresh)
        columns = list(zip(*rows, strict=True))
        if len(rows) < COPY_FROM:
            return self._put_new(run, [list(column) for column in columns])
        series, at, values = (
            np.array(column, kind)
            for column, kind in zip(columns, ("i8", "i8", "f8"), strict=True)
        )
        content = bulk.copy_content(series, at, values)
        run.execute("SAVEPOINT before")
        try:
            with run.copy(_COPY) as copy:
                copy.write(content)
                windows = bulk.windows(series, at, values, _PERIODS_S)  # meanwhile
        except psycopg.errors.UniqueViolation:  # some are there already
            run.execute("ROLLBACK TO before")
            return self._put_new(run, [series, at, values])
        for rolled in windows:
            run.execute(_ROLL, rolled)
        return len(rows)

    def occupied(self, run: Any, rows: Sequence[Row3]) -> set[tuple[int, int]]:
        columns = [row[0] for row in rows], [row[1] for row in rows]
        return set(run.execute(_OCCUPIED, columns).fetchall())

    @staticmethod
    def _put_new(run: Any, columns: Sequence[Any]) -> int:
        """Store the readings that are not there yet, with their rollups. Returns how many."""
        return int(run.execute(_PUT, columns).fetchone()[0])

    def clear(self, run: Any, series_id: int, until_ms: int, at_most: int) -> int:
        values = (series_id, until_ms, at_most)
        return int(run.execute("SELECT clear_readings(?, ?, ?)", values).fetchone()[0])

    def put(self, run: Any, table: str, rows: Sequence[Sequence[Any]]) -> None:
        if table == "reading":
            self._make_months(run, {row[1] // DAY_MS for row in rows} - self._days)
        if rows:
            with run.copy(f"COPY {table} FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)

    def free_ids(self, run: Any, tables: Sequence[str] = ()) -> None:
        for table, column in run.execute(
            "SELECT table_name, column_name FROM information_schema.columns "
            "WHERE table_schema = current_schema() AND is_identity = 'YES'"
        ).fetchall():
            if tables and table not in tables:
                continue
            ids = f"(SELECT {column} AS id FROM {table}) AS t"  # noqa: S608 - ours
            free = "setval(pg_get_serial_sequence(?, ?), coalesce(max(id), 1), count(id) > 0)"
            run.execute(f"SELECT {free} FROM {ids}", (table, column))  # noqa: S608 - ours

    def tidy(self) -> None:
        """Refresh the planner's statistics and make the partition of the next month."""
        with self.transaction() as run:
            self._make_months(run, {(now_ms() + AHEAD_MS) // DAY_MS})
        tables = self.row(_OUR_TABLES)[0]
        with self._lock, self._translated(), self._begun(f"ANALYZE {tables}"):
            pass

    def empty_log(self, wait_s: float) -> bool:
        """Leave no deleted row of clients' sheets in the table's file. The server's log still holds
        them until it reuses its files."""
        with self._lock, self._translated(), self._begun("BEGIN") as run:
            try:
                run.execute(f"SET LOCAL lock_timeout = {round(1000 * wait_s)}")
                run.execute("LOCK TABLE client_sheet IN ACCESS EXCLUSIVE MODE")
                rows = run.execute("SELECT * FROM client_sheet").fetchall()
                run.execute("TRUNCATE client_sheet")  # which gives the table a new file
                run.executemany("INSERT INTO client_sheet VALUES (?, ?, ?, ?, ?, ?)", rows)
                run.execute("COMMIT")
            except psycopg.errors.LockNotAvailable:
                run.execute("ROLLBACK")
                return False
            except BaseException:
                with contextlib.suppress(psycopg.Error):
                    run.execute("ROLLBACK")
                raise
        return True

    def close(self) -> None:
        if self.raw is not None:
            self.raw.close()

    def _statements(self, step: migrations.Migration) -> Sequence[str]:
        return schema.statements(step)

    def _has_steps(self, run: Any) -> bool:
        return run.execute("SELECT to_regclass('schema_step')").fetchone()[0] is not None

    def _choose_turn(self) -> None:
        there = self.row("SELECT to_regclass('turn')") != (None,)
        self._turn = _WRITERS_TURN if there else _FIRST_TURN

    def _make_months(self, run: Any, days: set[int]) -> None:
        """Within a transaction: make the partitions that these days need."""
        months = {np.datetime64(day, "D").astype("M8[M]"): day for day in days}
        if months and self._turn != _FIRST_TURN:  # which nobody shares
            run.execute(_PARTITIONS)
        for day in months.values():
            run.execute("SELECT reading_month(?)", (day * DAY_MS,))
        self._days |= days

    def _connected(self) -> psycopg.Connection[Any]:
        raw = session.begin(self._url, self.name, read_only=self._read_only)
        # Readers are kept by thread: one that ends leaves its connection to be closed with it.
        weakref.finalize(self, raw.close).atexit = False
        if self._stands_by is not None:
            try:
                session.claim(raw, self.name, stands_by=self._stands_by)
            except BaseException:
                raw.close()
                raise
        return raw

    def _is_cut(self) -> bool:
        return self.raw is None or self.raw.closed

    def _begun(self, sql: str, values: Sequence[Any] = (), *, binary: bool = False) -> Any:
        """A cursor after its first statement; if the connection was cut while it was idle, it is made
        anew."""
        if self.raw is not None and not self.raw.closed:
            try:
                return self.raw.cursor().execute(sql, values, binary=binary)
            except psycopg.Error:
                if not self.raw.closed:
                    raise
        self.raw = self._connected()
        return self.raw.cursor().execute(sql, values, binary=binary)

    def _was_committed(self, number: str) -> bool:
        """Return whether a transaction that was cut during its commit is stored."""
        until = time.monotonic() + ASK_S
        while time.monotonic() < until:
            with contextlib.suppress(psycopg.Error, StoreUnavailable):
                state = self._begun("SELECT pg_xact_status(?::text::xid8)", (number,)).fetchone()
                if state != ("in progress",):
                    return bool(state == ("committed",))
            time.sleep(ASK_EVERY_S)
        raise StoreUnavailable(
            f"{self.name} does not answer. It is not known whether the last change was stored: check "
            "before you repeat it"
        )

    @contextlib.contextmanager
    def _translated(self) -> Iterator[None]:
        """Raise the driver's errors as ours."""
        try:
            yield
        except psycopg.Error as exc:
            fault = self._fault(exc)
            raise fault from None  # the driver's text may have the password in it

    def _fault(self, exc: psycopg.Error) -> StoreFault:
        """An error of the driver as ours."""
        text = exc.diag.message_primary or str(exc) or type(exc).__name__
        said = " ".join(text.split()).rstrip(".?")
        for secret in {self._secret, unquote(self._secret)} - {""}:
            said = said.replace(secret, "********")
        errors = psycopg.errors
        if self._as_is and isinstance(exc, errors.UndefinedTable):
            return StoreMissing(f"{self.name}: there is no store yet")
        if isinstance(exc, errors.InsufficientPrivilege | errors.InvalidSchemaName):
            return StoreFault(
                f"{self.name}: this user does not have the rights that the store needs: {said}. Run "
                "`benchweather store roles` as the database's owner, or set store.url to its owner"
            )
        away = isinstance(exc, psycopg.OperationalError | psycopg.InterfaceError)
        if isinstance(exc, errors.ReadOnlySqlTransaction) and not self._read_only:
            away = True  # a copy of the server, which takes over perhaps
            self.close()  # the session stays read-only when the server no longer is
        if self.raw is None and away:
            todo = "Check that the server runs and that store.url is right"
            if exc.pgconn and exc.pgconn.needs_password:
                todo = "Put the password of its user into ~/.pgpass, or into PGPASSWORD"
            return StoreUnavailable(f"{self.name} cannot be used: {said}. {todo}")
        return (StoreUnavailable if away or self._is_cut() else StoreFault)(f"{self.name}: {said}")
