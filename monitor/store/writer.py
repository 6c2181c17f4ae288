"""The store's writer: readings, their rollups, rejected messages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple, TypeVar

from monitor.core.backoff import Backoff
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.core.measurements import (
    REFUSED_PAYLOAD_MAX,
    REFUSED_TEXT_MAX,
    Quantity,
    Reading,
    Refusal,
    Series,
)
from monitor.store import aside, retention
from monitor.store.aside import AsideMessage
from monitor.store.connection import BUSY_WAIT_S, Cursor, Fence, Row3, StoreAddress, opened

_T = TypeVar("_T")

TALLIES = ("messages", "readings", "repeats", "refused")
"""Totals that pruning does not change."""
RETRY_FIRST_S, RETRY_MAX_S = 0.5, 15.0
"""First and longest wait before a store that could not be used is tried again. [s]"""
LARGEST = 1e9
"""Limit of a value, in the unit of its quantity, so that no sum of a rollup is infinite. What is
believable is judged before (`readings.payload.validation`)."""
APART_MS = 16
"""Step to the next free time of a reading that is dated by its arrival. [ms]  As many as clients share
a stream (`mqtt.client.TURNS`): each stays on milliseconds of its own."""
COMMANDS_KEPT_MS = 30 * 86_400_000
"""A command that comes again within this time is known and not carried out twice. [ms]"""

_INSERT_REFUSED = (
    "INSERT INTO refused (received_ms, topic, payload, size, reason) VALUES (?, ?, ?, ?, ?)"
)
_ADD_TALLY = (
    "INSERT INTO tally (name, n) VALUES (?, ?) "
    "ON CONFLICT (name) DO UPDATE SET n = tally.n + excluded.n"
)
_REMEMBER = (
    "INSERT INTO delivered (packet_id, digest) VALUES (?, ?) "
    "ON CONFLICT (packet_id) DO UPDATE SET digest = excluded.digest"
)
_NOTE_LATENESS = (
    "INSERT INTO lateness (place, sensor, hour_ms, least_ms) VALUES (?, ?, ?, ?) "
    "ON CONFLICT (place, sensor, hour_ms) DO UPDATE "
    "SET least_ms = excluded.least_ms WHERE excluded.least_ms < lateness.least_ms"
)


def until_stored(
    work: Callable[[], _T],
    rest: Callable[[float], bool],
    away: Callable[[StoreUnavailable, int], object],
) -> _T | None:
    """Do something with the store, however long it takes until the store can be used.

    Parameters
    ----------
    work : callable
        Tried again after each `StoreUnavailable`.
    rest : callable
        Waits that long [s]; returns False if asked to stop.
    away : callable
        Called each time with the reason and the number of tries that failed before.

    Returns
    -------
    What `work` returned, or None
        None if asked to stop before.
    """
    backoff = Backoff(RETRY_FIRST_S, RETRY_MAX_S)
    while True:
        try:
            return work()
        except StoreUnavailable as exc:
            away(exc, backoff.failures)
        if not rest(backoff.wait_s()):
            return None


class StoredCounts(NamedTuple):
    """Numbers of new readings in a batch, and of readings that were stored already."""

    new: int
    repeated: int


class Writer:
    """The only way to write the store. Threads may share it: it keeps their transactions apart.

    Parameters
    ----------
    address : Path or str
        The database file, or the URL of a database. It is made if it is a file, and its schema is
        brought up to date.

    Raises
    ------
    StoreUnavailable
        If it cannot be opened or written just now.
    StoreFault
        If it is not our database, or comes from a newer version of this program.
    """

    def __init__(self, address: StoreAddress) -> None:
        self.address = address
        self.connection = opened(address, read_only=False)
        rows = self.connection.rows("SELECT place, sensor, quantity, series_id FROM series")
        self._series_ids = {Series(p, s, Quantity(q)): i for p, s, q, i in rows}

    def claim(self, fence: Fence | None = None) -> None:
        """Keep other services from this store until it is closed; with a `fence` those that do not
        stand by, and write under its number only.

        Raises
        ------
        StoreUnavailable
            If another service uses it.
        StoreFault
            If it is an unfinished copy.
        """
        self.connection.claim(standby=fence is not None)
        self.connection.fence = fence
        if self.connection.is_unfinished():
            raise StoreFault(
                f"{self.connection.name} is an unfinished copy: finish it with `benchweather store "
                "copy`, or empty it"
            )

    def write(
        self,
        readings: Sequence[Reading],
        *,
        arrived: Sequence[Reading] = (),
        refusals: Sequence[Refusal] = (),
        deliveries: Iterable[tuple[int, bytes]] = (),
        tallies: Mapping[str, int] | None = None,
        lateness: Mapping[tuple[str, str, int], int] | None = None,
        messages_aside: Sequence[AsideMessage] = (),
        also: Callable[[Cursor], object] | None = None,
        alone: bool = False,
        note_old: bool = True,
    ) -> StoredCounts:
        """Store a batch in one transaction, with its rollups. All of it is on disk, or none.

        Parameters
        ----------
        readings : sequence of Reading
            Any order; one already stored for its series and time changes nothing. One from before
            the retention of its series is kept as a refusal if `note_old`.
        arrived : sequence of Reading
            Readings of messages that came once and are dated by their arrival. Where the time is that
            of another reading of the series, as after a clock was set back, the next free one is
            taken: none is lost.
        refusals : sequence of Refusal
        deliveries : iterable of (packet id, digest)
            Messages to be known again by `delivered`.
        tallies : mapping of name to number, optional
            Added to the counts of `TALLIES`, besides readings, repeats and refusals.
        lateness : mapping of (place, sensor, hour) to ms, optional
            The least by which a message of a topic came after its newest reading, by the hour of
            arrival [ms since 1970-01-01 UTC]. The least of all is kept.
        messages_aside : sequence of AsideMessage
        also : callable, optional
            Further writing in the same transaction.
        alone : bool
            True if no other may write meanwhile, not even readings.

        Raises
        ------
        StoreUnavailable
            If the disk is full, locked or away: nothing was stored, and the same batch may be
            tried again. If a server was cut off during the commit and cannot be asked, all of it may
            be stored: a mark among the `deliveries` tells.
        StoreFault
            If the database is damaged, or a value is not finite or beyond `LARGEST`.
        """
        with self.connection.transaction(beside=not alone) as run:
            counts, fresh = self.put(
                run,
                readings,
                arrived=arrived,
                refusals=refusals,
                tallies=tallies,
                note_old=note_old,
            )
            self.remember(run, deliveries)
            hours = sorted((lateness or {}).items())  # others that write beside wait, in one order
            run.executemany(_NOTE_LATENESS, [(*hour, late_ms) for hour, late_ms in hours])
            if messages_aside:
                aside.keep(run, messages_aside)
            if also is not None:
                also(run)
        self.note_series(fresh)
        return counts

    def note_series(self, fresh: Mapping[Series, int]) -> None:
        """Note the ids of new series, once the transaction that made them has ended."""
        self._series_ids |= fresh

    def put(
        self,
        run: Cursor,
        readings: Sequence[Reading],
        *,
        arrived: Sequence[Reading] = (),
        refusals: Sequence[Refusal] = (),
        tallies: Mapping[str, int] | None = None,
        note_old: bool = True,
    ) -> tuple[StoredCounts, dict[Series, int]]:
        """Within a transaction: store readings with their rollups, and refusals, as in `write`. Also
        returns the ids of new series."""
        fresh: dict[Series, int] = {}
        ids = self._series_ids
        now = now_ms()
        readings, too_old = retention.split(run, readings, now)
        if arrived:
            arrived, older = retention.split(run, arrived, now)
            readings, too_old = [*readings, *arrived], too_old + older
        refusals = [*refusals, *too_old] if note_old else refusals
        rows = []
        last, series_id = None, None
        for series, ts_ms, value in readings:
            if series is not last:  # a pack is of one series
                last, series_id = series, ids.get(series) or fresh.get(series)
                if series_id is None:  # in one order, since writers beside us wait for each other
                    for one in sorted({reading.series for reading in readings} - ids.keys()):
                        fresh[one] = self._new_series(run, one)
                    series_id = fresh[series]
            if not -LARGEST < value < LARGEST:  # also where it is not a number
                raise StoreFault(f"{series.quantity} = {value:g} is not a measured value")
            rows.append((series_id, ts_ms, value))
        if arrived:
            first = len(rows) - len(arrived)
            rows[first:] = self._apart(run, rows[first:], {(i, ts) for i, ts, _ in rows[:first]})
        new = self.connection.add_readings(run, rows)
        if refusals:
            run.executemany(_INSERT_REFUSED, refusals)
        counts = Counter(tallies or {})
        counts.update(readings=new, repeats=len(rows) - new, refused=len(refusals))
        run.executemany(_ADD_TALLY, sorted((name, n) for name, n in counts.items() if n))
        return StoredCounts(new, len(rows) - new), fresh

    def _apart(self, run: Cursor, rows: list[Row3], given: set[tuple[int, int]]) -> list[Row3]:
        """Rows at times that are neither `given` nor stored: each at its own, or at the next free."""
        placed: list[Row3] = []
        while rows:
            occupied, again = self.connection.occupied(run, rows), []
            for series_id, ts_ms, value in rows:
                at = (series_id, ts_ms)
                if at in occupied or at in given:
                    again.append((series_id, ts_ms + APART_MS, value))
                else:
                    given.add(at)
                    placed.append((*at, value))
            rows = again
        return placed

    @staticmethod
    def remember(run: Cursor, deliveries: Iterable[tuple[int, bytes]]) -> None:
        """Within a transaction: note messages, to be known again by `delivered`."""
        run.executemany(_REMEMBER, deliveries)

    def delivered(self, packet_id: int) -> bytes | None:
        """Digest of the last message kept under a packet id; None if there is none."""
        row = self.connection.row("SELECT digest FROM delivered WHERE packet_id = ?", (packet_id,))
        return row[0] if row else None

    def refused_before(self, topic: str, payload: bytes) -> bool:
        """Return whether this very message is among the rejected ones."""
        row = self.connection.row(
            "SELECT 1 FROM refused WHERE topic = ? AND payload = ? AND size = ? LIMIT 1",
            (topic[:REFUSED_TEXT_MAX], payload[:REFUSED_PAYLOAD_MAX], len(payload)),
        )
        return row is not None

    def prune_refused(self, keep: int) -> int:
        """Delete all but the newest `keep` rejected messages. Returns how many were deleted."""
        with self.connection.transaction() as run:
            return run.execute(
                "DELETE FROM refused WHERE refused_id <= (SELECT max(refused_id) FROM refused) - ?",
                (keep,),
            ).rowcount

    def prune_commands(self, now_ms: int) -> int:
        """Delete the answers to commands carried out more than `COMMANDS_KEPT_MS` ago.

        Returns
        -------
        int
            How many were deleted.
        """
        with self.connection.transaction() as run:
            return run.execute(
                "DELETE FROM command_done WHERE recorded_ms < ?", (now_ms - COMMANDS_KEPT_MS,)
            ).rowcount

    def tidy(self) -> None:
        """Refresh the planner's statistics and give the log file's space back."""
        self.connection.tidy()
        self.empty_log()

    def empty_log(self, wait_s: float = BUSY_WAIT_S) -> bool:
        """Move the log file's pages into the database and empty it, so that no deleted row is left;
        False if somebody still reads there after `wait_s`."""
        return self.connection.empty_log(wait_s)

    def close(self) -> None:
        self.connection.close()

    def _new_series(self, run: Cursor, series: Series) -> int:
        row = run.execute(
            "INSERT INTO series (place, sensor, quantity) VALUES (?, ?, ?) "
            "ON CONFLICT (place, sensor, quantity) DO UPDATE SET place = excluded.place "
            "RETURNING series_id",
            (series.place, series.sensor, str(series.quantity)),
        ).fetchone()
        return int(row[0])
