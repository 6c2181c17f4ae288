"""Outlooks of places as a database on a server keeps them, and turns to make them.

A task for one place is done by the process that has its turn. Results are stored together with the end
of the turn: each is there once, and who lost the turn stores nothing. Times are the server's.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote, unquote

from monitor.store.connection import Cursor, StoreConnection
from monitor.store.ingest_workers import NOW_MS

log = logging.getLogger(__name__)

TABLES = ("outlook", "outlook_turn")
"""Tables that only a database on a server has."""
TURN_MS = 120_000
"""Time after which another may take the turn of a process that was not heard of. [ms]  Ours: a look
takes half a second, and learning is heard of each day of log that it has done."""
SUFFIX, ASIDE = ".npz", ".aside"
"""End of a file's name, and what follows it in that of a file that is not used."""
LASTING = "issuedoutlooks"
"""Kind of the items that cannot be made again."""
_FREE = f"NOT t.until_ms BETWEEN {NOW_MS} AND {NOW_MS} + {2 * TURN_MS}"
"""Nobody has a turn, or it was taken while the server's clock was far ahead."""
_TAKE = f"""
INSERT INTO outlook_turn AS t (task, place, number, until_ms) VALUES (?, ?, 1, {NOW_MS} + ?)
ON CONFLICT (task, place) DO UPDATE
SET number = t.number + 1, until_ms = excluded.until_ms, days = NULL, of_days = NULL
WHERE {_FREE} AND (t.at_ms, t.state) IS DISTINCT FROM (?, ?)
AND (t.at_ms IS NULL OR t.at_ms <= ? OR t.at_ms > {NOW_MS})
RETURNING number
"""  # noqa: S608 - a constant
"""Takes a turn that nobody has, unless the task was done already, or for a later time that has come."""
_MINE = "WHERE task = ? AND place = ? AND number = ?"
_HEARD = f"UPDATE outlook_turn SET until_ms = {NOW_MS} + ?, days = ?, of_days = ? {_MINE}"  # noqa: S608 - constants
_DROP = f"UPDATE outlook_turn SET until_ms = 0 {_MINE}"  # noqa: S608 - constants
_DONE = f"UPDATE outlook_turn SET until_ms = 0, at_ms = ?, state = ? {_MINE}"  # noqa: S608 - constants
_PUT = (
    f"INSERT INTO outlook (place, kind, made_ms, body) VALUES (?, ?, {NOW_MS}, ?) "  # noqa: S608 - constants
    "ON CONFLICT (place, kind) DO UPDATE SET body = excluded.body, "
    "made_ms = greatest(excluded.made_ms, outlook.made_ms + 1)"
)
_GUESS = _PUT.partition("DO UPDATE")[0] + "DO NOTHING"
_ADD = (
    "INSERT INTO outlook (place, kind, made_ms, body) VALUES (?, ?, ?, ?) "
    "ON CONFLICT (place, kind) DO NOTHING"
)


class When(NamedTuple):
    """Time and state of the shop for which a task is done. [ms since 1970-01-01 UTC]"""

    at_ms: int
    state: str


class Turn(NamedTuple):
    """Turn of one process to do a task for a place."""

    task: str
    place: str
    when: When
    number: int


class Item(NamedTuple):
    """Item that is kept of a place, by its kind; a `guess` only where there is none."""

    place: str
    kind: str
    body: bytes
    guess: bool = False


def file_name(place: str, kind: str) -> str:
    """Name of the file that keeps an item where the store is a file."""
    return f"{quote(place, safe='')}.{kind}{SUFFIX}"


def place_of(name: str) -> str:
    """The place that a file's name has."""
    return unquote(name.removesuffix(SUFFIX).rpartition(".")[0])


def read(store: StoreConnection, place: str, kind: str) -> bytes | None:
    """An item; None if there is none."""
    row = store.row("SELECT body FROM outlook WHERE place = ? AND kind = ?", (place, kind))
    return None if row is None else bytes(row[0])


def made(store: StoreConnection, kind: str) -> dict[str, int]:
    """Times at which the items of a kind were stored, by place; each is later than the one before.
    [ms since 1970-01-01 UTC]"""
    return dict(store.rows("SELECT place, made_ms FROM outlook WHERE kind = ?", (kind,)))


