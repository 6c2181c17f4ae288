"""Queries of the store and the heartbeat for the pages. The only module that knows the store.

A `ShopData` may be shared by all threads: each has a read-only `Reader` of its own. What cannot be
read raises a `StoreFault`, which the pages put into words.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dashboard.data import thinning
from dashboard.data.records import (
    DownloadRows,
    Notices,
    PlacedSensor,
    QuantityHistory,
    ServiceState,
)
from monitor.air import climate_report, latest_air, place_means
from monitor.commands.closing import shop_hours
from monitor.core.clock import AHEAD_MAX_MS, now_ms
from monitor.core.errors import StoreFault, StoreMissing, StoreUnavailable
from monitor.core.measurements import MEASURES, Quantity, Refusal, Series, leading_order
from monitor.core.steady_clock import cautious_ms, doubted_ahead
from monitor.domain.events import About
from monitor.domain.hand_reading import fresh_ms
from monitor.domain.places import Place
from monitor.mqtt.broker_log import broker_refusals
from monitor.planning.present import kept_at
from monitor.readings import heard_topics
from monitor.runtime import heartbeat
from monitor.science.air import pressure_at_altitude
from monitor.science.registry import DERIVED, derive
from monitor.store import (
    HOUR_S,
    TEN_MINUTES_S,
    Reader,
    aside,
    forecasts,
    is_there,
    newcomers,
    outbox,
)
from monitor.store.journal import events_about

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashboard.data.thinning import Points
    from monitor.air.climate_report import ClimateRecord
    from monitor.air.latest_air import LatestAir
    from monitor.core.steady_clock import ClockJump
    from monitor.domain.events import Event
    from monitor.domain.forecast import Forecast
    from monitor.domain.opening_hours import Hours
    from monitor.mqtt.broker_log import BrokerRefusal
    from monitor.readings.heard_topics import HeardTopics
    from monitor.settings import Settings
    from monitor.store.aside import AsideOfSensor
    from monitor.store.newcomers import Newcomer
    from monitor.store.reader import AheadReadings

ROWS_MAX = 20_000
"""Most rows read for one figure, over all its places and the quantities they need."""
POINTS_MAX = 800
"""Most points of a mean line; the outline of its band has at most 2.5 times as many."""
CSV_ROWS_MAX = 500_000
"""Most rows of a download."""
PAIR_WITHIN_MS = 300_000
"""Temperature and RH further apart than this are no pair, however slow the sensor. [ms]"""
SOURCES = {0: "readings", TEN_MINUTES_S: "10-minute means", HOUR_S: "hourly means"}

T, RH, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE


class ShopData:
    """The shop as the store and the heartbeat have it."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._mine = threading.local()
        self._watch = threading.Lock()
        self._watcher: tuple[int, Reader] | None = None
        self._opened = 0
        self._seen: tuple[int, int] | None = None
        self._old_from: list[int] = []

    @contextlib.contextmanager
    def reader(self) -> Iterator[Reader]:
        """This thread's reader. After a fault, or when the file was replaced, a new one."""
        held = self._mine.held = self.kept_reader(getattr(self._mine, "held", None))
        try:
            yield held[1]
        except StoreFault:
            held[1].close()
            self._mine.held = None
            raise

    def kept_reader(self, held: tuple[int, Reader] | None) -> tuple[int, Reader]:
        """`held`, or a new reader if there is none yet or the file was replaced."""
        inode = _inode(self.settings)
        if held and held[0] == inode:
            return held
        if held:
            held[1].close()
        return inode, Reader(self.settings.read_address)

    def opening_hours(self) -> Hours:
        """Opening hours by the settings and, if the store can be read, the answers about closed days."""
        try:
            with self.reader() as reader:
                return shop_hours(reader, self.settings)
        except StoreFault:  # the board says so by itself
            return self.settings.hours.model_dump()

    def has_store(self) -> bool:
        """Return whether there is a store yet."""
        return is_there(self.settings.store_address)

    def change_token(self) -> str:
        """A text that changes when a page may have something new to show; it costs no query.

        It holds the store's version, how many places have gone quiet, the service's troubles and the
        version of the plan.
        """
        state = self.service_state()
        beat = state.beat or heartbeat.Heartbeat(beat_ms=0, started_ms=0, pid=0)
        causes = (beat.broker_trouble, beat.store_trouble, beat.round_trouble)
        troubles = (
            f"{state.gone}|{causes}|{beat.backup_trouble}|{beat.clock}|{beat.outage}|{beat.disk}"
        )
        with contextlib.suppress(OSError):
            troubles += f"|{self.settings.heard_topics_path.stat().st_mtime_ns}"
        troubles += f"|{kept_at(self.settings)}"
        with self._watch:
            try:
                return f"{self._version()}|{self._quiet()}|{troubles}"
            except StoreFault as exc:
                if self._watcher:
                    self._watcher[1].close()
                self._watcher = None
                return f"{type(exc).__name__}|{troubles}"

    def _version(self) -> str:
        inode = _inode(self.settings)
        if self._watcher and self._watcher[0] != inode:
            self._watcher[1].close()
            self._watcher = None
        if self._watcher is None:
            self._watcher = (inode, Reader(self.settings.read_address))
            self._opened += 1
        version = (self._opened, self._watcher[1].version())
        if version != self._seen:
            newest: dict[str, int] = {}
            for _, reading in self._watcher[1].latest(now_ms()):
                place, sensor, _ = reading.series
                old_ms = reading.ts_ms + fresh_ms(sensor, self.settings.board.stale_after_s)
                newest[place] = max(newest.get(place, 0), old_ms)
            self._old_from, self._seen = list(newest.values()), version
        return f"{version[0]}.{version[1]}"

    def _quiet(self) -> int:
        now = now_ms()
        return sum(at_ms < now for at_ms in self._old_from)

    def service_state(self) -> ServiceState:
        """The service's state by its heartbeat; gone if it is late or was never written."""
        beat = heartbeat.read(self.settings.heartbeat_path)
        return ServiceState(beat, beat is None or beat.late())

    def doubted_jump(self) -> ClockJump | None:
        """Jump of the machine's clock by which no wait may be ready; None if there is none."""
        beat = self.service_state().beat
        return doubted_ahead(beat.clock) if beat is not None else None

    def cautious_now_ms(self) -> int:
        """The machine's time, without a doubted jump ahead. [ms since 1970-01-01 UTC]"""
        return cautious_ms(now_ms(), self.doubted_jump())

    def places(self, reader: Reader) -> list[Place]:
        """The places of the settings in their order, then any other that a sensor has named."""
        return place_means.places(reader, self.settings)

    def place_names(self, *, indoors: bool = False) -> dict[str, str]:
        """Labels of all places by id; with `indoors` those indoors only."""
        with self.reader() as reader:
            return {
                place.id: place.label
                for place in self.places(reader)
                if not (indoors and place.kind == "outdoors")
            }

    def recent(self) -> list[LatestAir]:
        """Newest values of each place, and the last day of its leading sensor as 10-minute means.

        The leading sensor is the first by name of those that measure temperature and RH and are
        not old; if all are old, the one heard last. Pressure, surface temperature and battery are
        the newest of any sensor at the place.
        """
        with self.reader() as reader:
            return latest_air.recent(reader, self.settings, now_ms())

    def sensors(self) -> list[PlacedSensor]:
        """Every sensor, by place in the order of the settings, then by name."""
        with self.reader() as reader:
            order = {place.id: place for place in self.places(reader)}
            found: dict[tuple[str, str], dict[Quantity, tuple[int, float, int]]] = {}
            for series_id, (series, ts_ms, value) in reader.latest(now_ms()):
                last = found.setdefault((series.place, series.sensor), {})
                last[series.quantity] = (ts_ms, value, series_id)
        rank = {place: i for i, place in enumerate(order)}
        keys = sorted(found, key=lambda key: (rank[key[0]], key[1]))
        return [PlacedSensor(order[place], sensor, found[place, sensor]) for place, sensor in keys]

    def refused(self, limit: int) -> list[Refusal]:
        """The newest refused messages, newest first. Their text is not to be trusted."""
        with self.reader() as reader:
            return reader.refused(limit)

    def aside(self) -> list[AsideOfSensor]:
        """Messages of each sensor that are kept aside, since the machine's clock had jumped."""
        with self.reader() as reader:
            return aside.by_sensor(reader)

    def newcomers(self) -> tuple[list[Newcomer], int]:
        """New places and sensors that wait or were refused, and the number of messages of further
        ones, which were not kept. Their names are not to be trusted."""
        with self.reader() as reader:
            found = newcomers.every(reader, newcomers.WAITING, newcomers.REFUSED)
            return found, newcomers.beyond(reader)

    def broker_refusals(self) -> list[BrokerRefusal]:
        """Newest refusals of our own broker, newest first. Do not trust their texts."""
        if self.settings.broker.url:
            return []
        return broker_refusals(self.settings.broker_log_path)

    def heard_topics(self) -> HeardTopics:
        """Topics that the service hears, or heard when it last listened. Do not trust their texts."""
        return heard_topics.read(self.settings.heard_topics_path)

    def clock_events(self, limit: int) -> list[Event]:
        """The last events about the clock of the shop's computer, oldest first."""
        with self.reader() as reader:
            return events_about(reader.connection, About.CLOCK)[0][-limit:]

    def ahead(self) -> list[AheadReadings]:
        """Stored readings of each sensor that are dated ahead of the clock."""
        with self.reader() as reader:
            return reader.ahead(now_ms())

    def counts(self) -> dict[str, int]:
        with self.reader() as reader:
            return reader.tallies()

    def newest_by_place(self) -> dict[str, int]:
        """Time of the newest reading of each place that a sensor measures.
        [ms since 1970-01-01 UTC]"""
        found: dict[str, int] = {}
        with self.reader() as reader:
            for _, (series, ts_ms, _) in reader.latest(now_ms()):
                found[series.place] = max(found.get(series.place, 0), ts_ms)
        return found

    def store_bytes(self) -> int | None:
        """Size of the store's file with its log; None for a database. [bytes]"""
        if self.settings.store_address != self.settings.store_path:
            return None
        path = self.settings.store_path
        files = (path, path.with_name(f"{path.name}-wal"))
        return sum(one.stat().st_size for one in files if one.exists())

    def disk_free_bytes(self) -> int | None:
        """Free space on the disk of the data folder; None if that is not known. [bytes]"""
        try:
            return shutil.disk_usage(self.settings.data).free
        except OSError:
            return None

    @staticmethod
    def memory_bytes(service_pid: int) -> dict[str, int]:
        """Memory in RAM of the service and of this board, where it is known. [bytes]"""
        found = {}
        for name, pid in (("service", service_pid), ("board", os.getpid())):
            with contextlib.suppress(OSError, ValueError):
                pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
                found[name] = pages * os.sysconf("SC_PAGE_SIZE")
        return found

    def quantities(self) -> dict[str, set[str]]:
        """Quantities that can be shown of each place: measured ones, then derived ones."""
        with self.reader() as reader:
            by_sensor: dict[tuple[str, str], set[Quantity]] = {}
            for series in reader.series():
                by_sensor.setdefault((series.place, series.sensor), set()).add(series.quantity)
        found: dict[str, set[str]] = {}
        for (place, _), measured in by_sensor.items():
            own = found.setdefault(place, set())
            own |= {str(quantity) for quantity in measured}
            if {T, RH} <= measured:
                own |= set(DERIVED)
        return found

    def doubted(self, at_ms: int) -> Forecast | None:
        """The outdoor forecast that would be used, were it not doubted; None if the one that is used
        is no worse."""
        prefer = [source.id for source in self.settings.forecasts]
        with self.reader() as reader:
            found = forecasts.newest(reader, at_ms, prefer, doubted=True)
        return found if found is not None and found.doubt else None

    def has_forecast(self) -> bool:
        """True once a forecast of a source in the settings is stored."""
        with self.reader() as reader:
            return any(forecasts.last_of(reader, one.id) for one in self.settings.forecasts)

    def notices(self, limit: int) -> Notices:
        """The newest notices on their way or gone, newest first, and what waits by channel."""
        with self.reader() as reader:
            return Notices(outbox.recent(reader, limit), outbox.tally(reader))

    def extent(self, place_ids: list[str]) -> tuple[int, int] | None:
        """Times of the first and last reading of some places. [ms]"""
        with self.reader() as reader:
            ends = [
                span
                for series, series_id in reader.series().items()
                if series.place in place_ids and (span := reader.span(series_id))
            ]
        if not ends:
            return None
        first, last = min(a for a, _ in ends), max(b for _, b in ends)
        return first, min(last, max(now_ms() + AHEAD_MAX_MS, first))

    def climate(self, place: Place | None, end_ms: int) -> ClimateRecord:
        """The climate record of a place, or of the shop, over the 13 months before a moment."""
        with self.reader() as reader:
            chosen = [place] if place else climate_report.indoors(self.places(reader))
            name = place.label if place else climate_report.SHOP
            start_ms = end_ms - climate_report.READ_MS
            zone = self.settings.zone
            return climate_report.climate_record(reader, name, chosen, start_ms, end_ms, zone)

    def air_means(
        self, place: Place, start_ms: int, end_ms: int, period_s: int
    ) -> place_means.Means:
        """Means of temperature and RH at a place, from pairs of one sensor. `period_s` is one that
        the store keeps. [s]"""
        with self.reader() as reader:
            return place_means.means(reader, place.id, start_ms, end_ms, period_s)

    def history(
        self, place: Place, quantity: str, start_ms: int, end_ms: int, *, share: int = 1
    ) -> QuantityHistory:
        """A quantity at a place in [start, end), thinned to at most about `POINTS_MAX` points.

        Parameters
        ----------
        quantity : str
            Measured (a `Quantity`) or derived (a key of `DERIVED`).
        share : int
            How many such histories share one figure, and so `ROWS_MAX`.

        Notes
        -----
        Read are the readings if they are few enough, else the 10-minute rollups, else the hours.
        A derived quantity is worked out from temperature and RH of one sensor, reading by
        reading or from their means. Where a place has several sensors, the first by name counts,
        and where it has a gap, the next.
        """
        needs = _needs(quantity)
        budget = ROWS_MAX // (share * len(needs))
        with self.reader() as reader:
            sensors = _sensors(reader, place.id, needs)
            readings = sum(reader.count(ids[-1], start_ms, end_ms) for ids in sensors)
            period = _period(readings, end_ms - start_ms, budget, len(sensors))
            cleared = (reader.cleared_until(one) or 0 for ids in sensors for one in ids)
            if any(until_ms > start_ms for until_ms in cleared):
                period = max(period, TEN_MINUTES_S)  # its lowest and highest are kept too
            table = np.empty(0, thinning.POINT)
            longest = thinning.gap_ms(table["at_ms"])
            for ids in sensors:
                piece = self._piece(reader, quantity, needs, ids, period, start_ms, end_ms)
                longest = max(longest, thinning.gap_ms(piece["at_ms"], 1000 * period))
                table = thinning.filled_in(table, piece, longest)
        table, width = thinning.thinned(table, end_ms - start_ms, POINTS_MAX)
        longest = max(longest, thinning.GAP_FACTOR * width)
        return QuantityHistory(
            place,
            quantity,
            thinning.with_breaks(table, longest),
            SOURCES[period],
            max(width, 1000 * period),
            readings,
        )

    def _piece(
        self,
        reader: Reader,
        quantity: str,
        needs: list[Quantity],
        ids: list[int],
        period: int,
        start_ms: int,
        end_ms: int,
    ) -> Points:
        """Part of a history that comes from one sensor."""
        columns = []
        for series_id in ids:
            if period:
                table = reader.rollups(series_id, period, start_ms, end_ms)
                part = np.empty(len(table), thinning.POINT)
                part["at_ms"] = table["ts_ms"] + 500 * period
                for name in ("n", *thinning.COLUMNS):
                    part[name] = table[name]
            else:
                part = thinning.points(*reader.readings(series_id, start_ms, end_ms))
            columns.append(part)
        if quantity not in DERIVED:
            return columns[0]
        first = columns[0]
        values = self._derived(quantity, needs, [(c["at_ms"], c["mean"]) for c in columns])
        out = thinning.points(first["at_ms"], values)
        out["n"] = first["n"]
        return out[~np.isnan(values)]

    def _derived(
        self,
        quantity: str,
        needs: list[Quantity],
        columns: list[tuple[NDArray[np.int64], NDArray[np.float64]]],
    ) -> NDArray[np.float64]:
        """A derived quantity at the times of the first column, the temperature."""
        at_ms = columns[0][0]
        within = min(thinning.gap_ms(at_ms) / 2, PAIR_WITHIN_MS)
        values = dict(zip(needs, columns, strict=True))
        found = {q: thinning.aligned(at_ms, ms, v, within) for q, (ms, v) in values.items()}
        return derive(quantity, found[T], found[RH], self.pressure_pa())

    def pressure_pa(self) -> float:
        """The standard pressure at the shop's altitude. [Pa]"""
        return float(pressure_at_altitude(self.settings.shop.altitude_m))

    def stored(
        self, places: list[Place], quantity: str, start_ms: int, end_ms: int
    ) -> tuple[list[DownloadRows], int]:
        """The rows behind a figure as they are stored, and how many there are in all.

        At most about `CSV_ROWS_MAX` rows are given, the newest.
        """
        needs = _needs(quantity)
        with self.reader() as reader:
            sensors = [
                (place, ids) for place in places for ids in _sensors(reader, place.id, needs)
            ]
            names = {i: series.sensor for series, i in reader.series().items()}
            total = sum(reader.count(ids[0], start_ms, end_ms) for _, ids in sensors)
            if total > CSV_ROWS_MAX:
                start_ms = end_ms - int((end_ms - start_ms) * CSV_ROWS_MAX / total)
            rows: list[DownloadRows] = []
            room = CSV_ROWS_MAX
            for place, ids in sensors:
                parts = [reader.readings(i, start_ms, end_ms) for i in ids]
                at_ms = parts[0][0]
                columns: dict[str, NDArray[np.float64]] = {}
                if quantity in DERIVED:
                    within = min(thinning.gap_ms(at_ms) / 2, PAIR_WITHIN_MS)
                    for need, (ms, values) in zip(needs, parts, strict=True):
                        columns[str(need)] = thinning.aligned(at_ms, ms, values, within)
                    columns[quantity] = self._derived(quantity, needs, parts)
                else:
                    columns[quantity] = parts[0][1]
                first = max(len(at_ms) - room, 0)
                kept = {name: values[first:] for name, values in columns.items()}
                rows.append(DownloadRows(place, names[ids[0]], at_ms[first:], kept))
                room -= len(at_ms) - first
        return rows, total


