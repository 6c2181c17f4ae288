"""Homes of a shop's people: a file in the data folder, or the database on a server where the store is.

In a database all boards and services of the shop, also of several computers, have the same people,
sessions, keys, phones and counts of wrong passwords.
"""

from __future__ import annotations

import functools
import os
import threading
from abc import ABC, abstractmethod
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.core.errors import StoreUnavailable
from monitor.people import migrations
from monitor.people.guesses import DatabaseCounts, GuessCounts, MemoryCounts
from monitor.store.connection import StoreConnection, opened
from monitor.store.secret_files import DatabaseFiles, FolderFiles, SecretFiles
from monitor.store.sqlite import SqliteConnection

if TYPE_CHECKING:
    from monitor.settings import Settings


class PeopleHome(ABC):
    """Home of people, of the files of secrets, and of the counts of guesses.

    Its methods may raise `StoreUnavailable` (full, locked or away) or `StoreFault` (damaged).
    """

    files: SecretFiles
    guesses: GuessCounts

    @property
    @abstractmethod
    def name(self) -> str:
        """Name of the place, without a password."""

    @abstractmethod
    def reading(self) -> StoreConnection | None:
        """The connection to read by; None while there is nothing."""

    @abstractmethod
    def writing(self) -> StoreConnection:
        """The connection to write by. Its transactions have an order of their own."""

    @abstractmethod
    def close(self) -> None: ...


class PeopleFolder(PeopleHome):
    """The data folder, for one computer. Processes may share it; guesses are counted by each."""

    FILE = "people.sqlite3"

    def __init__(self, folder: Path) -> None:
        self.path, self.files, self.guesses = (
            folder / self.FILE,
            FolderFiles(folder),
            MemoryCounts(),
        )
        self._lock = threading.Lock()
        self._opened: tuple[int, SqliteConnection] | None = None

    @property
    def name(self) -> str:
        return str(self.path.parent)

    def reading(self) -> SqliteConnection | None:
        return self.writing() if self.path.exists() else None

    def writing(self) -> SqliteConnection:
        """The connection to the file as it is now, which is made if there is none."""
        with self._lock:
            try:
                inode = self.path.stat().st_ino
            except OSError:
                inode = self._made()
            if self._opened and self._opened[0] == inode:
                return self._opened[1]
            if self._opened:
                self._opened[1].close()
                self._opened = None
            connection = SqliteConnection(self.path, read_only=False)
            connection.prepare(migrations.__name__)
            self._opened = (inode, connection)
            return connection

    def close(self) -> None:
        with self._lock:
            if self._opened:
                self._opened[1].close()
            self._opened = None

    def _made(self) -> int:
        """Make the file, which nobody else may read; SQLite's files beside it are made alike."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            os.close(os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600))
            return self.path.stat().st_ino
        except OSError as exc:
            raise StoreUnavailable(f"{self.path}: {exc.strerror or exc}") from exc


class PeopleDatabase(PeopleHome):
    """Tables of a database on a server. Its user needs the role for people; the service makes the
    schema. Who reads never waits for a transaction, here or at another board."""

    def __init__(self, url: str) -> None:
        self._url, self._lock = url, threading.Lock()
        self._opened: dict[bool, StoreConnection] = {}
        self.files = DatabaseFiles(self.reading, self.writing)
        self.guesses = DatabaseCounts(self.reading, self.writing)

    @property
    def name(self) -> str:
        return self.reading().name

    def reading(self) -> StoreConnection:
        return self._connection(read_only=True)

    def writing(self) -> StoreConnection:
        return self._connection(read_only=False)

    def close(self) -> None:
        with self._lock:
            while self._opened:
                self._opened.popitem()[1].close()

    def _connection(self, *, read_only: bool) -> StoreConnection:
        with self._lock:
            if read_only not in self._opened:
                made = opened(self._url, read_only=read_only, turn="person")
                self._opened[read_only] = made
            return self._opened[read_only]


_database = functools.cache(PeopleDatabase)


def home_of(settings: Settings) -> PeopleHome:
    """Home of a shop's people, by where its store is; that in a database is one for a process.

    The user of `store.read_url` signs people in, not that of `store.url`: so the computers that only
    store readings need no right to see passwords.
    """
    if isinstance(settings.read_address, str):
        return _database(settings.read_address)
    return PeopleFolder(settings.data)
