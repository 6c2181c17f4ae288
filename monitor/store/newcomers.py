"""New places and sensors in the store, and the messages of those that wait to be admitted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from monitor.store.connection import Cursor

if TYPE_CHECKING:
    from monitor.store.reader import Reader
    from monitor.store.writer import Writer

TAKEN, WAITING, ADMITTED, REFUSED = "taken", "waiting", "admitted", "refused"
REFUSED_MAX = 1_000
"""Most refused names that are remembered; then the oldest may wait again."""
BEYOND = "unkept"
"""Name of the tally of messages that were not kept, as too many new names waited."""


class Newcomer(NamedTuple):
    """A new place or "place/sensor": when its first message came [ms since 1970-01-01 UTC], its
    state, and its numbers of messages not kept, of messages and readings that wait and their
    bytes."""

    name: str
    first_ms: int
    state: str
    unkept: int
    messages: int
    readings: int
    bytes: int


class WaitingMessage(NamedTuple):
    """A message of a newcomer that waits, and when it came [ms since 1970-01-01 UTC]."""

    name: str
    received_ms: int
    topic: str
    payload: bytes
    readings: int


def every(store: Reader | Writer, *states: str) -> list[Newcomer]:
    """The newcomers in one of these states, or in any, by the time of the first message."""
    rows = store.connection.rows(
        "SELECT name, first_ms, state, unkept, count(waiting_id), coalesce(sum(readings), 0), "
        "coalesce(sum(length(payload)), 0) FROM newcomer LEFT JOIN waiting USING (name) "
        "GROUP BY name ORDER BY first_ms, name"
    )
    return [one for one in map(Newcomer._make, rows) if not states or one.state in states]


def count(run: Cursor) -> int:
    """Within a transaction: number of names."""
    return int(run.execute("SELECT count(*) FROM newcomer").fetchone()[0])


def beyond(store: Reader | Writer) -> int:
    """Number of messages that were not kept, as too many new names waited."""
    row = store.connection.row("SELECT n FROM tally WHERE name = ?", (BEYOND,))
    return int(row[0]) if row else 0


def note(run: Cursor, states: Mapping[str, tuple[int, str]], unkept: Mapping[str, int]) -> None:
    """Within a transaction: note new names, each with its first time and state, and how many messages
    more were not kept."""
    run.executemany(
        "INSERT INTO newcomer (name, first_ms, state) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
        [(name, first_ms, state) for name, (first_ms, state) in states.items()],
    )
    run.executemany(
        "UPDATE newcomer SET unkept = unkept + ? WHERE name = ?",
        [(n, name) for name, n in unkept.items()],
    )


def keep(run: Cursor, messages: Iterable[WaitingMessage]) -> None:
    """Within a transaction: keep messages until their newcomer is admitted or refused."""
    run.executemany(
        "INSERT INTO waiting (name, received_ms, topic, payload, readings) VALUES (?, ?, ?, ?, ?)",
        messages,
    )


def settle(run: Cursor, names: Iterable[str], state: str) -> None:
    """Within a transaction: admit or refuse names. What a refused one sent is counted, not kept."""
    rows = [(name,) for name in names]
    run.executemany(f"UPDATE newcomer SET state = '{state}' WHERE name = ?", rows)  # noqa: S608 - ours
    if state == REFUSED:
        run.executemany(
            "UPDATE newcomer SET unkept = unkept + "
            "(SELECT count(*) FROM waiting WHERE waiting.name = newcomer.name) WHERE name = ?",
            rows,
        )
        run.executemany("DELETE FROM waiting WHERE name = ?", rows)
        run.execute(
            "DELETE FROM newcomer WHERE state = ? AND name NOT IN (SELECT name FROM newcomer "
            "WHERE state = ? ORDER BY first_ms DESC LIMIT ?)",
            (REFUSED, REFUSED, REFUSED_MAX),
        )


def admitted(store: Writer, at_most: int) -> list[tuple[int, WaitingMessage]]:
    """Messages that still wait although their newcomer was admitted, each with its number."""
    rows = store.connection.rows(
        "SELECT waiting_id, name, received_ms, topic, payload, readings FROM waiting "
        "JOIN newcomer USING (name) WHERE state = ? ORDER BY waiting_id LIMIT ?",
        (ADMITTED, at_most),
    )
    return [(row[0], WaitingMessage(*row[1:])) for row in rows]


def forget(run: Cursor, numbers: Sequence[int]) -> int:
    """Within a transaction: delete messages that wait no more. Returns how many were there."""
    run.executemany("DELETE FROM waiting WHERE waiting_id = ?", [(i,) for i in numbers])
    return run.rowcount if numbers else 0
