"""Retention: readings older than some years are deleted ("cleared"), and their rollups kept for ever.

A series' limit is written before its first reading goes, and never moves back. From then on a reading
from before it is rejected: it would be added to its windows a second time. Clearing goes on in small
transactions, so that nobody waits long, and where it stopped.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from monitor.core.clock import EVER_MS, from_ms
from monitor.core.measurements import Quantity, Reading, Refusal, Series
from monitor.store.rollups import HOUR_S, TEN_MINUTES_S

if TYPE_CHECKING:
    from monitor.store.connection import Cursor, StoreConnection
    from monitor.store.reader import Reader
    from monitor.store.writer import Writer

YEAR_MS = 31_557_600_000
"""A year of 365.25 days. [ms]"""
LEAST_MS = 364 * 86_400_000
"""No reading that is younger is ever cleared. [ms]"""
CONFIRMED_MS = 7 * 86_400_000
"""Age of readings that confirm the clock. [ms]  Ours: a wrong clock is noticed within a week."""
A_STEP = 500
"""Most readings that are cleared in one transaction."""
REST_S = 0.02
"""Rest between two transactions, in which others may write. [s]"""
HOUR_MS = 1000 * HOUR_S


def limits(store: Reader | Writer) -> dict[int, int]:
    """Time before which each stored series is cleared, by its id; only those that are.
    [ms since 1970-01-01 UTC]"""
    return dict(store.connection.rows("SELECT series_id, until_ms FROM retention"))


def due(
    store: Reader | Writer, years: Mapping[Quantity, int], now_ms: int
) -> list[tuple[int, int]]:
    """Series that have readings to clear, and the time before which. [ms since 1970-01-01 UTC]

    Parameters
    ----------
    years : mapping of Quantity to int
        Years for which readings of a quantity are kept; 0 or missing: for ever.

    Notes
    -----
    A limit is a whole hour, so that each window is kept or cleared as a whole. The hour of a series'
    newest reading is never cleared: the sensor stays known. A clock counts only as far as readings from
    before the last week confirm it: one that starts wrong cannot be undone either.
    """
    before = limits(store)
    found = []
    newest_of = (
        "(SELECT max(ts_ms) FROM reading AS r WHERE r.series_id = series.series_id AND ts_ms <= ?)"
    )
    rows = store.connection.rows(
        f"SELECT series_id, quantity, {newest_of}, {newest_of} FROM series",  # noqa: S608 - a constant
        (now_ms, now_ms - CONFIRMED_MS),
    )
    confirmed_ms = max((row[3] for row in rows if row[3] is not None), default=None)
    if confirmed_ms is None:
        return []
    now_ms = min(now_ms, confirmed_ms + CONFIRMED_MS)
    for series_id, quantity, newest_ms, _ in rows:
        if newest_ms is None or not (kept := years.get(Quantity(quantity), 0)):
            continue
        until_ms = min(now_ms - kept * YEAR_MS, now_ms - LEAST_MS, newest_ms)
        until_ms = max(until_ms - until_ms % HOUR_MS, before.get(series_id, -EVER_MS))
        older = store.connection.row(
            "SELECT 1 FROM reading WHERE series_id = ? AND ts_ms < ? LIMIT 1",
            (series_id, until_ms),
        )
        if older is not None:
            found.append((series_id, until_ms))
    return found


def clear(writer: Writer, series_id: int, until_ms: int, give_up_s: float) -> int:
    """Clear a series before a time, in small transactions. [ms since 1970-01-01 UTC]

    Parameters
    ----------
    give_up_s : float
        Time by the steady clock at which to stop; the next call goes on. [s]

    Returns
    -------
    int
        How many readings were cleared.
    """
    cleared = 0
    while time.monotonic() < give_up_s:
        with writer.connection.transaction() as run:
            run.execute(
                "INSERT INTO retention (series_id, until_ms) VALUES (?, ?) ON CONFLICT (series_id) "
                "DO UPDATE SET until_ms = excluded.until_ms "
                "WHERE excluded.until_ms > retention.until_ms",
                (series_id, until_ms),
            )
            n = writer.connection.clear(run, series_id, until_ms, A_STEP)
        cleared += n
        if n < A_STEP:
            break
        time.sleep(REST_S)
    return cleared


def clear_due(
    writer: Writer, years: Mapping[Quantity, int], now_ms: int, for_s: float = 1.0
) -> int:
    """Clear what is due, for at most about `for_s`. Returns how many readings were cleared. [s]"""
    give_up_s = time.monotonic() + for_s
    return sum(clear(writer, *one, give_up_s) for one in due(writer, years, now_ms))


def split(
    run: Cursor, readings: Sequence[Reading], now_ms: int
) -> tuple[Sequence[Reading], list[Refusal]]:
    """Within a transaction: the readings to store, and refusals of those whose time is cleared.

    Almost free for readings of the last year, which are never cleared.
    """
    youngest_ms = now_ms - LEAST_MS
    if not readings or min(reading.ts_ms for reading in readings) >= youngest_ms:
        return readings, []
    rows = run.execute(
        "SELECT place, sensor, quantity, until_ms FROM retention JOIN series USING (series_id)"
    ).fetchall()
    until = {Series(place, sensor, Quantity(q)): until_ms for place, sensor, q, until_ms in rows}
    if not until:
        return readings, []
    kept, refused = [], []
    for reading in readings:
        limit = until.get(reading.series, -EVER_MS)
        if reading.ts_ms >= limit:
            kept.append(reading)
        else:
            refused.append(_refusal(reading, limit, now_ms))
    return kept, refused


def _refusal(reading: Reading, until_ms: int, now_ms: int) -> Refusal:
    series, ts_ms, value = reading
    payload = json.dumps({"t": ts_ms, "value": value}).encode()
    day = from_ms(until_ms).date().isoformat()
    reason = (
        f"dated {from_ms(ts_ms).date().isoformat()}: readings from before {day} were deleted and their "
        "means kept (keep.readings_years); a reading cannot be added to a mean"
    )
    topic = f"{series.place}/{series.sensor}/{series.quantity}"
    return Refusal.of(now_ms, topic, payload, reason)


def span(
    connection: StoreConnection, series_id: int, from_ms: int, until_ms: int
) -> tuple[int, int] | None:
    """Start of the first and middle of the last ten minutes in [from, until) that are kept of a stored
    series. [ms since 1970-01-01 UTC]"""
    within = (
        "SELECT {}(ts_ms) FROM rollup "
        "WHERE series_id = ? AND period_s = ? AND ts_ms >= ? AND ts_ms < ?"
    )
    values = (series_id, TEN_MINUTES_S, from_ms, until_ms - 1000 * TEN_MINUTES_S + 1)
    first, last = connection.row(
        f"SELECT ({within.format('min')}), ({within.format('max')})", 2 * values
    )
    return None if first is None else (first, last + 500 * TEN_MINUTES_S)
