"""Table of packs, in a file or in memory. SQL is known here alone."""

from __future__ import annotations

import contextlib
import itertools
import logging
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from monitor.core.errors import StoreFault, StoreUnavailable

log = logging.getLogger(__name__)

_PREPARE = (
    "PRAGMA locking_mode = EXCLUSIVE",
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",
    "PRAGMA wal_autocheckpoint = 250",
    "PRAGMA journal_size_limit = 1000000",
)
_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS pack(id INTEGER PRIMARY KEY, topic TEXT NOT NULL,"
    " start_id TEXT NOT NULL, since_start_ms INTEGER NOT NULL, measured_ms INTEGER,"
    " records TEXT NOT NULL, level INTEGER NOT NULL DEFAULT 0) STRICT",
    "CREATE TABLE IF NOT EXISTS given_up(packs INTEGER NOT NULL) STRICT",
)
_COLUMNS = "id, topic, start_id, since_start_ms, measured_ms, records, level"
_DATE = """UPDATE pack SET measured_ms = since_start_ms + :offset WHERE start_id = :start_id AND
    (measured_ms IS NULL OR id > :beyond)"""
_HALF = """SELECT id FROM pack WHERE level = :level AND id > :beyond ORDER BY id
    LIMIT 1 OFFSET :half"""
_THIN = """DELETE FROM pack WHERE id IN (SELECT id FROM (
    SELECT id, ROW_NUMBER() OVER (PARTITION BY topic ORDER BY id) AS number FROM pack
    WHERE level = :level AND id > :beyond AND id < :end) WHERE number % 2 = 0)"""
_COARSER = (
    """UPDATE pack SET level = level + 1 WHERE level = :level AND id > :beyond AND id < :end"""
)


class Pack(NamedTuple):
    """Measurements of a sensor at one moment.

    `start_id` and `since_start_ms` date it by the machine's start, `measured_ms` by the calendar,
    once that is known [ms since 1970-01-01 UTC]. Around it, every second pack was given up `level`
    times.
    """

    topic: str
    start_id: str
    since_start_ms: int
    measured_ms: int | None
    records: str
    level: int = 0


class PackStore:
    """Numbered packs.

    Raises
    ------
    StoreUnavailable
        By every method, if the file refuses; then nothing has changed.
    """

    def __init__(self, file: sqlite3.Connection) -> None:
        self._file = file
        for line in _SCHEMA:
            file.execute(line)
        last, self.count = file.execute("SELECT max(id), count(*) FROM pack").fetchone()
        self.last: int = last or 0
        """The highest number when it was opened."""
        (given_up,) = file.execute("SELECT total(packs) FROM given_up").fetchone()
        self.given_up = int(given_up)
        """How many packs were given up since it was made."""

    def change(self, put: Iterable[tuple[int, Pack]], remove: Iterable[int]) -> None:
        """Put some packs and remove others, both or neither."""
        with self._transaction() as file:
            gone = file.executemany("DELETE FROM pack WHERE id = ?", [(n,) for n in remove])
            rows = [(number, *pack) for number, pack in put]
            file.executemany("INSERT INTO pack VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        self.count += len(rows) - max(gone.rowcount, 0)

    def after(self, number: int, at_most: int = -1) -> list[tuple[int, Pack]]:
        """Packs beyond a number, in order; all of them if `at_most` is left out."""
        with _refusals_told():
            found = self._file.execute(
                f"SELECT {_COLUMNS} FROM pack WHERE id > ? ORDER BY id LIMIT ?",  # noqa: S608 - ours
                (number, at_most),
            )
            return [(row[0], Pack(*row[1:])) for row in found]

    def date(self, start_id: str, offset_ms: int, beyond: int) -> None:
        """Give packs of one start of the machine their dates: those that have none, and anew those
        beyond a number. [ms]"""
        with self._transaction() as file:
            file.execute(_DATE, {"offset": offset_ms, "start_id": start_id, "beyond": beyond})

    def forget_undated(self, but: str) -> int:
        """Remove packs of other starts of the machine than `but` that have no date."""
        with self._transaction() as file:
            lost = file.execute(
                "DELETE FROM pack WHERE measured_ms IS NULL AND start_id <> ?", (but,)
            ).rowcount
            file.execute("INSERT INTO given_up VALUES (?)", (lost,))
        self.count -= lost
        self.given_up += lost
        return lost

    def thin(self, beyond: int) -> int:
        """Give up every second pack of each topic in the older half of the stretch that is densest
        and still long, beyond a number. Returns how many."""
        with self._transaction() as file:
            levels = file.execute(
                "SELECT level, count(*) FROM pack WHERE id > ? GROUP BY level ORDER BY level",
                (beyond,),
            ).fetchall()
            if not levels:
                return 0
            long = [(level, n) for level, n in levels if 4 * n > self.count]
            level, count = (long or [max(levels, key=lambda item: item[1])])[0]
            stretch = {"level": level, "beyond": beyond, "half": count // 2}
            (stretch["end"],) = file.execute(_HALF, stretch).fetchone()
            lost = file.execute(_THIN, stretch).rowcount
            file.execute(_COARSER, stretch)
            file.execute("INSERT INTO given_up VALUES (?)", (lost,))
        self.count -= lost
        self.given_up += lost
        return lost

    def close(self) -> None:
        self._file.close()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with _refusals_told():
            self._file.execute("BEGIN IMMEDIATE")
            try:
                yield self._file
                self._file.execute("COMMIT")
            except BaseException:
                if self._file.in_transaction:
                    self._file.execute("ROLLBACK")
                raise


def memory_store() -> PackStore:
    return PackStore(sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False))


def file_store(path: Path) -> PackStore:
    """The shelf of a file, made if missing, ours alone; one that is damaged is set aside.

    Raises
    ------
    StoreUnavailable
        If the file cannot be made or read just now.
    StoreFault
        If another process has it.
    """
    with _refusals_told():
        path.parent.mkdir(parents=True, exist_ok=True)
        file = sqlite3.connect(path, timeout=1.0, isolation_level=None, check_same_thread=False)
        try:
            for line in _PREPARE:
                file.execute(line)
            (sound,) = file.execute("PRAGMA quick_check(1)").fetchone()
            if sound != "ok":
                raise sqlite3.DatabaseError(sound)
            return PackStore(file)
        except sqlite3.DatabaseError as exc:
            file.close()
            name = getattr(exc, "sqlite_errorname", "SQLITE_CORRUPT")
            if name == "SQLITE_BUSY":
                raise StoreFault(f"another agent works in {path.parent}") from exc
            if not name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
                raise
            _set_aside(path, str(exc))
        return file_store(path)


def _set_aside(path: Path, reason: str) -> None:
    names = (path.with_name(f"{path.name}.damaged-{n}") for n in itertools.count(1))
    kept = next(name for name in names if not name.exists())
    path.replace(kept)
    for tail in ("-wal", "-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)
    log.error("backlog was damaged kept_as=%s reason=%s", kept, reason)


@contextlib.contextmanager
def _refusals_told() -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, OSError) as exc:
        raise StoreUnavailable(str(getattr(exc, "strerror", None) or exc)) from exc
