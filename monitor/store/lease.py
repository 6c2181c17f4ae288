"""Lease of a store on a server, for several services of which one works.

Each time that it passes to another service its number grows. Each transaction of a service compares its
own with it: who has an old one writes nothing. Times are the server's.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.store.connection import StoreConnection
from monitor.store.ingest_workers import NOW_MS

LEASE_MS = 15_000
"""Time for which the lease holds without being renewed. [ms]"""
_UNTIL = f"{NOW_MS} + ?"
_TAKE = (
    f"INSERT INTO lease (number, holder, client_id, until_ms) VALUES (1, ?, ?, {_UNTIL}) "  # noqa: S608 - constants
    "ON CONFLICT (lease_id) DO UPDATE SET number = lease.number + 1, holder = excluded.holder, "
    f"until_ms = {_UNTIL} WHERE lease.until_ms < {NOW_MS} RETURNING number, client_id"
)
_RENEW = f"UPDATE lease SET until_ms = {_UNTIL} WHERE number = ? RETURNING number"  # noqa: S608 - a constant
_GIVE_BACK = "UPDATE lease SET until_ms = 0 WHERE number = ? RETURNING number"


class Holding(NamedTuple):
    """A lease that a service holds: its number, and the client id of the session that passes with it."""

    number: int
    client_id: str


def take(store: StoreConnection, holder: str, client_id: str) -> Holding | None:
    """Take the lease if nobody holds it. The client id of who held it first stays with it.

    Every transaction under an earlier number has ended when this returns.
    """
    with store.transaction() as run:
        row = run.execute(_TAKE, (holder, client_id, LEASE_MS, LEASE_MS)).fetchone()
    return Holding(*row) if row else None


def renew(store: StoreConnection, number: int) -> bool:
    """Renew the lease; False if another service has it by now."""
    return store.row(_RENEW, (LEASE_MS, number)) is not None


def give_back(store: StoreConnection, number: int) -> None:
    """Give the lease back, so that another can take it at once."""
    store.row(_GIVE_BACK, (number,))


def holder(store: StoreConnection) -> str:
    """Return the name of the service that has the lease, or had it last; empty before the first."""
    row = store.row("SELECT holder FROM lease")
    return str(row[0]) if row else ""
