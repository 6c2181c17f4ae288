"""Counts of guesses at passwords: in memory, or in the database that the boards of a shop share."""

from __future__ import annotations

import contextlib
import hashlib
import threading
import time
from abc import ABC, abstractmethod
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

from monitor.store.connection import StoreConnection
from monitor.store.ingest_workers import NOW_MS

FORGET_S = 86_400.0
"""Time without a guess after which the guesses before are forgotten. [s]"""
SUBJECTS_MAX = 1_000
"""Most subjects of a kind that are remembered; the one not seen for longest goes."""
Subject = tuple[str, str]
"""Kind and name of what guesses are counted by."""
_READ = (
    f"SELECT {NOW_MS}, kind, name, n, until_ms, last_ms FROM (SELECT 1) AS one "  # noqa: S608 - a constant
    "LEFT JOIN guess ON (kind, name) IN ({})"
)
_PUT = (
    "INSERT INTO guess (kind, name, n, until_ms, last_ms) VALUES (?, ?, ?, ?, ?) "
    "ON CONFLICT (kind, name) DO UPDATE "
    "SET n = excluded.n, until_ms = excluded.until_ms, last_ms = excluded.last_ms"
)
_FORGET = "DELETE FROM guess WHERE kind = ? AND name = ?"
_FORGET_OLD = "DELETE FROM guess WHERE last_ms < ?"
_MAKE_ROOM = (
    "DELETE FROM guess WHERE kind = ? AND (last_ms, name) < (SELECT last_ms, name FROM guess "
    "WHERE kind = ? ORDER BY last_ms DESC, name DESC LIMIT 1 OFFSET ?)"
)


class Guesses(NamedTuple):
    """Guesses by one subject: their number, until when it must wait, and when the last was. [s]"""

    number: int
    until_s: float
    last_s: float


Held = tuple[float, dict[Subject, Guesses]]
"""The present [s], and the guesses by some subjects."""


class GuessCounts(ABC):
    """Guesses by subject, in bounded space. Threads may share it."""

    @abstractmethod
    def held(self, subjects: Sequence[Subject]) -> Held:
        """The guesses by some subjects, as they are now."""

    @abstractmethod
    def changing(self, subjects: Sequence[Subject]) -> contextlib.AbstractContextManager[Held]:
        """The guesses by some subjects, while nobody else changes any; what is put there is kept."""

    @abstractmethod
    def forget(self, subjects: Sequence[Subject]) -> None:
        """Forget the guesses by some subjects."""


class MemoryCounts(GuessCounts):
    """Counts of one board in memory, which are lost when it stops."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._clock_s, self._lock = clock_s, threading.Lock()
        self.kept: dict[str, OrderedDict[str, Guesses]] = defaultdict(OrderedDict)

    def held(self, subjects: Sequence[Subject]) -> Held:
        found = {one: self.kept[one[0]].get(one[1]) for one in subjects}
        return self._clock_s(), {one: held for one, held in found.items() if held is not None}

    @contextlib.contextmanager
    def changing(self, subjects: Sequence[Subject]) -> Iterator[Held]:
        with self._lock:
            now_s, found = self.held(subjects)
            before = dict(found)
            yield now_s, found
            for (kind, name), held in found.items() - before.items():
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

    def __init__(
        self, reading: Callable[[], StoreConnection], writing: Callable[[], StoreConnection]
    ) -> None:
        self._reading, self._writing = reading, writing

    def held(self, subjects: Sequence[Subject]) -> Held:
        return _held(subjects, self._reading().rows(*_asked(subjects)))

    @contextlib.contextmanager
    def changing(self, subjects: Sequence[Subject]) -> Iterator[Held]:
        with self._writing().transaction() as run:
            now_s, found = _held(subjects, run.execute(*_asked(subjects)).fetchall())
            before = dict(found)
            yield now_s, found
            changed = dict(found.items() - before.items())
            rows = [
                (*_row_of(one), held.number, round(1000 * held.until_s), round(1000 * held.last_s))
                for one, held in changed.items()
            ]
            run.executemany(_PUT, rows)
            kinds = {kind for kind, _ in changed}
            run.executemany(_MAKE_ROOM, [(kind, kind, SUBJECTS_MAX - 1) for kind in kinds])
            run.execute(_FORGET_OLD, (round(1000 * (now_s - FORGET_S)),))

    def forget(self, subjects: Sequence[Subject]) -> None:
        with self._writing().transaction() as run:
            run.executemany(_FORGET, [_row_of(one) for one in subjects])


def _asked(subjects: Sequence[Subject]) -> tuple[str, list[str]]:
    """Query of the guesses by some subjects."""
    marks = ", ".join("(?, ?)" for _ in subjects)
    return _READ.format(marks), [text for one in subjects for text in _row_of(one)]


def _held(subjects: Sequence[Subject], rows: Sequence[Any]) -> Held:
    by_row = {_row_of(one): one for one in subjects}
    found = {
        by_row[kind, name]: Guesses(number, until_ms / 1000, last_ms / 1000)
        for _, kind, name, number, until_ms, last_ms in rows
        if kind is not None
    }
    return rows[0][0] / 1000, found


def _row_of(subject: Subject) -> tuple[str, str]:
    kind, name = subject
    return kind, hashlib.sha256(name.encode(errors="replace")).hexdigest()
