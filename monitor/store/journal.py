"""The journal: every event of the shop, append-only, in the readings' database."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from monitor.domain.events import About, Event
from monitor.store.connection import Cursor, StoreConnection
from monitor.store.writer import Writer

if TYPE_CHECKING:
    from monitor.store.reader import Reader


_EVENTS = (
    "SELECT event_id, about, subject, recorded_ms, by, action, body FROM event WHERE event_id > ?"
)


def append(
    run: Cursor, events: Sequence[Event], *, done: tuple[str, int, Mapping[str, Any]] | None = None
) -> None:
    """Within a transaction: write events.

    Parameters
    ----------
    done : (command id, ms since 1970-01-01 UTC, answer), optional
        The command that these came of, so that it is known if it comes again.

    Raises
    ------
    StoreUnavailable, StoreFault
    """
    run.executemany(
        "INSERT INTO event (about, subject, recorded_ms, by, action, body) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [
            (str(e.about), e.subject, e.recorded_ms, e.by, str(e.action), json.dumps(e.body))
            for e in events
        ],
    )
    if done is not None:
        command_id, recorded_ms, answer = done
        run.execute(
            "INSERT INTO command_done (command_id, recorded_ms, answer) VALUES (?, ?, ?)",
            (command_id, recorded_ms, json.dumps(answer)),
        )


def last(run: Cursor) -> int:
    """Within a transaction: the number of the last event; 0 if there is none."""
    return int(run.execute("SELECT coalesce(max(event_id), 0) FROM event").fetchone()[0])


def answered(store: Reader | Writer, command_id: str) -> Mapping[str, Any] | None:
    """The answer of a command that was carried out already; None if it was not."""
    row = store.connection.row(
        "SELECT answer FROM command_done WHERE command_id = ?", (command_id,)
    )
    answer: Mapping[str, Any] | None = json.loads(row[0]) if row else None
    return answer


def events(store: Reader | Writer, after: int = 0) -> tuple[list[Event], int]:
    """The events after a number, oldest first, and the number of the last."""
    rows = store.connection.rows(f"{_EVENTS} ORDER BY event_id", (after,))
    return _events(rows), rows[-1][0] if rows else after


def events_about(
    connection: StoreConnection, about: About, after: int = 0
) -> tuple[list[Event], int]:
    """The events about one kind of thing, as `events` has them."""
    rows = connection.rows(f"{_EVENTS} AND about = ? ORDER BY event_id", (after, str(about)))
    return _events(rows), rows[-1][0] if rows else after


def _events(rows: Iterable[Any]) -> list[Event]:
    return [
        Event(About(about), subject, at, sys.intern(by), sys.intern(action), _content(body))
        for _, about, subject, at, by, action, body in rows
    ]


def _content(body: str) -> dict[str, Any]:
    """Content of an event. Texts that are alike are one object: an alert has all those of its rule."""
    return {
        sys.intern(name): sys.intern(value) if isinstance(value, str) else value
        for name, value in json.loads(body).items()
    }