def _inode(settings: Settings) -> int:
    """Inode of the store file, to distinguish two files of the same name; 0 for a database."""
    if settings.store_address != settings.store_path:
        return 0
    try:
        return settings.store_path.stat().st_ino
    except FileNotFoundError as exc:
        raise StoreMissing(f"{settings.store_path}: there is no store yet") from exc
    except OSError as exc:
        raise StoreUnavailable(f"{settings.store_path}: {os.strerror(exc.errno or 0)}") from exc


def _needs(quantity: str) -> list[Quantity]:
    """The measured quantities behind one; a KeyError if there is no such quantity."""
    if quantity in MEASURES:
        return [Quantity(quantity)]
    _ = DERIVED[quantity]
    return [T, RH]


def _sensors(reader: Reader, place_id: str, needs: list[Quantity]) -> list[list[int]]:
    """Series of each sensor of a place that measures all of `needs`, by name of the sensor."""
    known = reader.series()
    names = sorted(
        {series.sensor for series in known if series.place == place_id}, key=leading_order
    )
    found = []
    for name in names:
        ids = [known.get(Series(place_id, name, need)) for need in needs]
        if all(i is not None for i in ids):
            found.append([i for i in ids if i is not None])
    return found


def _period(readings: int, span_ms: int, budget: int, sensors: int) -> int:
    """The rollup to read, 0 for the readings themselves. [s]"""
    if readings <= budget:
        return 0
    return TEN_MINUTES_S if sensors * span_ms <= 1000 * TEN_MINUTES_S * budget else HOUR_S
