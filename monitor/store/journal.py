"""The journal of waits and of the shop's own kinds: append-only, in the readings' database."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from monitor.store.readings import Reader, Writer
from monitor.waits import Action, Event


class KindVersion(NamedTuple):
    """A kind of wait as the shop changed it; no body takes it off the list."""

    kind_id: str
    recorded_ms: int
    by: str
    body: Mapping[str, Any] | None


def append(
    writer: Writer,
    events: Sequence[Event] = (),
    *,
    kinds: Iterable[KindVersion] = (),
    done: tuple[str, int, Mapping[str, Any]] | None = None,
    deliveries: Iterable[tuple[int, bytes]] = (),
) -> None:
    """Write events and kinds in one transaction. All of it is on disk, or none.

    Parameters
    ----------
    done : (command id, ms since 1970-01-01 UTC, answer), optional
        The command that these came of, so that it is known if it comes again.
    deliveries : iterable of (packet id, digest)
        As `Writer.write` has them.

    Raises
    ------
    StoreUnavailable, StoreFault
    """
    with writer.connection.transaction() as run:
        run.executemany(
            "INSERT INTO wait_event (wait_id, recorded_ms, by, action, body) VALUES (?, ?, ?, ?, ?)",
            [(e.wait_id, e.recorded_ms, e.by, str(e.action), json.dumps(e.body)) for e in events],
        )
        run.executemany(
            "INSERT INTO kind_version (kind_id, recorded_ms, by, body) VALUES (?, ?, ?, ?)",
            [(k.kind_id, k.recorded_ms, k.by, json.dumps(k.body)) for k in kinds],
        )
        if done is not None:
            command_id, recorded_ms, answer = done
            run.execute(
                "INSERT INTO command_done (command_id, recorded_ms, answer) VALUES (?, ?, ?)",
                (command_id, recorded_ms, json.dumps(answer)),
            )
        writer.remember(run, deliveries)


def answered(store: Reader | Writer, command_id: str) -> Mapping[str, Any] | None:
    """The answer of a command that was carried out already; None if it was not."""
    row = store.connection.row(
        "SELECT answer FROM command_done WHERE command_id = ?", (command_id,)
    )
    answer: Mapping[str, Any] | None = json.loads(row[0]) if row else None
    return answer


def events(store: Reader | Writer, after: int = 0) -> tuple[list[Event], int]:
    """The events after a number, oldest first, and the number of the last."""
    rows = store.connection.rows(
        "SELECT event_id, wait_id, recorded_ms, by, action, body FROM wait_event "
        "WHERE event_id > ? ORDER BY event_id",
        (after,),
    )
    found = [
        Event(w, at, by, Action(action), json.loads(body)) for _, w, at, by, action, body in rows
    ]
    return found, rows[-1][0] if rows else after


def kind_versions(store: Reader | Writer) -> list[KindVersion]:
    """Every version of the shop's own kinds, oldest first."""
    rows = store.connection.rows(
        "SELECT kind_id, recorded_ms, by, body FROM kind_version ORDER BY version"
    )
    return [KindVersion(kind, at, by, json.loads(body)) for kind, at, by, body in rows]
