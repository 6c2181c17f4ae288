"""People, keys and phones of a shop moved from one home to another."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any, NamedTuple

from monitor.core.errors import StoreFault
from monitor.people.board_keys import make_board_keys
from monitor.people.homes import PeopleDatabase, PeopleFolder, PeopleHome
from monitor.store.secret_files import BOARD_KEYS, NAMES

log = logging.getLogger(__name__)

TABLES = ("person", "credential", "audit")


class Content(NamedTuple):
    """Rows of each table, and the text of each file that is there."""

    rows: dict[str, list[Any]]
    files: dict[str, str]


def content(home: PeopleHome) -> Content:
    """All that a home has, except the counts of guesses."""
    rows: dict[str, list[Any]] = {table: [] for table in TABLES}
    if (connection := home.reading()) is not None:
        with connection.one_state():
            for table in TABLES:
                rows[table] = sorted(connection.rows(f"SELECT * FROM {table}"))  # noqa: S608 - a constant
    found = {name: home.files.read(name) for name in NAMES}
    return Content(rows, {name: text for name, text in found.items() if text is not None})


def copy(source: PeopleHome, target: PeopleHome) -> None:
    """Copy people, keys and phones into a home that has none, or has the same, and compare them. Keys
    alone count as none: they are replaced, or stay if the source has none.

    Raises
    ------
    StoreFault
        If it has others, or they cannot be read or written.
    """
    wanted, there = content(source), content(target)
    if there == wanted:
        return
    if _is_used(target):
        raise StoreFault(
            f"{target.name} has other people, keys or phones already: move "
            f"{', '.join((PeopleFolder.FILE, *NAMES))} of a data folder away first, or empty the tables"
        )
    wanted = wanted._replace(files=there.files | wanted.files)
    connection = target.writing()
    with connection.transaction() as run:
        for table, rows in wanted.rows.items():
            connection.put(run, table, rows)
        connection.free_ids(run, TABLES)
        for name, text in wanted.files.items():
            target.files.put(run, name, text)
    if content(target) != wanted:
        raise StoreFault(f"{target.name} differs in people, keys or phones from {source.name}")


def _is_used(home: PeopleHome) -> bool:
    """True if a home has more than keys, which any board makes at its first link."""
    there = home.reading()
    ask = "SELECT 1 FROM {} LIMIT 1"
    if there is not None and any(there.row(ask.format(table)) for table in TABLES):
        return True
    return any(home.files.read(name) is not None for name in NAMES if name != BOARD_KEYS)


def make_ready(home: PeopleHome, folder: Path) -> None:
    """Make a home ready for a service that starts: with keys; a database that has only keys yet, not
    even history, with what the data folder has. So people who were removed do not come back. The files
    stay.

    A fault of the database is logged: readings are stored without people.
    """
    if not isinstance(home, PeopleDatabase):
        make_board_keys(home.files)
        return
    try:
        if not _is_used(home):
            copy(PeopleFolder(folder), home)
        make_board_keys(home.files)
    except StoreFault as exc:
        log.error("nobody can sign in: people cannot be read or written reason=%s", exc)
