"""Client sheets: kept until they are erased, then gone from the store's files too.

Erasing deletes, and then leaves no remnant: the table is written anew, so that every page it had is
freed and overwritten (`secure_delete`), and the log file is emptied into the database.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from monitor.core.errors import StoreUnavailable
from monitor.store.reader import Reader
from monitor.store.writer import Writer

EMPTY_LOG_S = 2.0
"""Longest wait of an erasure for readers of the log file. [s]"""


class ClientSheet(NamedTuple):
    """A sheet in the store. `made_ms`: when it was made last [ms since 1970-01-01 UTC]; `typed`: the
    request; `advised`: the figures."""

    sheet_id: int
    client: str
    made_ms: int
    typed: Mapping[str, Any]
    advised: Mapping[str, Any]
    packed_air: bytes

    @property
    def air(self) -> Mapping[str, Any]:
        """Further sources of the home's air; may be empty."""
        if not self.packed_air:
            return {}
        found: Mapping[str, Any] = json.loads(zlib.decompress(self.packed_air))
        return found


_ALL = "SELECT sheet_id, client, made_ms, typed, advised, air FROM client_sheet "


def keep(
    writer: Writer,
    client: str,
    made_ms: int,
    typed: Mapping[str, Any],
    advised: Mapping[str, Any],
    air: Mapping[str, Any],
) -> int:
    """Keep a sheet. One of the same client on the same request and air takes its place.

    Returns
    -------
    int
        Its id.
    """
    request, figures = (
        json.dumps(m, sort_keys=True, ensure_ascii=False) for m in (typed, advised)
    )
    packed = zlib.compress(json.dumps(air, sort_keys=True).encode()) if air else b""
    with writer.connection.transaction() as run:
        run.execute(
            "DELETE FROM client_sheet WHERE client = ? AND typed = ? AND air = ?",
            (client, request, packed),
        )
        row = run.execute(
            "INSERT INTO client_sheet (client, made_ms, typed, advised, air) "
            "VALUES (?, ?, ?, ?, ?) RETURNING sheet_id",
            (client, made_ms, request, figures, packed),
        ).fetchone()
    return int(row[0])


def all_of(store: Reader | Writer, client: str | None = None) -> list[ClientSheet]:
    """The sheets of one client or of all, the one made last first."""
    rows = store.connection.rows(
        f"{_ALL} WHERE client = coalesce(?, client) ORDER BY made_ms DESC, sheet_id DESC",
        (client,),
    )
    return [_sheet(row) for row in rows]


def one(store: Reader | Writer, sheet_id: int) -> ClientSheet | None:
    """A sheet by its id; None if there is none."""
    row = store.connection.row(f"{_ALL} WHERE sheet_id = ?", (sheet_id,))
    return _sheet(row) if row else None


def erase(writer: Writer, client: str) -> int:
    """Erase a client's sheets from the database and its log file.

    Returns
    -------
    int
        How many sheets went.

    Raises
    ------
    StoreUnavailable
        If they are deleted but the log file cannot be emptied, as somebody is reading it: it still
        holds the old rows. Erasing again, or the nightly tidying, empties it.
    """
    with writer.connection.transaction() as run:
        gone = run.execute("DELETE FROM client_sheet WHERE client = ?", (client,)).rowcount
        # A page may hold remnants of rows that moved: free all of them, which overwrites them.
        rest = run.execute(_ALL + "ORDER BY sheet_id").fetchall()
        run.execute("DELETE FROM client_sheet")
        run.executemany("INSERT INTO client_sheet VALUES (?, ?, ?, ?, ?, ?)", rest)
    if not writer.empty_log(EMPTY_LOG_S):
        raise StoreUnavailable(
            "deleted, but the store's log file still holds it while a long query runs; "
            "erase again in a few minutes"
        )
    return gone


def _sheet(row: tuple[Any, ...]) -> ClientSheet:
    return ClientSheet._make((*row[:3], json.loads(row[3]), json.loads(row[4]), row[5]))
