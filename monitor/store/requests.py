"""Requests to the service in the store's table, from boards and the command line of any computer.

A row is there as long as somebody waits for its answer. The service writes the answer together with the
change. Who stops waiting removes the row: either its answer is there by then, or the request will never
be carried out. Times are the server's.

Who only asks may put a row, and call the function that reads and removes one by its id: a table that he
may change he could lock, and the service would wait in the middle of a change.
"""

from __future__ import annotations

from monitor.core.errors import MonitorError
from monitor.store.connection import Cursor, StoreConnection
from monitor.store.ingest_workers import NOW_MS

LONGEST_MS, FORGOTTEN_MS = 10_000, 3_600_000
"""Time after which a request is no longer begun, and after which one is removed whose board has died.
[ms]"""
BODY_MAX = 12_000_000
"""Longest body, which may have a logger's file in it. [characters]"""
_PUT = (
    "INSERT INTO request (request_id, body) VALUES (?, ?) ON CONFLICT DO NOTHING "
    "RETURNING pg_notify(current_schema()::text, '')"
)
_CALL = "SELECT pg_notify(current_schema()::text, '')"
_OPEN = (
    f"SELECT request_id FROM request WHERE answer IS NULL AND made_ms > {NOW_MS} - ? "  # noqa: S608 - a constant
    "ORDER BY made_ms, request_id LIMIT 100"
)
_BODY = (
    "SELECT body, made_by = session_user FROM request WHERE request_id = ? AND length(body) <= ?"
)
_ANSWER_TO = "SELECT request_answer(?, ?)"
_ANSWER = (
    "UPDATE request SET answer = ? WHERE request_id = (SELECT request_id FROM request "
    "WHERE request_id = ? AND answer IS NULL FOR UPDATE SKIP LOCKED)"
)
_FORGET = (
    "DELETE FROM request WHERE request_id IN (SELECT request_id FROM request "  # noqa: S608 - a constant
    f"WHERE made_ms < {NOW_MS} - ? FOR UPDATE SKIP LOCKED)"
)
"""Removal of old requests, but for rows that another connection is changing."""


class RequestWithdrawn(MonitorError):
    """Error that nobody waits for the answer any more."""


def put(store: StoreConnection, request_id: str, body: str) -> None:
    """Put a request, and call the service."""
    store.row(_PUT, (request_id, body))


def call(store: StoreConnection) -> None:
    """Call the service, so that it looks for requests at once."""
    store.row(_CALL)


def answer_to(store: StoreConnection, request_id: str) -> str | None:
    """The answer to a request; None if there is none yet."""
    return _answer_to(store, request_id, last=False)


def withdraw(store: StoreConnection, request_id: str) -> str | None:
    """Remove a request; returns the answer that it got meanwhile, None if it will get none."""
    return _answer_to(store, request_id, last=True)


def _answer_to(store: StoreConnection, request_id: str, *, last: bool) -> str | None:
    (text,) = store.row(_ANSWER_TO, (request_id, last))
    return None if text is None else str(text)


def open_ones(store: StoreConnection) -> list[str]:
    """Requests that wait for an answer, the oldest first."""
    return [request_id for (request_id,) in store.rows(_OPEN, (LONGEST_MS,))]


def body_of(store: StoreConnection, request_id: str) -> tuple[str, bool]:
    """The body of a request, and whether it is of the service's own user of the database; an empty body
    if it is too long, or withdrawn."""
    return store.row(_BODY, (request_id, BODY_MAX)) or ("", False)


def answer(run: Cursor, request_id: str, text: str) -> None:
    """Within a transaction: answer a request.

    Raises
    ------
    RequestWithdrawn
        If nobody waits any more, or it has an answer.
    """
    if run.execute(_ANSWER, (text, request_id)).rowcount != 1:
        raise RequestWithdrawn("nobody waits for the answer to this request any more")


def forget(run: Cursor) -> None:
    """Within a transaction: remove requests of boards that have died."""
    run.execute(_FORGET, (FORGOTTEN_MS,))
