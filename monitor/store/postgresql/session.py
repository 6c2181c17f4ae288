"""A session on a PostgreSQL server for the store: its limits, its types, and the claim of a service."""

from __future__ import annotations

import functools
import time
from collections.abc import Iterable
from typing import Any

import numpy as np
import psycopg
from numpy.typing import NDArray
from psycopg.types.numeric import FloatDumper, FloatLoader
from psycopg.types.string import StrDumper

from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.store import connection
from monitor.store.postgresql import bulk, schema

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


def begin(url: str, name: str, *, read_only: bool) -> psycopg.Connection[Any]:
    """Begin a session.

    Parameters
    ----------
    url : str
    name : str
        Name of the database in errors, without its password.
    read_only : bool
        True if nothing may be written.

    Raises
    ------
    psycopg.Error
        If the server does not answer, or refuses.
    StoreFault
        If it is too old, or its database cannot hold the store.
    """
    try:
        raw = psycopg.connect(
            url,
            autocommit=True,
            connect_timeout=CONNECT_S,
            keepalives_idle=30,
            keepalives_interval=10,
            keepalives_count=3,
            tcp_user_timeout=1000 * UNHEARD_S,
            client_encoding="utf8",
            cursor_factory=StoreCursor,
            application_name="benchweather",
        )
    except UnicodeError:
        raise StoreFault(f"{name}: no host can have this name: correct store.url") from None
    raw.adapters.register_dumper(float, _Number)
    raw.adapters.register_dumper(str, _Text)
    raw.adapters.register_dumper(np.ndarray, _Column)
    raw.adapters.register_loader("numeric", _WholeNumber)
    try:
        _checked(raw, name)
        with raw.cursor() as run:
            run.execute(f"SET lock_timeout = {round(1000 * connection.BUSY_WAIT_S)}")
            run.execute(f"SET statement_timeout = {1000 * STATEMENT_S}")
            for setting, value in DEAD_S.items():
                run.execute(f"SET {setting} = {value}")
            run.execute(f"SET idle_in_transaction_session_timeout = {1000 * IDLE_S}")
            if read_only:
                run.execute("SET default_transaction_read_only = on")
    except BaseException:
        raw.close()
        raise
    return raw


def claim(raw: psycopg.Connection[Any], name: str, *, stands_by: bool) -> None:
    """Claim the store for a service's session. The session of a service that has just ended may hold
    it a moment longer.

    Raises
    ------
    StoreUnavailable
        If another service has it.
    """
    until_s = time.monotonic() + ENDING_S
    while not _is_claimed(raw, stands_by):
        if time.monotonic() > until_s:
            raise StoreUnavailable(
                f"{name}: another Benchweather uses this store: stop it, or set store.url to another "
                "database. If one is to take over when the other fails, start both with --standby"
            )
        time.sleep(0.05)


def _is_claimed(raw: psycopg.Connection[Any], stands_by: bool) -> bool:
    """Claim the store for a connection; False if a service has it."""
    with raw.transaction(), psycopg.Cursor(raw) as run:
        run.execute("SET TRANSACTION READ WRITE")
        if run.execute("SELECT to_regclass('service')").fetchone() == (None,):
            return True  # of an earlier version, which is read once to be refused
        for statement in _CLAIM:
            run.execute(statement, {"stands_by": stands_by})
        return run.rowcount == 1


def _checked(raw: psycopg.Connection[Any], name: str) -> None:
    """Refuse a server or database that cannot hold the store."""
    if raw.info.server_version < 150_000:
        raise StoreFault(
            f"{name}: PostgreSQL {raw.info.server_version // 10_000}: must be 15 or newer"
        )
    if (encoding := raw.info.parameter_status("server_encoding")) != "UTF8":
        raise StoreFault(
            f"{name}: the database's encoding is {encoding}: must be UTF8. Make one with "
            "createdb --encoding=UTF8 --template=template0, and set store.url to it"
        )
    (anyone,) = raw.execute(schema.ANYONE_CREATES).fetchone() or (False,)
    if anyone:
        raise StoreFault(
            f"{name}: every user may create functions in the schema of the store, and so act "
            "with your rights. As the owner run REVOKE CREATE ON SCHEMA public FROM PUBLIC, "
            "with the name of your schema"
        )


@functools.lru_cache(maxsize=512)
def _in_own_words(sql: str) -> str:
    return sql.replace("%", "%%").replace("?", "%s")


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
        return bulk.array_content(obj)


class StoreCursor(psycopg.Cursor[Any]):
    """A cursor that takes `?` for a value, as the store's SQL has it."""

    def execute(self, query: Any, params: Any = (), **more: Any) -> StoreCursor:
        super().execute(_in_own_words(query), params, **more)
        return self

    def executemany(self, query: Any, params_seq: Iterable[Any], **more: Any) -> None:
        if rows := list(params_seq):
            super().executemany(_in_own_words(query), rows, **more)
