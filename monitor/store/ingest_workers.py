"""Ingests that share a stream, as a database on a server keeps them.

Each has a number, and a claim on what waits under it. A claim ends when another is made: who stores
under an earlier one stores nothing. Times are the server's, so that the clocks of several computers need
not agree.
"""

from __future__ import annotations

import contextlib
from typing import NamedTuple

from monitor.core.errors import MonitorError
from monitor.store.connection import Cursor
from monitor.store.writer import Writer

NOW_MS = "floor(1000 * extract(epoch FROM clock_timestamp()))::bigint"
"""The server's time. [ms since 1970-01-01 UTC]"""
_CLAIM = "UPDATE ingest_worker SET claims = coalesce(claims, 0) + 1{} WHERE {} RETURNING "
_SILENT = f"seen_ms < {NOW_MS} - ? AND worker_id <> ?"


class ShareLost(MonitorError):
    """Another ingest has claimed what waits for this one."""


class Worker(NamedTuple):
    """An ingest worker: its name, how long ago it was seen [s], and messages stored a minute."""

    name: str
    unseen_s: float
    per_minute: float


class Share:
    """Hold of an ingest on what waits under a number.

    Attributes
    ----------
    number : int
        From 1.
    client_id : str
        Of the session at the broker.
    own : bool
        False if it is that of a worker that is silent.
    lost : bool
        True once another was seen to have claimed it.
    """

    def __init__(
        self, writer: Writer, number: int, client_id: str, claim: int | None = None
    ) -> None:
        self.number, self.client_id, self.own = number, client_id, claim is None
        self.lost = False
        self._writer, self._claim = writer, claim
        if claim is None:
            self.claim()

    def claim(self) -> None:
        """Claim it. Every transaction under the earlier claim has ended when this returns."""
        with self._writer.connection.transaction() as run:
            run.execute(_CLAIM.format("", "worker_id = ?") + "claims", (self.number,))
            (self._claim,) = run.fetchone()
        self.lost = False

    def check(self, run: Cursor) -> None:
        """Within a transaction: raise `ShareLost` if another has claimed it."""
        run.execute("SELECT claims FROM ingest_worker WHERE worker_id = ?", (self.number,))
        if run.fetchone() != (self._claim,):
            self.lost = True
            raise ShareLost(f"another worker stores what waits for worker {self.number}")

    def look(self) -> None:
        """Note whether another has claimed it."""
        with (
            self._writer.connection.transaction(beside=True) as run,
            contextlib.suppress(ShareLost),
        ):
            self.check(run)

    def note_seen(self, name: str, per_minute: float) -> None:
        """Note that its worker stores its messages itself."""
        values = (name, per_minute, self.number, self._claim)
        self.lost |= not self._update(
            f"seen_ms = {NOW_MS}, last_ms = {NOW_MS}, name = ?, per_minute = ?", values
        )

    def note_ended(self) -> None:
        """Note that its worker was stopped on purpose."""
        self._update("last_ms = NULL", (self.number, self._claim))

    def keep(self, *, done: bool = False) -> bool:
        """Renew the claim on a silent worker's share, or end it when nothing waits any more; False if
        the worker is back."""
        seen = "NULL" if done else NOW_MS
        return self._update(f"seen_ms = {seen}", (self.number, self._claim))

    def _update(self, columns: str, values: tuple[object, ...]) -> bool:
        with self._writer.connection.transaction(beside=True) as run:
            run.execute(
                f"UPDATE ingest_worker SET {columns} WHERE worker_id = ? AND claims = ?",  # noqa: S608 - constants
                values,
            )
            return run.rowcount > 0


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


def claim_silent(writer: Writer, by: int, after_ms: int) -> Share | None:
    """Claim the share of a worker that was not seen for a while."""
    silent, values = f"SELECT min(worker_id) FROM ingest_worker WHERE {_SILENT}", (after_ms, by)  # noqa: S608 - constants
    if writer.connection.row(silent, values) == (None,):
        return None  # almost always: no writer has to wait for this
    with writer.connection.transaction() as run:
        sql = _CLAIM.format(f", seen_ms = {NOW_MS}", f"worker_id = ({silent})")
        found = run.execute(sql + "worker_id, client_id, claims", values).fetchone()
    return Share(writer, *found) if found else None


def workers(writer: Writer, within_ms: int) -> list[Worker]:
    """Workers that were seen within a time and not stopped since, by name."""
    rows = writer.connection.rows(
        f"SELECT name, ({NOW_MS} - last_ms) / 1000.0, per_minute FROM ingest_worker "  # noqa: S608 - constants
        f"WHERE last_ms > {NOW_MS} - ? ORDER BY name, worker_id",
        (within_ms,),
    )
    return [Worker(*row) for row in rows]
