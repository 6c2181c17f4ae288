"""The service's heartbeat as boards and commands see it, on its own computer or on another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import msgspec

from monitor.core.clock import now_ms
from monitor.runtime import heartbeat
from monitor.store import documents
from monitor.store.documents import DatabaseDocuments, Shop, documents_of

if TYPE_CHECKING:
    from pathlib import Path

    from monitor.runtime.heartbeat import Heartbeat
    from monitor.store.connection import Cursor

NAME = "heartbeat.json"


class ShopWithService(Shop, Protocol):
    """A shop whose service leaves its heartbeat in a file."""

    @property
    def heartbeat_path(self) -> Path: ...


def put(run: Cursor, beat: Heartbeat) -> None:
    """Within a transaction of a database on a server: put a heartbeat, for other computers."""
    documents.put(run, NAME, msgspec.json.encode(beat).decode())


def last(shop: ShopWithService) -> Heartbeat | None:
    """The service's last heartbeat: of the service in the data folder, or, where the store is a
    database, of the one that uses it from another computer; None if there is none.

    Raises
    ------
    StoreFault
        If the database cannot be read.
    """
    here, home = heartbeat.read(shop.heartbeat_path), documents_of(shop)
    if not isinstance(home, DatabaseDocuments) or (here is not None and not here.late()):
        return here
    if (found := home.aged(NAME)) is None:
        return here
    beat = heartbeat.decoded(found.body.encode())
    # Its age is by the server's clock, as those of two computers may differ.
    return beat and msgspec.structs.replace(beat, beat_ms=now_ms() - found.age_ms)
