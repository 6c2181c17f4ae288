"""Ingests that share a stream, as a database on a server keeps them.

Each has a number. Times are the server's, so that the clocks of several computers need not agree.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.store.writer import Writer

NOW_MS = "floor(1000 * extract(epoch FROM clock_timestamp()))::bigint"
"""The server's time. [ms since 1970-01-01 UTC]"""


class SilentWorker(NamedTuple):
    """A worker that was not seen for a while: its number, and the client id of its session."""

    number: int
    client_id: str


def number_of(writer: Writer, client_id: str) -> int:
    """Number of the ingest with this client id, from 1; a new one gets the next."""
    with writer.connection.transaction() as run:
        known = run.execute(
            "SELECT worker_id FROM ingest_worker WHERE client_id = ?", (client_id,)
        ).fetchone()
        if known is None:
            known = run.execute(
                "INSERT INTO ingest_worker (client_id) VALUES (?) RETURNING worker_id",
                (client_id,),
            ).fetchone()
    return int(known[0])


def note_seen(writer: Writer, number: int) -> None:
    """Note that a worker stores its messages itself."""
    with writer.connection.transaction(beside=True) as run:
        run.execute(
            f"UPDATE ingest_worker SET seen_ms = {NOW_MS}, drained_by = NULL WHERE worker_id = ?",  # noqa: S608 - a constant
            (number,),
        )


def claim_silent(writer: Writer, by: int, after_ms: int) -> SilentWorker | None:
    """Claim a worker that was not seen for a while, so that nobody else stores what waits for it."""
    silent = f"seen_ms < {NOW_MS} - ?"
    with writer.connection.transaction(beside=True) as run:
        found = run.execute(
            f"UPDATE ingest_worker SET seen_ms = {NOW_MS}, drained_by = ? WHERE {silent} AND "  # noqa: S608 - constants
            f"worker_id = (SELECT min(worker_id) FROM ingest_worker WHERE {silent} "
            "AND worker_id <> ?) RETURNING worker_id, client_id",
            (by, after_ms, after_ms, by),
        ).fetchone()
    return SilentWorker(*found) if found else None


def keep_claim(writer: Writer, by: int, number: int, *, done: bool = False) -> bool:
    """Renew a claim, or end it when nothing waits any more; False if the worker is back."""
    with writer.connection.transaction(beside=True) as run:
        seen = "NULL" if done else NOW_MS
        return bool(
            run.execute(
                f"UPDATE ingest_worker SET seen_ms = {seen} WHERE worker_id = ? "  # noqa: S608 - a constant
                "AND drained_by = ?",
                (number, by),
            ).rowcount
        )
