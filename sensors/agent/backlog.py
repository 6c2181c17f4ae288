"""Packs that the broker has not acknowledged: on disk, in order, over any restart of ours.

While the disk cannot be written they stay in memory, and each further pack tries the disk again.
"""

from __future__ import annotations

import itertools
import logging
import secrets
import threading
from collections.abc import Iterable
from pathlib import Path

from monitor.core.errors import StoreFault, StoreUnavailable
from sensors.agent.pack_store import Pack, PackStore, file_store, memory_store

log = logging.getLogger(__name__)

MEMORY_MAX = 5_000
"""Packs kept in memory while the disk cannot be written; beyond, they are thinned."""


class Backlog:
    """The queue. Safe to use from two threads: one puts, one takes and ticks off.

    Parameters
    ----------
    path : Path
        The file; made if missing, set aside if damaged.
    packs_max : int
        Beyond, every second pack of each sensor goes from the older half of the stretch that lies
        densest: the time away stays covered, more thinly the longer ago.
    start_id : str
        Of this start of the machine. Packs of earlier ones that never got a date are given up.

    Raises
    ------
    StoreFault
        If another agent has the file.
    """

    def __init__(self, path: Path, packs_max: int, start_id: str) -> None:
        self.path, self.packs_max, self.start_id = path, packs_max, start_id
        self.trouble = ""
        """Why packs are not on disk; empty if they are."""
        self._lock = threading.RLock()
        self._memory = memory_store()
        self._disk: PackStore | None = None
        self._gone: set[int] = set()
        self._handed = -1
        self._closed = False
        # If the file can be opened only later, these cannot be numbers in it.
        self._next = (1 << 60) + (secrets.randbits(40) << 16)
        try:
            with self._lock:
                self._save()
        except StoreFault:
            self._memory.close()
            raise
        if self._disk is not None:
            self._next = self._disk.last + 1
        self._first = self._next

    @property
    def waiting(self) -> int:
        return self._memory.count + (self._disk.count if self._disk else 0) - len(self._gone)

    @property
    def given_up(self) -> int:
        """Number of packs given up since the file was made."""
        return self._memory.given_up + (self._disk.given_up if self._disk else 0)

    def put(self, packs: Iterable[Pack]) -> None:
        """Keep some packs, on disk before this returns, or in memory if that cannot be."""
        with self._lock:
            numbered = list(zip(itertools.count(self._next), packs))
            self._next += len(numbered)
            self._memory.change(numbered, ())
            self._save()
            if self._memory.count > MEMORY_MAX:
                self._thin(self._memory)

    def after(self, number: int, at_most: int) -> list[tuple[int, Pack]]:
        """The next packs beyond a number, oldest first, up to one that has no date yet."""
        with self._lock:
            try:
                found = self._disk.after(number, at_most + len(self._gone)) if self._disk else []
            except StoreUnavailable as exc:
                self._tell(exc)
                return []
            found += self._memory.after(number, at_most)
            dated = itertools.takewhile(lambda item: item[1].measured_ms is not None, found)
            fresh = (item for item in dated if item[0] not in self._gone)
            result = list(itertools.islice(fresh, at_most))
            if result:
                self._handed = max(self._handed, result[-1][0])
            return result

    def done(self, numbers: Iterable[int]) -> None:
        """Forget packs that the broker has acknowledged."""
        with self._lock:
            done = set(numbers)
            in_memory = {n for n, _ in self._memory.after(-1)} if self._memory.count else set()
            self._memory.change((), done & in_memory)
            self._gone |= done - in_memory
            self._save()

    def date(self, offset_ms: int) -> None:
        """Date the packs of this start of the machine that have no date yet, and anew those that
        were put in this run and never handed out. [ms]"""
        with self._lock:
            beyond = max(self._handed, self._first - 1)
            for shelf in (self._memory, self._disk):
                if shelf is not None:
                    try:
                        shelf.date(self.start_id, offset_ms, beyond)
                    except StoreUnavailable as exc:
                        self._tell(exc)

    def close(self) -> None:
        """Saves what can be saved; packs that the disk still refuses are lost and logged."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            self._save()
            if self._memory.count:
                log.error("packs lost count=%d reason=%s", self._memory.count, self.trouble)
            self._memory.close()
            if self._disk is not None:
                self._disk.close()

    def _save(self) -> None:
        """Bring the file up to date: what is new, what is gone, and its bound."""
        try:
            disk = self._disk = self._disk or self._open()
            new = self._memory.after(-1)
            if new or self._gone:
                disk.change(new, self._gone)
                self._memory.change((), [number for number, _ in new])
                self._gone.clear()
            if disk.count > self.packs_max:
                self._thin(disk)
        except StoreUnavailable as exc:
            self._tell(exc)
        else:
            if self.trouble:
                log.info("backlog is on disk again waiting=%d", self.waiting)
            self.trouble = ""

    def _open(self) -> PackStore:
        disk = file_store(self.path)
        if lost := disk.forget_undated(but=self.start_id):
            log.warning("packs given up count=%d reason=the clock was never set", lost)
        return disk

    def _thin(self, shelf: PackStore) -> None:
        if lost := shelf.thin(beyond=self._handed):
            log.warning("backlog thinned packs_given_up=%d waiting=%d", lost, self.waiting)

    def _tell(self, exc: StoreUnavailable) -> None:
        """Logs a refusal of the disk once."""
        trouble = f"{self.path}: {exc}"
        if trouble != self.trouble:
            log.error("backlog cannot be used, readings stay in memory reason=%s", trouble)
        self.trouble = trouble
