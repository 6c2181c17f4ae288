"""The store on a PostgreSQL server (15 or newer), by psycopg 3.

One transaction at a time writes, by a lock that each takes first, so that events get their numbers in
the order of their commits; those that only add readings share that lock. A connection that was cut is
made anew at the next use: nothing of a transaction that was cut is stored, and the caller tries it
again. If it was cut during its commit, the server is asked what became of it. Readings lie in
partitions by month (UTC).
"""

from __future__ import annotations

import contextlib
import functools
import time
import weakref
from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from urllib.parse import unquote

import numpy as np
import psycopg
from numpy.typing import NDArray
from psycopg.conninfo import conninfo_to_dict
from psycopg.types.numeric import FloatDumper, FloatLoader
from psycopg.types.string import StrDumper

from monitor.core.clock import now_ms
from monitor.core.errors import LeaseLost, StoreFault, StoreMissing, StoreUnavailable
from monitor.store import connection, migrations, postgresql_bulk, postgresql_schema, rollups
from monitor.store.connection import Columns, Row3, StoreConnection

CONNECT_S = 5
"""Longest wait for the server to answer. [s]"""
STATEMENT_S = 120
"""Longest time of one statement; a longer one is ended and counts as not done. [s]"""
DEAD_S = {"tcp_keepalives_idle": 30, "tcp_keepalives_interval": 10, "tcp_keepalives_count": 3}
"""When the server asks whether we still live, and gives us up: our claim would else stay for hours after
a power cut. [s], [s], [-]"""
UNHEARD_S = 20
"""Longest time that the server's computer may not confirm what was sent to it; the system's own is about
15 minutes, if a cable was pulled or the power is cut. [s]"""
IDLE_S = 60
"""Longest time that a transaction may do nothing: it would keep other writers waiting. [s]"""
ENDING_S = 1.0
"""Time for which the session of a service that has ended may still be there. [s]  Ours."""
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
_CLAIM = (
    "LOCK TABLE service IN EXCLUSIVE MODE",
    "DELETE FROM service WHERE NOT EXISTS (SELECT FROM pg_stat_activity AS one "
    "WHERE one.pid = service.pid AND usesysid = user_id AND coalesce(backend_start = since, true))",
    "INSERT INTO service SELECT pid, usesysid, backend_start, %(stands_by)s FROM pg_stat_activity "
    "WHERE pid = pg_backend_pid() "
    "AND NOT EXISTS (SELECT FROM service WHERE NOT (stands_by AND %(stands_by)s))",
)
"""Note a service's connection in the store as long as it lasts, alone or with others that stand by. The
server hides `backend_start` from other users: the process and its user must then be enough."""
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


@functools.lru_cache(maxsize=512)
def _in_own_words(sql: str) -> str:
    return sql.replace("%", "%%").replace("?", "%s")


def _is_claimed(raw: psycopg.Connection[Any], stands_by: bool) -> bool:
    """Claim the store for a connection; False if a service has it."""
    with raw.transaction(), psycopg.Cursor(raw) as run:
        run.execute("SET TRANSACTION READ WRITE")
        if run.execute("SELECT to_regclass('service')").fetchone() == (None,):
            return True  # of an earlier version, which is read once to be refused
        for statement in _CLAIM:
            run.execute(statement, {"stands_by": stands_by})
        return run.rowcount == 1


def _is_claimed_soon(raw: psycopg.Connection[Any], stands_by: bool) -> bool:
    """`_is_claimed`, also where the session of a service that has just ended is still ending."""
    until_s = time.monotonic() + ENDING_S
    while not _is_claimed(raw, stands_by):
        if time.monotonic() > until_s:
            return False
        time.sleep(0.05)
    return True


class _WholeNumber(FloatLoader):
    """Sums of whole numbers, which PostgreSQL gives as `numeric`, as int; other numbers as float."""

    def load(self, data: Any) -> Any:
        text = bytes(data)
        return int(text) if text.lstrip(b"-").isdigit() else float(text)


class _Number(FloatDumper):
    """Writes NaN as NULL, as SQLite does."""

    def dump(self, obj: Any) -> Any:
        return None if obj != obj else super().dump(obj)


class _Text(StrDumper):
    """Writes characters that PostgreSQL cannot store as U+FFFD."""

    def dump(self, obj: str) -> bytes:
        return obj.replace("\0", "\ufffd").encode("utf-8", "replace")


