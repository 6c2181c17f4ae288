"""Forecasts as they became known, by source and issue; and the polling progress of each source."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np

from monitor.domain.forecast import STALE_MS, UNUSABLE_MS, Forecast, Members, Position
from monitor.store.connection import Cursor
from monitor.store.reader import Reader
from monitor.store.writer import Writer


class StoredForecast(NamedTuple):
    """A forecast in the store: when it became known [ms since 1970-01-01 UTC], its hours."""

    forecast_id: int
    known_ms: int
    hours: int
    ends_ms: int
    source: str
    issued_ms: int
    position: Position | None
    notes: tuple[str, ...]
    doubt: str
    members: int


class SourceProgress(NamedTuple):
    """Polling progress of a source. Times in ms since 1970-01-01 UTC.

    `next_ms`: not to be asked before; `good_ms`: when it last answered well, None if never;
    `failures` in a row; `trouble` the last one's reason; `target` a digest of what was asked for:
    with other settings the validators mean nothing; `address` the one to ask, where the service
    told it, since `addressed_ms`.
    """

    source: str
    tried_ms: int = 0
    next_ms: int = 0
    good_ms: int | None = None
    failures: int = 0
    trouble: str = ""
    target: str = ""
    address: str = ""
    addressed_ms: int = 0
    etag: str = ""
    last_modified: str = ""


_BYTES = np.dtype("<f4")
"""Values of a member in the store, one for each of the forecast's hours, NaN where it has none."""

_KEPT = (
    "SELECT forecast_id, known_ms, count(valid_ms), max(valid_ms), source, issued_ms, latitude, "
    "longitude, notes, doubt, (SELECT count(*) FROM forecast_member WHERE "
    "forecast_member.forecast_id = forecast.forecast_id) "
    "FROM forecast JOIN forecast_hour USING (forecast_id) "
)


def add(run: Cursor, forecast: Forecast, known_ms: int) -> bool:
    """Within the caller's transaction: keep a forecast as known from `known_ms` on.

    Returns
    -------
    bool
        Whether it is new; one that is there already, by source and issue, is left as it is.
    """
    row = run.execute(
        "INSERT INTO forecast (source, issued_ms, known_ms, latitude, longitude, notes, doubt) "
        "VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING RETURNING forecast_id",
        (
            forecast.source,
            forecast.issued_ms,
            known_ms,
            *(forecast.position or (None, None)),
            json.dumps(forecast.notes),
            forecast.doubt,
        ),
    ).fetchone()
    if row is None:
        return False
    columns = (forecast.temp_c, forecast.rh_pct, forecast.wind_m_s, forecast.pressure_pa)
    hours = zip(forecast.valid_ms.tolist(), *(c.tolist() for c in columns), strict=True)
    # NaN is stored as NULL.
    run.executemany(
        "INSERT INTO forecast_hour VALUES (?, ?, ?, ?, ?, ?)", [(row[0], *hour) for hour in hours]
    )
    if forecast.members is not None:
        run.executemany(
            "INSERT INTO forecast_member VALUES (?, ?, ?, ?, ?)",
            [
                (row[0], number, *(values.astype(_BYTES).tobytes() for values in member))
                for number, member in enumerate(zip(*forecast.members, strict=True), 1)
            ],
        )
    return True


def newest(
    store: Reader | Writer, at_ms: int, prefer: Sequence[str] = (), *, doubted: bool = False
) -> Forecast | None:
    """The forecast to be used at a moment, of those known then.

    Parameters
    ----------
    at_ms : int
        [ms since 1970-01-01 UTC]
    prefer : sequence of str
        Sources in order of preference: the first with one issued within 12 hours is taken; else
        the last issued of any source within 48 hours.
    doubted : bool
        Whether those that seem to be for another place count.

    Returns
    -------
    Forecast or None
        None if none was known that is not too old.
    """
    rows = store.connection.rows(
        "SELECT source, issued_ms, forecast_id FROM forecast "
        "WHERE known_ms <= ? AND issued_ms > ? AND issued_ms <= ? AND (doubt = '' OR ? = 1)",
        (at_ms, at_ms - UNUSABLE_MS, at_ms, int(doubted)),
    )
    if not rows:
        return None
    place = {source: i for i, source in enumerate(prefer)}

    def rank(row: tuple[str, int, int]) -> tuple[bool, int, int]:
        source, issued_ms, _ = row
        stale = at_ms - issued_ms >= STALE_MS
        return stale, 0 if stale else place.get(source, len(place)), -issued_ms

    return read(store, min(rows, key=rank)[2])