def now_ms(store: StoreConnection) -> int:
    """The server's time. [ms since 1970-01-01 UTC]"""
    return int(store.row(f"SELECT {NOW_MS}")[0])


def open_turns(store: StoreConnection, task: str, wanted: Mapping[str, When]) -> list[str]:
    """Places, of those wanted, for which a task is neither done nor under way."""
    rows = store.rows(
        f"SELECT place, at_ms, state, {_FREE} FROM outlook_turn AS t WHERE task = ?",  # noqa: S608 - constants
        (task,),
    )
    found = {place: ((at_ms, state), free) for place, at_ms, state, free in rows}
    none = (None, True)
    return [
        place
        for place, when in wanted.items()
        for done, free in (found.get(place, none),)
        if free and done != when
    ]


def take(store: StoreConnection, task: str, place: str, when: When) -> Turn | None:
    """Take the turn to do a task; None if another has it, or has done it."""
    with store.transaction(beside=True) as run:
        row = run.execute(_TAKE, (task, place, TURN_MS, *when, when.at_ms)).fetchone()
    return None if row is None else Turn(task, place, when, int(row[0]))


def note(store: StoreConnection, turn: Turn, days: int, of_days: int) -> None:
    """Note how far a task is, and keep its turn."""
    with store.transaction(beside=True) as run:
        run.execute(_HEARD, (TURN_MS, days, of_days, turn.task, turn.place, turn.number))


def drop(store: StoreConnection, turn: Turn) -> None:
    """Leave a task undone, so that it can be tried again at once."""
    with store.transaction(beside=True) as run:
        run.execute(_DROP, (turn.task, turn.place, turn.number))


def finish(store: StoreConnection, turn: Turn, items: Iterable[Item]) -> bool:
    """Store the results of a task and that it is done; False, and nothing stored, if another has taken
    the turn meanwhile."""
    with store.transaction(beside=True) as run:
        mine = run.execute(_DONE, (*turn.when, turn.task, turn.place, turn.number)).rowcount == 1
        if mine:
            _put(run, items)
    return mine


def put(store: StoreConnection, items: Iterable[Item]) -> None:
    """Store items instead of those before, outside of any turn."""
    with store.transaction(beside=True) as run:
        _put(run, items)


def progress(store: StoreConnection) -> tuple[str, int, int] | None:
    """Place, days done and all days of a task that is under way; None if there is none."""
    row = store.row(
        f"SELECT place, days, of_days FROM outlook_turn WHERE until_ms >= {NOW_MS} "  # noqa: S608 - constants
        "AND days IS NOT NULL ORDER BY place LIMIT 1"
    )
    return None if row is None else (str(row[0]), int(row[1]), int(row[2]))


def take_in(store: StoreConnection, folder: Path) -> int:
    """Move the files of a folder into the database, of an earlier version or of a store that was a file;
    what is in the database already stays, and so does a file that cannot be read. A file of what cannot
    be made again is then set aside. Returns the number of files that were moved."""
    moved = 0
    for path in sorted(folder.glob(f"*{SUFFIX}")):
        kind = path.name.removesuffix(SUFFIX).rpartition(".")[2]
        try:
            made_ms, body = path.stat().st_mtime_ns // 1_000_000, path.read_bytes()
            with store.transaction(beside=True) as run:
                added = run.execute(_ADD, (place_of(path.name), kind, made_ms, body)).rowcount
            if not added and kind == LASTING:
                path.replace(path.with_name(f"{path.name}{ASIDE}"))
                log.warning(
                    "outlooks issued while the store was a file stay in their file: the database has "
                    "others of this place path=%s%s",
                    path,
                    ASIDE,
                )
                continue
            path.unlink()
            moved += 1
        except OSError as exc:
            log.warning("outlook not moved path=%s reason=%s", path, exc)
    return moved


def write_files(store: StoreConnection, folder: Path, kinds: Iterable[str]) -> list[Path]:
    """Write the items of some kinds as the files that keep them where the store is a file."""
    written = []
    for kind in kinds:
        for place in sorted(made(store, kind)):
            if (body := read(store, place, kind)) is not None:
                folder.mkdir(parents=True, exist_ok=True)
                written.append(folder / file_name(place, kind))
                written[-1].write_bytes(body)
    return written


def _put(run: Cursor, items: Iterable[Item]) -> None:
    for one in items:
        run.execute(_GUESS if one.guess else _PUT, one[:3])
