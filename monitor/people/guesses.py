"""Counts of guesses at passwords: in memory, or in the database that the boards of a shop share."""

from __future__ import annotations

import contextlib
import hashlib
import threading
import time
from abc import ABC, abstractmethod
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from monitor.store.connection import StoreConnection
from monitor.store.ingest_workers import NOW_MS

FORGET_S = 86_400.0
"""Time without a guess after which the guesses before are forgotten. [s]"""
SUBJECTS_MAX = 1_000
"""Most subjects of a kind that are remembered; the one not seen for longest goes."""
Subject = tuple[str, str]
"""Kind and name of what guesses are counted by."""
_READ = "SELECT n, until_ms, last_ms FROM guess WHERE kind = ? AND name = ?"
_PUT = (
    "INSERT INTO guess (kind, name, n, until_ms, last_ms) VALUES (?, ?, ?, ?, ?) "
    "ON CONFLICT (kind, name) DO UPDATE "
    "SET n = excluded.n, until_ms = excluded.until_ms, last_ms = excluded.last_ms"
)
_FORGET = "DELETE FROM guess WHERE kind = ? AND name = ?"
_FORGET_OLD = "DELETE FROM guess WHERE last_ms < ?"
_MAKE_ROOM = (
    "DELETE FROM guess WHERE kind = ? AND name NOT IN "
    "(SELECT name FROM guess WHERE kind = ? ORDER BY last_ms DESC LIMIT ?)"
)


class Guesses(NamedTuple):
    """Guesses by one subject: their number, until when it must wait, and when the last was. [s]"""

    number: int
    until_s: float
    last_s: float


class GuessCounts(ABC):
    """Guesses by subject, in bounded space. Threads may share it."""

    @abstractmethod
    def changing(
        self, subjects: Sequence[Subject]
    ) -> contextlib.AbstractContextManager[tuple[float, dict[Subject, Guesses]]]:
        """The present [s], and the guesses by some subjects; what is put there is kept at the end.
        Nobody else changes any meanwhile."""

    @abstractmethod
    def forget(self, subjects: Sequence[Subject]) -> None:
        """Forget the guesses by some subjects."""


class MemoryCounts(GuessCounts):
    """Counts of one board, which end with it."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._clock_s, self._lock = clock_s, threading.Lock()
        self.kept: dict[str, OrderedDict[str, Guesses]] = defaultdict(OrderedDict)

    @contextlib.contextmanager
    def changing(
        self, subjects: Sequence[Subject]
    ) -> Iterator[tuple[float, dict[Subject, Guesses]]]:
        with self._lock:
            found = {
                (kind, name): held
                for kind, name in subjects
                if (held := self.kept[kind].get(name)) is not None
            }
            before = dict(found)
            yield self._clock_s(), found
            for (kind, name), held in found.items():
                if before.get((kind, name)) != held:
                    self.kept[kind][name] = held
                    self.kept[kind].move_to_end(name)
                    while len(self.kept[kind]) > SUBJECTS_MAX:
                        self.kept[kind].popitem(last=False)

    def forget(self, subjects: Sequence[Subject]) -> None:
        with self._lock:
            for kind, name in subjects:
                self.kept[kind].pop(name, None)


class DatabaseCounts(GuessCounts):
    """Counts of all boards together, by the server's clock. Of a name only its digest is kept: somebody
    may have typed a password there.

    Raises
    ------
    StoreFault
        If the database cannot be read or written just now.
    """

    def __init__(self, connection: Callable[[], StoreConnection]) -> None:
        self._connection = connection

    @contextlib.contextmanager
    def changing(
        self, subjects: Sequence[Subject]
    ) -> Iterator[tuple[float, dict[Subject, Guesses]]]:
        with self._connection().transaction() as run:
            now_ms = run.execute(f"SELECT {NOW_MS}").fetchone()[0]
            run.execute(_FORGET_OLD, (now_ms - round(1000 * FORGET_S),))
            found = {}
            for subject in subjects:
                if row := run.execute(_READ, _row_of(subject)).fetchone():
                    found[subject] = Guesses(row[0], row[1] / 1000, row[2] / 1000)
            before = dict(found)
            yield now_ms / 1000, found
            changed = {one: held for one, held in found.items() if before.get(one) != held}
            for subject, held in changed.items():
                times_ms = (round(1000 * held.until_s), round(1000 * held.last_s))
                run.execute(_PUT, (*_row_of(subject), held.number, *times_ms))
            for kind in {kind for kind, _ in changed}:
                run.execute(_MAKE_ROOM, (kind, kind, SUBJECTS_MAX))

    def forget(self, subjects: Sequence[Subject]) -> None:
        with self._connection().transaction() as run:
            run.executemany(_FORGET, [_row_of(one) for one in subjects])


def _row_of(subject: Subject) -> tuple[str, str]:
    kind, name = subject
    return kind, hashlib.sha256(name.encode(errors="replace")).hexdigest()