class _Column(psycopg.adapt.Dumper):
    """Writes an array in binary form, of the type in the statement."""

    format = psycopg.pq.Format.BINARY

    def dump(self, obj: NDArray[Any]) -> bytes:
        return postgresql_bulk.array_content(obj)


class _Cursor(psycopg.Cursor[Any]):
    """A cursor that takes `?` for a value, as the store's SQL has it."""

    def execute(self, query: Any, params: Any = (), **more: Any) -> _Cursor:
        super().execute(_in_own_words(query), params, **more)
        return self

    def executemany(self, query: Any, params_seq: Iterable[Any], **more: Any) -> None:
        if rows := list(params_seq):
            super().executemany(_in_own_words(query), rows, **more)


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
        arrays = postgresql_bulk.as_arrays(sql, columns)
        with self._lock, self._translated(), self._begun(arrays, values, binary=True) as found:
            answer = [found.pgresult.get_value(0, i) for i in range(len(columns))]
            return postgresql_bulk.table(answer, columns)

    @contextlib.contextmanager
    def cursor(self, sql: str, values: Sequence[Any] = ()) -> Iterator[_Cursor]:
        with self._lock, self._translated(), self._begun(sql, values) as found:
            yield found

    @contextlib.contextmanager
    def transaction(self, *, beside: bool = False) -> Iterator[_Cursor]:
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
        content = postgresql_bulk.copy_content(series, at, values)
        run.execute("SAVEPOINT before")
        try:
            with run.copy(_COPY) as copy:
                copy.write(content)
                windows = postgresql_bulk.windows(series, at, values, _PERIODS_S)  # meanwhile
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
        return postgresql_schema.statements(step)

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
        try:
            raw = psycopg.connect(
                self._url,
                autocommit=True,
                connect_timeout=CONNECT_S,
                keepalives_idle=30,
                keepalives_interval=10,
                keepalives_count=3,
                tcp_user_timeout=1000 * UNHEARD_S,
                client_encoding="utf8",
                cursor_factory=_Cursor,
                application_name="benchweather",
            )
        except UnicodeError:
            raise StoreFault(
                f"{self.name}: no host can have this name: correct store.url"
            ) from None
        # Readers are kept by thread: one that ends leaves its connection to be closed with it.
        weakref.finalize(self, raw.close).atexit = False
        raw.adapters.register_dumper(float, _Number)
        raw.adapters.register_dumper(str, _Text)
        raw.adapters.register_dumper(np.ndarray, _Column)
        raw.adapters.register_loader("numeric", _WholeNumber)
        try:
            self._checked(raw)
            with raw.cursor() as run:
                run.execute(f"SET lock_timeout = {round(1000 * connection.BUSY_WAIT_S)}")
                run.execute(f"SET statement_timeout = {1000 * STATEMENT_S}")
                for name, value in DEAD_S.items():
                    run.execute(f"SET {name} = {value}")
                run.execute(f"SET idle_in_transaction_session_timeout = {1000 * IDLE_S}")
                if self._read_only:
                    run.execute("SET default_transaction_read_only = on")
            if self._stands_by is not None and not _is_claimed_soon(raw, self._stands_by):
                raise StoreUnavailable(
                    f"{self.name}: another Benchweather uses this store: stop it, or set store.url to "
                    "another database. If one is to take over when the other fails, start both with "
                    "--standby"
                )
        except BaseException:
            raw.close()
            raise
        return raw

    def _checked(self, raw: psycopg.Connection[Any]) -> None:
        if raw.info.server_version < 150_000:
            raise StoreFault(
                f"{self.name}: PostgreSQL {raw.info.server_version // 10_000}: must be 15 or newer"
            )
        if (encoding := raw.info.parameter_status("server_encoding")) != "UTF8":
            raise StoreFault(
                f"{self.name}: the database's encoding is {encoding}: must be UTF8. Make one with "
                "createdb --encoding=UTF8 --template=template0, and set store.url to it"
            )
        (anyone,) = raw.execute(postgresql_schema.ANYONE_CREATES).fetchone() or (False,)
        if anyone:
            raise StoreFault(
                f"{self.name}: every user may create functions in the schema of the store, and so act "
                "with your rights. As the owner run REVOKE CREATE ON SCHEMA public FROM PUBLIC, "
                "with the name of your schema"
            )

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
