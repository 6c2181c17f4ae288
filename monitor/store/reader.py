"""The store's reader: corrected series, rejected messages, counts. It cannot write."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, NamedTuple

from monitor.core.clock import AHEAD_MAX_MS, EVER_MS
from monitor.core.measurements import Quantity, Reading, Refusal, Series
from monitor.domain.events import About
from monitor.domain.sensor import SensorHistory, apply
from monitor.store import corrected_series, many_series, retention
from monitor.store.connection import StoreAddress, opened
from monitor.store.corrected_series import Piece
from monitor.store.journal import events_about
from monitor.store.piece_reader import PieceReader, joined, merged
from monitor.store.rollups import HOUR_S, TEN_MINUTES_S
from monitor.store.writer import TALLIES

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from monitor.domain.sensor import Correction
    from monitor.store.kept_rollups import KeptRollups

_QUANTITY = {str(one): one for one in Quantity}


class Latest(NamedTuple):
    """The newest reading of a series."""

    series_id: int
    reading: Reading


class AheadReadings(NamedTuple):
    """Stored readings of a topic, "place/sensor", that are dated ahead of the clock: how many, and
    the times of the first and last. [-], [ms], [ms]"""

    topic: str
    readings: int
    first_ms: int
    last_ms: int


class Reader:
    """Reads the store and cannot write it. One connection, which threads may share.

    Series are read at the place where the sensor stood then, without the time in a calibration
    jar, and with the corrections in force. An id is good for this reader only.

    Raises
    ------
    StoreUnavailable
        If there is no store at `address` yet, or it cannot be read just now.
    StoreFault
        If it is not our store, or is damaged.
    """

    def __init__(self, address: StoreAddress) -> None:
        self.address = address
        self.connection = opened(address, read_only=True)
        self._tables = PieceReader(self.connection)
        self._seen = self._last = 0
        self._histories: dict[str, SensorHistory] = {}
        self._views: dict[int, list[Piece]] = {}
        self._ids: dict[Series, int] = {}
        self._named: tuple[tuple[int, int | None], dict[Series, int]] = ((0, None), {})

    def version(self) -> int:
        """A number that changes when anything was committed since this reader last asked."""
        return self.connection.version()

    def series(self) -> dict[Series, int]:
        """Every series and its id."""
        with self.connection.alone():
            self._look()
            stored = self._stored()
            if not self._histories:
                return stored
            self._view(stored)
            seen = stored | self._ids
        return {
            series: seen[series]
            for series in sorted(seen)
            if seen[series] not in self._views or self._views[seen[series]]
        }

    def latest(self, now_ms: int) -> list[Latest]:
        """The newest reading of every series, by place, sensor and quantity.

        A reading dated more than `AHEAD_MAX_MS` after `now_ms` is left out, or it would be the
        newest for ever. [ms since 1970-01-01 UTC]
        """
        self._look()
        until_ms = now_ms + AHEAD_MAX_MS
        rows = self.connection.rows(self.connection.LATEST, (until_ms,))
        found = [Latest(i, Reading(Series(p, s, _QUANTITY[q]), t, v)) for i, p, s, q, t, v in rows]
        if not self._histories:
            return found
        ids = self.series()
        found = [one for one in found if one.series_id not in self._views]
        for series, series_id in ids.items():
            if series_id in self._views:
                pieces = self._views[series_id]
                newest = max(
                    (row for piece in pieces if (row := self._tables.newest(piece, until_ms))),
                    default=None,
                )
                if newest is not None:
                    found.append(Latest(series_id, Reading(series, *newest)))
        return sorted(found, key=lambda one: one.reading.series)

    def span(self, series_id: int) -> tuple[int, int] | None:
        """Times of the first and last reading of a series; None if it has none. [ms]"""
        ends = [
            self.connection.row(
                "SELECT (SELECT min(ts_ms) FROM reading WHERE series_id = ? "
                "AND ts_ms >= ? AND ts_ms < ?), (SELECT max(ts_ms) FROM reading "
                "WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ?)",
                2 * piece[:3],
            )
            for piece in self._pieces(series_id)
        ]
        lows, highs = ([end[i] for end in ends if end[i] is not None] for i in (0, 1))
        for piece in self._pieces(series_id):
            limit = min(self._tables.cleared.get(piece.series_id, -EVER_MS), piece.until_ms)
            if piece.from_ms < limit and (
                kept := retention.span(self.connection, piece.series_id, piece.from_ms, limit)
            ):
                lows.append(kept[0])
                highs.append(kept[1])
        return (min(lows), max(highs)) if lows and highs else None

    def cleared_until(self, series_id: int) -> int | None:
        """Time before which a series is read as means of ten minutes; None if nothing of it was
        cleared. [ms since 1970-01-01 UTC]"""
        limits = (
            min(limit, piece.until_ms)
            for piece in self._pieces(series_id)
            if (limit := self._tables.cleared.get(piece.series_id, piece.from_ms)) > piece.from_ms
        )
        return max(limits, default=None)

    def count(self, series_id: int, start_ms: int, end_ms: int) -> int:
        """About how many readings lie in [start, end): counted from whole hours."""
        return sum(
            self.connection.row(
                "SELECT coalesce(sum(n), 0) FROM rollup "
                "WHERE series_id = ? AND period_s = ? AND ts_ms > ? AND ts_ms < ?",
                (one, HOUR_S, max(start_ms, low) - 1000 * HOUR_S, min(end_ms, high)),
            )[0]
            for one, low, high, _ in self._pieces(series_id)
        )

    def readings(
        self, series_id: int, start_ms: int, end_ms: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Times [ms] and values of a series in [start, end), by time; two arrays of shape (n,).

        Where readings are cleared (`retention`), the means of ten minutes stand for them.
        """
        parts = []
        for piece in self._pieces(series_id):
            low, high = max(start_ms, piece.from_ms), min(end_ms, piece.until_ms)
            if low < (limit := min(self._tables.cleared.get(piece.series_id, low), high)):
                parts.append(self._tables.means(piece, low, limit))
                low = limit
            table = self._tables.readings(piece.series_id, low, high)
            (values,) = corrected_series.correct(piece.correction, [table["value"]])
            parts.append((table["ts_ms"], values))
        if len(parts) == 1:
            return parts[0]
        return joined(parts)

    def rollups(
        self, series_id: int, period_s: int, start_ms: int, end_ms: int
    ) -> NDArray[np.void]:
        """Rollups that overlap [start, end), by time.

        Returns
        -------
        structured ndarray of shape (n,)
            Fields `ts_ms` (start of the bucket), `n`, `low`, `mean`, `high`.

        Notes
        -----
        A correction is a straight line that rises, so it may be applied to mean, lowest and
        highest alike. A bucket in which a piece begins or ends is made from its readings, or from its
        whole ten minutes where they are cleared.
        """
        return self.rollups_of([series_id], period_s, start_ms, end_ms)[series_id]

    def rollups_of(
        self,
        series_ids: Collection[int],
        period_s: int,
        start_ms: int,
        end_ms: int,
        kept: KeptRollups | None = None,
    ) -> dict[int, NDArray[np.void]]:
        """The `rollups` of many series by id, read together. `kept`: those of ten minutes that were
        read before, by this reader."""
        self._look()
        views = self._views
        whole = [one for one in series_ids if one not in views]
        low_ms = start_ms - 1000 * period_s + 1
        if kept is not None and period_s == TEN_MINUTES_S:
            found = kept.read(self.connection, whole, low_ms, end_ms)
        else:
            found = many_series.rollups(self.connection, whole, period_s, low_ms, end_ms)
        for one in series_ids:
            if one in views:
                tables = [
                    self._tables.rollups(piece, period_s, start_ms, end_ms) for piece in views[one]
                ]
                found[one] = tables[0] if len(tables) == 1 else merged(tables)
            elif one not in found:
                found[one] = many_series.none()
        return found

    def correction_of(self, series_id: int, at_ms: int) -> Correction | None:
        """The correction of a series at a time, as known when its id was asked for; None if there is
        none. [ms]"""
        for piece in self._views.get(series_id, ()):
            if piece.from_ms <= at_ms < piece.until_ms and piece.correction is not None:
                return piece.correction
        return None

    def uncertainty(self, series_id: int, value: float, at_ms: int) -> float | None:
        """Expanded uncertainty (k = 2) of a corrected value; None if it was never calibrated."""
        correction = self.correction_of(series_id, at_ms)
        if correction is None:
            return None
        return correction.uncertainty(
            (value - correction.fit.offset) / correction.fit.slope, at_ms
        )

    def histories(self) -> Mapping[str, SensorHistory]:
        """The sensors' histories, by "place/name" of their topics."""
        self._look()
        return self._histories

    def raw_values(
        self, series: Series, start_ms: int, end_ms: int, *, voided: bool = False
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Times [ms] and values in [start, end) as the sensor sent them on its topic, uncorrected;
        with `voided` also those that were voided."""
        import numpy as np

        self._look()
        series_id = self._stored().get(series)
        if series_id is None:
            return np.empty(0, np.int64), np.empty(0)
        table = self._tables.readings(series_id, start_ms, end_ms)
        ts_ms, values = table["ts_ms"], table["value"]
        history = self._histories.get(f"{series.place}/{series.sensor}")
        if voided or history is None or not history.voids:
            return ts_ms, values
        void = history.void_at(ts_ms)
        return ts_ms[~void], values[~void]

    def raw_extents(self, start_ms: int, end_ms: int) -> dict[Series, tuple[int, int, int]]:
        """Number of readings of each topic in [start, end), and the times of the first and last; only
        topics that have any. [-], [ms], [ms]"""
        found = {}
        for series, series_id in self._stored().items():
            n, first, last = self.connection.row(
                "SELECT count(*), min(ts_ms), max(ts_ms) FROM reading "
                "WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ?",
                (series_id, start_ms, end_ms),
            )
            if n:
                found[series] = (n, first, last)
        return found

    def deleted_spans(self, start_ms: int, end_ms: int) -> dict[Series, tuple[int, int]]:
        """Time in [start, end) of which only means of each topic are kept, from and before
        (`retention`); only topics that have any. [ms since 1970-01-01 UTC]"""
        self._look()
        found = {}
        for series, series_id in self._stored().items():
            limit = min(self._tables.cleared.get(series_id, start_ms), end_ms)
            if start_ms < limit and (
                kept := retention.span(self.connection, series_id, start_ms, limit)
            ):
                found[series] = (kept[0], limit)
        return found

    def topics(self) -> set[str]:
        """Every topic that was ever stored, as "place/sensor"."""
        return {f"{series.place}/{series.sensor}" for series in self._stored()}

    def raw_latest(self, now_ms: int) -> list[Reading]:
        """Newest reading of every topic as it was sent, wherever its sensor is; as in `latest`, none
        that is dated ahead. [ms since 1970-01-01 UTC]"""
        self._look()
        until_ms = now_ms + AHEAD_MAX_MS
        found = []
        for series_id, place, sensor, quantity, ts_ms, value in self.connection.rows(
            self.connection.LATEST, (until_ms,)
        ):
            history = self._histories.get(f"{place}/{sensor}")
            newest: tuple[int, float] | None = (ts_ms, value)
            if history is not None and history.voids:
                kept = corrected_series.kept_spans(history, -EVER_MS, EVER_MS)
                newest = max(
                    (
                        row
                        for low, high in kept
                        if (
                            row := self._tables.newest(Piece(series_id, low, high, None), until_ms)
                        )
                    ),
                    default=None,
                )
            if newest is not None:
                found.append(Reading(Series(place, sensor, Quantity(quantity)), *newest))
        return found

    def ahead(self, now_ms: int) -> list[AheadReadings]:
        """The readings of each topic that are dated ahead, as in `latest`; voided ones are not
        counted. [ms since 1970-01-01 UTC]"""
        self._look()
        found: dict[str, AheadReadings] = {}
        rows = self.connection.rows(
            "SELECT place, sensor, series_id FROM series WHERE EXISTS (SELECT 1 FROM reading AS r "
            "WHERE r.series_id = series.series_id AND r.ts_ms > ?) ORDER BY place, sensor",
            (now_ms + AHEAD_MAX_MS,),
        )
        for place, sensor, series_id in rows:
            topic = f"{place}/{sensor}"
            history = self._histories.get(topic, SensorHistory(topic))
            for low, high in corrected_series.kept_spans(
                history, now_ms + AHEAD_MAX_MS + 1, EVER_MS
            ):
                n, first, last = self.connection.row(
                    "SELECT count(*), min(ts_ms), max(ts_ms) FROM reading "
                    "WHERE series_id = ? AND ts_ms >= ? AND ts_ms < ?",
                    (series_id, low, high),
                )
                if n:
                    was = found.get(topic, AheadReadings(topic, 0, first, last))
                    found[topic] = AheadReadings(
                        topic, was.readings + n, min(was.first_ms, first), max(was.last_ms, last)
                    )
        return list(found.values())

    def lateness(
        self, place: str, sensor: str, since_ms: int, until_ms: int = EVER_MS
    ) -> NDArray[np.void]:
        """Lateness of a topic's messages, by hours of arrival that end after `since_ms` and begin
        before `until_ms`.

        Returns
        -------
        structured ndarray of shape (n,)
            `hour_ms`, and `least_s`, the least of that hour. [s]
        """
        return self.lateness_of([(place, sensor)], since_ms, until_ms)[place, sensor]

    def lateness_of(
        self, topics: Collection[tuple[str, str]], since_ms: int, until_ms: int = EVER_MS
    ) -> dict[tuple[str, str], NDArray[np.void]]:
        """The `lateness` of many topics, (place, sensor), read together."""
        import numpy as np

        after_ms = since_ms - 1000 * HOUR_S
        found = many_series.lateness(self.connection, list(topics), after_ms, until_ms)
        none = np.empty(0, many_series.LATENESS)
        return {one: found.get(one, none) for one in topics}

    def off_time(
        self, topics: Collection[tuple[str, str]], since_ms: int, slow_s: float, fast_s: float
    ) -> set[tuple[str, str]]:
        """Topics, (place, sensor), of these that were late by `slow_s` or more or early by `fast_s` or
        more in an hour of their `lateness` since a time."""
        after_ms = since_ms - 1000 * HOUR_S
        limits_ms = (1000 * slow_s, 1000 * fast_s)
        return many_series.off_time(self.connection, list(topics), after_ms, *limits_ms)

    def newest_ms(self) -> int | None:
        """Time of the newest reading that is not voided, or of the newest event; None if there is
        neither. [ms since 1970-01-01 UTC]"""
        times = [one.reading.ts_ms for one in self.latest(EVER_MS)]
        row = self.connection.row("SELECT max(recorded_ms) FROM event")
        return max((at for at in (*times, row[0]) if at is not None), default=None)

    def refused(self, limit: int) -> list[Refusal]:
        """The newest rejected messages, newest first."""
        rows = self.connection.rows(
            "SELECT received_ms, topic, payload, size, reason FROM refused "
            "ORDER BY refused_id DESC LIMIT ?",
            (limit,),
        )
        return [Refusal(*row) for row in rows]

    def tallies(self) -> dict[str, int]:
        """Totals since the start of messages, readings, repeats and rejections."""
        rows = self.connection.rows("SELECT name, n FROM tally")
        return dict.fromkeys(TALLIES, 0) | dict(rows)

    def close(self) -> None:
        self.connection.close()

    def _stored(self) -> dict[Series, int]:
        """Every series and its id, read again when there are more: none is changed or deleted."""
        size = self.connection.row("SELECT count(*), max(series_id) FROM series")
        if self._named[0] != size:
            rows = self.connection.rows(
                "SELECT place, sensor, quantity, series_id FROM series ORDER BY 1, 2, 3"
            )
            self._named = size, {Series(p, s, _QUANTITY[q]): i for p, s, q, i in rows}
        return dict(self._named[1])

    def _look(self) -> None:
        """Take in new events about sensors; almost free if there are none."""
        if self.version() == self._seen:
            return
        with self.connection.alone():
            if (version := self.version()) == self._seen:
                return
            new, self._last = events_about(self.connection, About.SENSOR, self._last)
            found = dict(self._histories)  # another thread may be reading the one before
            for event in new:
                found[event.subject] = apply(found.get(event.subject), event)
            self._tables.cleared = retention.limits(self)
            if new:
                self._histories = found
                self._view(self._stored())
            self._seen = version  # only now may other threads go on

    def _view(self, stored: Mapping[Series, int]) -> None:
        found = corrected_series.corrected_pieces(stored, self._histories)
        for series in found:
            own = stored.get(series)
            if own is not None:
                self._ids[series] = own
            elif series not in self._ids:  # seen at a place that no topic names
                self._ids[series] = -1 - len(self._ids)
        self._views = {self._ids[series]: pieces for series, pieces in found.items()}
        for series, series_id in self._ids.items():
            if series not in found and series not in stored:
                self._views[series_id] = []  # a name that was undone

    def _pieces(self, series_id: int) -> list[Piece]:
        self._look()
        whole = Piece(series_id, -EVER_MS, EVER_MS, None)
        return self._views.get(series_id, [whole]) if self._views else [whole]
