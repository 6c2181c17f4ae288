"""Homes of the outlooks: files in the data folder, or the database on a server where the store is.

In a database several processes, also of several computers, share the places by turns.
"""

from __future__ import annotations

import contextlib
import io
import json
import logging
import os
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import IO, TYPE_CHECKING

from monitor.core import clock
from monitor.core.errors import StoreFault
from monitor.store import outlooks
from monitor.store.outlooks import Item, Turn, When
from monitor.store.shared_home import SharedHome, shared_home

if TYPE_CHECKING:
    from monitor.settings import Settings

log = logging.getLogger(__name__)

LEARN, LOOK = "learn", "look"
"""Tasks for one place."""


class OutlookHome(ABC):
    """Home of what is kept of each place, by its kind, and of the turns to make it."""

    @abstractmethod
    def opened(self, place: str, kind: str) -> IO[bytes]:
        """An item to read. Raises `FileNotFoundError` if there is none."""

    @abstractmethod
    def stamp(self, place: str, kind: str) -> int:
        """Time at which an item was stored, for caches; 0 before the first. [ns]"""

    @abstractmethod
    def places(self, kind: str) -> set[str]:
        """Places that have an item of a kind."""

    @abstractmethod
    def put(self, items: Iterable[Item]) -> None:
        """Store items instead of those before; guesses only where there are none."""

    @abstractmethod
    def progress(self) -> tuple[str, int, int] | None:
        """Place, days done and all days of a task under way; None if there is none."""

    @abstractmethod
    def now_ms(self) -> int:
        """Time that all who share the places have. [ms since 1970-01-01 UTC]"""

    @abstractmethod
    def due(self, task: str, wanted: Mapping[str, When]) -> list[str]:
        """Places for which a task must be done."""

    @abstractmethod
    def take(self, task: str, place: str, when: When) -> Turn | None:
        """Take the turn to do a task for a place; None if another has it."""

    @abstractmethod
    def note(self, turn: Turn, days: int, of_days: int) -> None:
        """Note how far a task is."""

    @abstractmethod
    def finish(self, turn: Turn, items: Iterable[Item]) -> bool:
        """Store the results of a task; False, and nothing stored, if the turn was lost."""

    @abstractmethod
    def drop(self, turn: Turn) -> None:
        """Leave a task undone."""


class OutlookFolder(OutlookHome):
    """Files in the data folder, written by one process. What is done it keeps in memory."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._progress = folder, folder / "progress.json"
        self._done: dict[tuple[str, str], When] = {}
        self._noted: Turn | None = None

    def opened(self, place: str, kind: str) -> IO[bytes]:
        return self._path(place, kind).open("rb")

    def stamp(self, place: str, kind: str) -> int:
        try:
            # Not a Path: of many places each round asks for all.
            return os.stat(f"{self._folder}/{outlooks.file_name(place, kind)}").st_mtime_ns  # noqa: PTH116
        except OSError:
            return 0

    def places(self, kind: str) -> set[str]:
        end = outlooks.file_name("", kind)
        found = self._folder.glob(f"*{end}")
        return {outlooks.place_of(one.name) for one in found}

    def put(self, items: Iterable[Item]) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        parts = []
        try:
            for one in items:
                path = self._path(one.place, one.kind)
                if one.guess and path.exists():
                    continue
                parts.append((path.with_name(f"{path.name}.part"), path))
                parts[-1][0].write_bytes(one.body)
        except OSError:  # all or none: the disk is full
            for part, _ in parts:
                part.unlink(missing_ok=True)
            raise
        for part, path in parts:
            part.replace(path)

    def progress(self) -> tuple[str, int, int] | None:
        try:
            place, days, of_days = json.loads(self._progress.read_text(encoding="utf-8"))
        except (OSError, ValueError, TypeError):
            return None
        return place, days, of_days

    def now_ms(self) -> int:
        return clock.now_ms()

    def due(self, task: str, wanted: Mapping[str, When]) -> list[str]:
        return [place for place, when in wanted.items() if self._done.get((task, place)) != when]

    def take(self, task: str, place: str, when: When) -> Turn:
        return Turn(task, place, when, 0)

    def note(self, turn: Turn, days: int, of_days: int) -> None:
        self._noted = turn
        with contextlib.suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            part = self._progress.with_suffix(".part")
            part.write_text(json.dumps((turn.place, days, of_days)), encoding="utf-8")
            part.replace(self._progress)

    def set_aside(self, place: str, kind: str) -> None:
        """Rename a file that cannot be used, so that it counts as absent."""
        path = self._path(place, kind)
        with contextlib.suppress(OSError):
            path.replace(path.with_name(f"{path.name}{outlooks.ASIDE}"))
            log.warning("outlook file set aside path=%s%s", path, outlooks.ASIDE)

    def forget_progress(self) -> None:
        """Forget how far a task was: it is done, or its process has ended."""
        with contextlib.suppress(OSError):  # of a disk that cannot be written, or it is not there
            self._progress.unlink()

    def finish(self, turn: Turn, items: Iterable[Item]) -> bool:
        self.put(items)
        self._done[turn.task, turn.place] = turn.when
        self.drop(turn)
        return True

    def drop(self, turn: Turn) -> None:
        if self._noted == turn:
            self._noted = None
            self.forget_progress()

    def _path(self, place: str, kind: str) -> Path:
        return self._folder / outlooks.file_name(place, kind)


class OutlookDatabase(OutlookHome):
    """Rows of a database on a server. Threads may share it.

    Raises
    ------
    StoreFault
        If the database cannot be read or written just now.
    """

    def __init__(self, home: SharedHome) -> None:
        self._home = home

    def opened(self, place: str, kind: str) -> IO[bytes]:
        body = outlooks.read(self._home.reading, place, kind)
        if body is None:
            raise FileNotFoundError
        return io.BytesIO(body)

    def stamp(self, place: str, kind: str) -> int:
        return 1_000_000 * self._made(kind).get(place, 0)

    def places(self, kind: str) -> set[str]:
        return set(self._made(kind))

    def put(self, items: Iterable[Item]) -> None:
        outlooks.put(self._home.writing, items)
        self._home.forget()

    def progress(self) -> tuple[str, int, int] | None:
        return outlooks.progress(self._home.reading)

    def now_ms(self) -> int:
        return outlooks.now_ms(self._home.reading)

    def due(self, task: str, wanted: Mapping[str, When]) -> list[str]:
        """The places in an order in which several processes rarely meet."""
        found = outlooks.open_turns(self._home.reading, task, wanted)
        first = 7919 * os.getpid() % max(len(found), 1)
        return found[first:] + found[:first]

    def take(self, task: str, place: str, when: When) -> Turn | None:
        return outlooks.take(self._home.writing, task, place, when)

    def note(self, turn: Turn, days: int, of_days: int) -> None:
        outlooks.note(self._home.writing, turn, days, of_days)

    def finish(self, turn: Turn, items: Iterable[Item]) -> bool:
        stored = outlooks.finish(self._home.writing, turn, items)
        self._home.forget()
        return stored

    def drop(self, turn: Turn) -> None:
        with contextlib.suppress(StoreFault):  # then it holds until its time is over
            outlooks.drop(self._home.writing, turn)

    def _made(self, kind: str) -> dict[str, int]:
        return self._home.held(f"outlook {kind}", lambda: outlooks.made(self._home.reading, kind))


def home_of(settings: Settings) -> OutlookHome:
    """Home of a shop's outlooks, by where its store is."""
    if isinstance(settings.store_address, str):
        return OutlookDatabase(shared_home(settings.read_address, settings.store_address))
    return OutlookFolder(settings.data / "outlook")
