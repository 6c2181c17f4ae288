"""Messages kept aside in the store, until a person takes them in or dismisses them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from monitor.store.connection import Cursor

if TYPE_CHECKING:
    from monitor.store.reader import Reader
    from monitor.store.writer import Writer

TAKEN, DISMISSED = "taken", "dismissed"


class AsideMessage(NamedTuple):
    """A message kept aside: when it came by the machine's clock and by the steady one
    [ms since 1970-01-01 UTC], its sensor as "place/name", and its number of readings."""

    received_ms: int
    steady_ms: int
    sensor: str
    topic: str
    payload: bytes
    readings: int


class AsideOfSensor(NamedTuple):
    """Messages of a sensor that are kept aside: numbers of messages and readings, and when the first
    and last came, by the machine's clock and by the steady one. [-], [-], [ms]"""

    sensor: str
    messages: int
    readings: int
    received_ms: tuple[int, int]
    steady_ms: tuple[int, int]


def keep(run: Cursor, messages: Iterable[AsideMessage]) -> None:
    """Within a transaction: keep messages aside."""
    run.executemany(
        "INSERT INTO aside (received_ms, steady_ms, sensor, topic, payload, readings) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        messages,
    )


def waiting(store: Reader | Writer, sensor: str) -> list[tuple[int, AsideMessage]]:
    """The messages of a sensor that wait, each with its number, in the order they came."""
    rows = store.connection.rows(
        "SELECT aside_id, received_ms, steady_ms, sensor, topic, payload, readings FROM aside "
        "WHERE outcome IS NULL AND sensor = ? ORDER BY aside_id",
        (sensor,),
    )
    return [(row[0], AsideMessage(*row[1:])) for row in rows]


def by_sensor(store: Reader | Writer) -> list[AsideOfSensor]:
    """Messages of each sensor that are kept aside, by sensor."""
    rows = store.connection.rows(
        "SELECT sensor, count(*), sum(readings), min(received_ms), max(received_ms), "
        "min(steady_ms), max(steady_ms) FROM aside WHERE outcome IS NULL "
        "GROUP BY sensor ORDER BY sensor"
    )
    return [AsideOfSensor(s, n, r, (a, b), (c, d)) for s, n, r, a, b, c, d in rows]


def end(run: Cursor, numbers: Iterable[int], outcome: str) -> None:
    """Within a transaction: note what became of messages."""
    run.executemany(
        "UPDATE aside SET outcome = ? WHERE aside_id = ?", [(outcome, i) for i in numbers]
    )
