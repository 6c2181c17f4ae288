"""Copy of a store into an empty one of either engine; it may be interrupted, and is compared."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from monitor.core.errors import StoreFault
from monitor.store.connection import UNFINISHED, StoreConnection
from monitor.store.rollups import HOUR_S

BY_SERIES = {"reading": ("ts_ms",), "rollup": ("period_s", "ts_ms")}
"""Large tables, and what orders the rows of a series."""
AT_ONCE = (
    "tally",
    "delivered",
    "refused",
    "event",
    "command_done",
    "latch",
    "notice",
    "outbox",
    "forecast",
    "forecast_hour",
    "forecast_member",
    "forecast_asked",
    "client_sheet",
    "lateness",
    "aside",
    "newcomer",
    "waiting",
    "shop_state",
    "retention",
)
"""Small tables, copied in one transaction; a table comes after those that it refers to."""
CHUNK = 20_000
"""Number of rows of a transaction."""
_MARK = "INSERT INTO tally (name, n) VALUES (?, 1) ON CONFLICT (name) DO NOTHING"
_UNMARK = "DELETE FROM tally WHERE name = ?"


class TableSum(NamedTuple):
    """Number of rows of a table and a checksum, which their order does not change."""

    rows: int
    checksum: int


def copy(
    source: StoreConnection,
    target: StoreConnection,
    on_rows: Callable[[int], object] = lambda _: None,
    on_begun: Callable[[], object] = lambda: None,
) -> dict[str, TableSum]:
    """Copy a store that nobody writes, then compare all rows. An interrupted copy continues.

    Parameters
    ----------
    source : StoreConnection
    target : StoreConnection
        For writing. Its store is empty, or an unfinished copy.
    on_rows : callable, optional
        Called with the number of rows of each step.
    on_begun : callable, optional
        Called once it is known that the stores fit.

    Returns
    -------
    dict of table to TableSum
        What both stores have.

    Raises
    ------
    StoreFault
        If the stores do not fit, or differ in the end. The copy then stays unfinished.
    """
    series = _begin(source, target)
    on_begun()
    for table, order in BY_SERIES.items():
        for series_id, *_ in series:
            after = _last(target, table, order, series_id)
            for rows in _chunks(source, table, order, series_id, after):
                with target.transaction() as run:
                    target.put(run, table, rows)
                on_rows(len(rows))
    with target.transaction() as run:
        for table in reversed(AT_ONCE):
            run.execute(f"DELETE FROM {table}")  # noqa: S608 - a constant
        for table in AT_ONCE:
            rows = _all(source, table)
            target.put(run, table, rows)
            on_rows(len(rows))
        run.execute(_MARK, (UNFINISHED,))
        target.free_ids(run)
    ours, theirs = sums(source, series), sums(target, series)
    if wrong := [
        f"{table} ({ours[table].rows} rows in the old store, {theirs[table].rows} in the new)"
        for table in ours
        if ours[table] != theirs[table]
    ]:
        raise StoreFault(
            f"{target.name} differs from {source.name} in {', '.join(wrong)}. The copy is not used. "
            "Stop everything that writes to either store, empty the new one and copy again"
        )
    with target.transaction() as run:
        run.execute(_UNMARK, (UNFINISHED,))
    return ours


def size(source: StoreConnection) -> int:
    """Number of rows of a store; of readings as the rollups have it, which takes no time."""
    tables = ("series", "rollup", *AT_ONCE)
    hours = "SELECT coalesce(sum(n), 0) FROM rollup WHERE period_s = ?"
    return int(source.row(hours, (HOUR_S,))[0]) + sum(
        source.row(f"SELECT count(*) FROM {table}")[0]  # noqa: S608 - a table of ours
        for table in tables
    )


def sums(store: StoreConnection, series: Sequence[Any]) -> dict[str, TableSum]:
    """Sum of each table; the mark of an unfinished copy is left out."""
    found = {"series": summed([_all(store, "series")])}
    for table, order in BY_SERIES.items():
        start = (-(2**62),) * len(order)
        found[table] = summed(
            rows
            for series_id, *_ in series
            for rows in _chunks(store, table, order, series_id, start)
        )
    return found | {table: summed([_all(store, table)]) for table in AT_ONCE}


def _begin(source: StoreConnection, target: StoreConnection) -> list[Any]:
    """Check that a store can be copied, mark the target as unfinished, and copy the series."""
    if source.name == target.name:
        raise StoreFault(f"{source.name} cannot be copied into itself: name another store")
    if source.is_unfinished():
        raise StoreFault(f"{source.name} is an unfinished copy itself: finish it first")
    steps = [sorted(_all(one, "schema_step")) for one in (source, target)]
    if steps[0] != steps[1]:
        raise StoreFault(
            f"{source.name} is a store of another version: start Benchweather once with it, stop "
            "Benchweather, and copy again"
        )
    series, there = _all(source, "series"), _all(target, "series")
    used = there or target.row("SELECT 1 FROM event LIMIT 1")
    if (used and not target.is_unfinished()) or set(there) - set(series):
        raise StoreFault(f"{target.name} has a store already: copy into an empty one")
    known = set(there)
    with target.transaction() as run:
        run.execute(_MARK, (UNFINISHED,))
        target.put(run, "series", [row for row in series if row not in known])
    return series


def _last(
    store: StoreConnection, table: str, order: Sequence[str], series_id: int
) -> tuple[int, ...]:
    """Place of the last row of a series in a table; before all others if it has none."""
    down = ", ".join(f"{name} DESC" for name in order)
    row = store.row(
        f"SELECT {', '.join(order)} FROM {table} WHERE series_id = ? ORDER BY {down} LIMIT 1",  # noqa: S608 - a table of ours
        (series_id,),
    )
    return tuple(row) if row else (-(2**62),) * len(order)


def _chunks(
    store: StoreConnection,
    table: str,
    order: Sequence[str],
    series_id: int,
    after: tuple[int, ...],
) -> Iterator[list[Any]]:
    """Rows of a series after a place, in their order."""
    names, marks = ", ".join(order), ", ".join("?" for _ in order)
    sql = (
        f"SELECT * FROM {table} WHERE series_id = ? AND ({names}) > ({marks}) "  # noqa: S608 - a table of ours
        f"ORDER BY {names} LIMIT {CHUNK}"
    )
    while rows := store.rows(sql, (series_id, *after)):
        yield rows
        after = tuple(rows[-1][1 : 1 + len(order)])


def _all(store: StoreConnection, table: str) -> list[Any]:
    rows = store.rows(f"SELECT * FROM {table}")  # noqa: S608 - a constant
    return [row for row in rows if row[0] != UNFINISHED] if table == "tally" else rows


def summed(chunks: Iterable[Sequence[Any]]) -> TableSum:
    """Sum of rows, in chunks as they are read."""
    number = total = 0
    for rows in chunks:
        number += len(rows)
        for row in rows:
            text = repr(tuple(row))
            if "-0.0" in text:  # SQLite stores minus zero as zero
                text = repr(tuple(v + 0.0 if isinstance(v, float) else v for v in row))
            digest = hashlib.blake2b(text.encode(), digest_size=8).digest()
            total += int.from_bytes(digest)
    return TableSum(number, total % 2**64)
