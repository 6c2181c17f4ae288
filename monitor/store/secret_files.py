"""Small files of secrets: in the data folder, or in the database that the boards of a shop share."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path

from monitor.core.durable_file import write_durably
from monitor.core.errors import StoreUnavailable
from monitor.store.connection import Cursor, StoreConnection

BOARD_KEYS, PHONES, PUSH_KEY = NAMES = ("secrets.json", "phones.json", "push-key.pem")
_READ = "SELECT content FROM secret_file WHERE name = ?"
_PUT = (
    "INSERT INTO secret_file (name, content) VALUES (?, ?) "
    "ON CONFLICT (name) DO UPDATE SET content = excluded.content"
)


class SecretFiles(ABC):
    """Files of secrets by their names. Threads may share them.

    Raises
    ------
    StoreFault
        If they cannot be read or written just now.
    """

    @abstractmethod
    def read(self, name: str) -> str | None:
        """Content of a file; None if there is none."""

    @abstractmethod
    def change(self, name: str, change: Callable[[str | None], str]) -> str:
        """Replace the content of a file by what is made of it, while nobody else changes it, and
        return that."""

    @abstractmethod
    def put(self, run: Cursor, name: str, content: str) -> None:
        """Within a transaction on the database of people: write a file."""


class FolderFiles(SecretFiles):
    """Files in the data folder, which only its user may read."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._lock = folder, threading.Lock()

    def read(self, name: str) -> str | None:
        try:
            return (self._folder / name).read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return None
        except OSError as exc:
            raise StoreUnavailable(f"{name}: {exc.strerror}") from exc

    def change(self, name: str, change: Callable[[str | None], str]) -> str:
        with self._lock:
            before = self.read(name)
            after = change(before)
            if after != before:
                self._write(name, after)
        return after

    def put(self, run: Cursor, name: str, content: str) -> None:
        del run
        self._write(name, content)

    def _write(self, name: str, content: str) -> None:
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            write_durably(self._folder / name, content)
        except OSError as exc:
            raise StoreUnavailable(f"{name}: {exc.strerror}") from exc


class DatabaseFiles(SecretFiles):
    """Rows of a database on a server, by its connections for people."""

    def __init__(
        self, reading: Callable[[], StoreConnection], writing: Callable[[], StoreConnection]
    ) -> None:
        self._reading, self._writing = reading, writing

    def read(self, name: str) -> str | None:
        row = self._reading().row(_READ, (name,))
        return None if row is None else str(row[0])

    def change(self, name: str, change: Callable[[str | None], str]) -> str:
        with self._writing().transaction() as run:
            row = run.execute(_READ, (name,)).fetchone()
            before = None if row is None else str(row[0])
            after = change(before)
            if after != before:
                self.put(run, name, after)
        return after

    def put(self, run: Cursor, name: str, content: str) -> None:
        run.execute(_PUT, (name, content))
