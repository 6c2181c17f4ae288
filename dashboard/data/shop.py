"""Queries of the store and the heartbeat for the pages. The only module that knows the store.

A `ShopData` may be shared by all threads: each has a read-only `Reader` of its own. What cannot be
read raises a `StoreFault`, which the pages put into words.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator
from typing import TYPE_CHECKING

from dashboard.data.records import Notices, PlacedSensor, ServiceState
from monitor.air import climate_report, latest_air, place_means
from monitor.commands.closing import shop_hours
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault, StoreMissing, StoreUnavailable
from monitor.core.measurements import Quantity, Refusal
from monitor.core.steady_clock import cautious_ms, doubted_ahead
from monitor.domain.events import About
from monitor.domain.hand_reading import fresh_ms
from monitor.domain.places import Place
from monitor.mqtt.broker_log import broker_refusals
from monitor.planning.present import kept_at
from monitor.readings import heard_topics
from monitor.runtime import heartbeat
from monitor.science.air import pressure_at_altitude
from monitor.store import Reader, aside, forecasts, heartbeats, is_there, newcomers, outbox
from monitor.store.documents import documents_of
from monitor.store.journal import events_about

if TYPE_CHECKING:
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
        with self._watch:
            try:
                troubles += f"|{documents_of(self.settings).stamp(heard_topics.NAME)}"
                troubles += f"|{kept_at(self.settings)}"
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
        try:
            beat = heartbeats.last(self.settings)
        except StoreFault as exc:
            return ServiceState(None, gone=True, fault=exc)
        return ServiceState(beat, beat is None or beat.late())

    def is_beside_service(self) -> bool:
        """True if the service works with this data folder, and so on this computer."""
        on_server = isinstance(self.settings.store_address, str)
        return not on_server or self.settings.heartbeat_path.exists()

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
        return heard_topics.read(documents_of(self.settings))

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

    def pressure_pa(self) -> float:
        """The standard pressure at the shop's altitude. [Pa]"""
        return float(pressure_at_altitude(self.settings.shop.altitude_m))


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
