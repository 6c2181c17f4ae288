"""Small documents that a service has to show besides its store: its heartbeat, the plan, topics heard.

They are files in the data folder, or rows of the database on a server where the store is.
"""

from __future__ import annotations

import contextlib
from abc import ABC, abstractmethod
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Protocol

from monitor.core.durable_file import write_durably
from monitor.store.ingest_workers import NOW_MS
from monitor.store.shared_home import SharedHome, shared_home

if TYPE_CHECKING:
    from monitor.store.connection import Cursor, StoreAddress

TABLES = ("document",)
"""Tables that only a database on a server has."""
_PUT = (
    f"INSERT INTO document (name, made_ms, body) VALUES (?, {NOW_MS}, ?) "  # noqa: S608 - a constant
    "ON CONFLICT (name) DO UPDATE SET body = excluded.body, "
    "made_ms = greatest(excluded.made_ms, document.made_ms + 1)"
)
_READ = f"SELECT body, {NOW_MS} - made_ms FROM document WHERE name = ?"  # noqa: S608 - a constant


class Shop(Protocol):
    """Addresses of a shop's store and files, as the settings have them."""

    @property
    def data(self) -> Path: ...
    @property
    def store_address(self) -> StoreAddress: ...
    @property
    def read_address(self) -> StoreAddress: ...


class Document(NamedTuple):
    """A document, and how long ago it was put by the clock of its home. [ms]"""

    body: str
    age_ms: int


class Documents(ABC):
    """Home of documents, by the names of their files."""

    @abstractmethod
    def read(self, name: str) -> str:
        """A document. Raises `FileNotFoundError` if there is none, `OSError` or `StoreFault` if it
        cannot be read."""

    @abstractmethod
    def stamp(self, name: str) -> int:
        """Time at which a document was put, for caches; 0 before the first. [ns]"""

    @abstractmethod
    def put(self, name: str, body: str) -> None:
        """Put a document instead of the one before. The caller reports an `OSError` or `StoreFault`."""


class FolderDocuments(Documents):
    """Files in the data folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def read(self, name: str) -> str:
        return (self._folder / name).read_text(encoding="utf-8")

    def stamp(self, name: str) -> int:
        with contextlib.suppress(OSError):
            return (self._folder / name).stat().st_mtime_ns
        return 0

    def put(self, name: str, body: str) -> None:
        write_durably(self._folder / name, body)


class DatabaseDocuments(Documents):
    """Rows of a database on a server."""

    def __init__(self, home: SharedHome) -> None:
        self._home = home

    def read(self, name: str) -> str:
        if (row := self._home.reading.row(_READ, (name,))) is None:
            raise FileNotFoundError(name)
        return str(row[0])

    def aged(self, name: str) -> Document | None:
        """A document with its age, as it was at most a second ago; None if there is none."""
        row = self._home.held(name, lambda: self._home.reading.row(_READ, (name,)))
        return None if row is None else Document(*row)

    def stamp(self, name: str) -> int:
        sql = "SELECT name, made_ms FROM document"
        made = self._home.held("stamps", lambda: dict(self._home.reading.rows(sql)))
        return 1_000_000 * int(made.get(name, 0))

    def put(self, name: str, body: str) -> None:
        with self._home.writing.transaction(beside=True) as run:
            put(run, name, body)
        self._home.forget()


def put(run: Cursor, name: str, body: str) -> None:
    """Within a transaction of a database on a server: put a document."""
    run.execute(_PUT, (name, body))


def documents_of(shop: Shop) -> Documents:
    """Home of a shop's documents, by where its store is."""
    if isinstance(shop.store_address, str):
        return DatabaseDocuments(shared_home(shop.read_address, shop.store_address))
    return FolderDocuments(shop.data)