def last_of(store: Reader | Writer, source: str) -> Forecast | None:
    """The last issued forecast of a source, doubted or not; None if there is none."""
    row = store.connection.row(
        "SELECT forecast_id FROM forecast WHERE source = ? ORDER BY issued_ms DESC LIMIT 1",
        (source,),
    )
    return read(store, row[0]) if row else None


def between(
    store: Reader | Writer, start_ms: int, end_ms: int, source: str | None = None
) -> Iterator[Forecast]:
    """Forecasts issued in [start, end), oldest first, of one source or of all. [ms]"""
    rows = store.connection.rows(
        "SELECT forecast_id FROM forecast WHERE issued_ms >= ? AND issued_ms < ? "
        "AND source = coalesce(?, source) ORDER BY issued_ms, source",
        (start_ms, end_ms, source),
    )
    for (forecast_id,) in rows:
        yield read(store, forecast_id)


class Archived(NamedTuple):
    """Forecast of the archive: when it became known [ms since 1970-01-01 UTC], and its number. It
    never changes."""

    known_ms: int
    forecast_id: int


def archived(store: Reader | Writer, start_ms: int, end_ms: int) -> list[Archived]:
    """Forecasts that became known in [start, end), in that order. [ms]"""
    rows = store.connection.rows(
        "SELECT known_ms, forecast_id FROM forecast WHERE known_ms >= ? AND known_ms < ? "
        "ORDER BY known_ms, issued_ms, source",
        (start_ms, end_ms),
    )
    return [Archived(*row) for row in rows]


def recent(store: Reader | Writer, limit: int) -> list[StoredForecast]:
    """The last issued forecasts, newest first."""
    rows = store.connection.rows(
        f"{_KEPT} WHERE forecast_id IN "  # noqa: S608 - a constant of this module
        "(SELECT forecast_id FROM forecast ORDER BY issued_ms DESC, source LIMIT ?) "
        "GROUP BY forecast_id ORDER BY issued_ms DESC, source",
        (limit,),
    )
    return [_kept(row) for row in rows]


def read(store: Reader | Writer, forecast_id: int) -> Forecast:
    """A forecast by its id."""
    head = _kept(
        store.connection.row(f"{_KEPT} WHERE forecast_id = ? GROUP BY forecast_id", (forecast_id,))
    )
    rows = store.connection.rows(
        "SELECT valid_ms, temp_c, rh_pct, wind_m_s, pressure_pa FROM forecast_hour "
        "WHERE forecast_id = ? ORDER BY valid_ms",
        (forecast_id,),
    )
    valid, *columns = zip(*rows, strict=True)
    temp, rh, wind, pressure = (np.array(column, dtype=np.float64) for column in columns)
    return Forecast(
        head.source,
        head.position,
        head.issued_ms,
        np.array(valid, dtype=np.int64),
        temp,
        rh,
        wind,
        pressure,
        head.notes,
        head.doubt,
        _members(store, forecast_id),
    )


def _members(store: Reader | Writer, forecast_id: int) -> Members | None:
    rows = store.connection.rows(
        "SELECT temp_c, rh_pct, wind_m_s FROM forecast_member WHERE forecast_id = ? "
        "ORDER BY member",
        (forecast_id,),
    )
    if not rows:
        return None
    columns = (
        np.stack([np.frombuffer(values, _BYTES) for values in column])
        for column in zip(*rows, strict=True)
    )
    return Members(*(column.astype(np.float64) for column in columns))


def progress_of(store: Reader | Writer, source: str) -> SourceProgress:
    """The polling progress of a source; an unknown source counts as never asked."""
    row = store.connection.row("SELECT * FROM forecast_asked WHERE source = ?", (source,))
    return SourceProgress._make(row) if row else SourceProgress(source)


def keep_progress(run: Cursor, state: SourceProgress) -> None:
    """Within the caller's transaction: store the polling progress of a source."""
    run.execute("DELETE FROM forecast_asked WHERE source = ?", (state.source,))
    run.execute("INSERT INTO forecast_asked VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", state)


def _kept(row: tuple[Any, ...]) -> StoredForecast:
    place = None if row[6] is None else Position(row[6], row[7])
    return StoredForecast._make((*row[:6], place, tuple(json.loads(row[8])), *row[9:]))
