"""Messages kept aside in the store, until a person takes them in or dismisses them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from monitor.core.errors import Rejected
from monitor.store.connection import Cursor

if TYPE_CHECKING:
    from monitor.store.reader import Reader
    from monitor.store.writer import Writer

TAKEN, DISMISSED = "taken", "dismissed"


class AsideMessage(NamedTuple):
    """A message kept aside: when it came by the machine's clock and by the steady one
    [ms since 1970-01-01 UTC], its sensor as "place/name", and its number of readings.

    `counter_ms` and `boot`: when it came by the counter of that start of the machine [ms].
    `at_start`: the time was not known, since the service had started with a wrong clock.
    """

    received_ms: int
    steady_ms: int
    sensor: str
    topic: str
    payload: bytes
    readings: int
    counter_ms: int = 0
    boot: str = ""
    at_start: int = 0


class AsideOfSensor(NamedTuple):
    """Messages of a sensor that are kept aside: numbers of messages and readings, and when the first
    and last came, by the machine's clock and by the steady one. [-], [-], [ms]  `at_start`: they came
    while the time was not known."""

    sensor: str
    messages: int
    readings: int
    received_ms: tuple[int, int]
    steady_ms: tuple[int, int]
    at_start: bool = False


def keep(run: Cursor, messages: Iterable[AsideMessage]) -> None:
    """Within a transaction: keep messages aside."""
    run.executemany(
        "INSERT INTO aside (received_ms, steady_ms, sensor, topic, payload, readings, "
        "counter_ms, boot, at_start) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        messages,
    )


def waiting(store: Reader | Writer, sensor: str) -> list[tuple[int, AsideMessage]]:
    """The messages of a sensor that wait, each with its number, in the order they came."""
    return _waiting(store, "sensor = ? ORDER BY aside_id", (sensor,))


def waiting_since(store: Reader | Writer, boot: str, limit: int) -> list[tuple[int, AsideMessage]]:
    """The first messages that wait and came in one start of the machine, as `waiting` has them."""
    return _waiting(store, "boot = ? ORDER BY aside_id LIMIT ?", (boot, limit))


def _waiting(
    store: Reader | Writer, condition: str, values: tuple[str | int, ...]
) -> list[tuple[int, AsideMessage]]:
    rows = store.connection.rows(
        "SELECT aside_id, received_ms, steady_ms, sensor, topic, payload, readings, counter_ms, "  # noqa: S608 - conditions of this module
        f"boot, at_start FROM aside WHERE outcome IS NULL AND {condition}",
        values,
    )
    return [(row[0], AsideMessage(*row[1:])) for row in rows]


def by_sensor(store: Reader | Writer) -> list[AsideOfSensor]:
    """Messages of each sensor that are kept aside, by sensor."""
    rows = store.connection.rows(
        "SELECT sensor, count(*), sum(readings), min(received_ms), max(received_ms), "
        "min(steady_ms), max(steady_ms), max(at_start) FROM aside WHERE outcome IS NULL "
        "GROUP BY sensor ORDER BY sensor"
    )
    return [AsideOfSensor(s, n, r, (a, b), (c, d), bool(e)) for s, n, r, a, b, c, d, e in rows]


def end(run: Cursor, numbers: Iterable[int], outcome: str, now_ms: int) -> None:
    """Within a transaction: note what became of messages that wait. [ms since 1970-01-01 UTC]

    Raises
    ------
    Rejected
        If one of them no longer waits.
    """
    rows = [(outcome, now_ms, number) for number in numbers]
    run.executemany(
        "UPDATE aside SET outcome = ?, ended_ms = ? WHERE aside_id = ? AND outcome IS NULL", rows
    )
    if rows and run.rowcount < len(rows):
        raise Rejected("the messages kept aside were taken in or dismissed meanwhile: look again")


class Dropped(NamedTuple):
    """Messages and readings that waited and were deleted, since there were too many."""

    messages: int
    readings: int


def prune(run: Cursor, now_ms: int, most: int, kept_ms: int) -> Dropped:
    """Within a transaction: delete those that were taken in or dismissed `kept_ms` ago, and of the
    rest the oldest beyond `most`, ended ones first. [ms since 1970-01-01 UTC], [-], [ms]"""
    run.execute(
        "DELETE FROM aside WHERE outcome IS NOT NULL AND coalesce(ended_ms, 0) < ?",
        (now_ms - kept_ms,),
    )
    over = run.execute("SELECT count(*) FROM aside").fetchone()[0] - most
    if over <= 0:
        return Dropped(0, 0)
    rows = run.execute(
        "DELETE FROM aside WHERE aside_id IN (SELECT aside_id FROM aside "
        "ORDER BY outcome IS NULL, aside_id LIMIT ?) RETURNING outcome, readings",
        (over,),
    ).fetchall()
    lost = [readings for outcome, readings in rows if outcome is None]
    return Dropped(len(lost), sum(lost))
