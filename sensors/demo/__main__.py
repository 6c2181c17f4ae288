"""The demo's sensors: a year back-filled into an empty store, then live messages over MQTT.

`python -m sensors.demo backfill` runs before the service opens the store, `... live` beside it.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import logging
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.core.imports import uncollected

with uncollected():
    import numpy as np

    from monitor.core import logs
    from monitor.core.clock import from_ms, now_ms
    from monitor.core.durable_file import write_durably
    from monitor.core.errors import BadPayload, BrokerUnavailable, StoreUnavailable
    from monitor.core.json_documents import json_object
    from monitor.core.measurements import Reading, Series
    from monitor.core.signals import signals_call
    from monitor.domain.forecast import Forecast
    from monitor.domain.topic_rules import FORECAST_TOPIC
    from monitor.mqtt.client import Publisher
    from monitor.outlook import files as outlook_files
    from monitor.outlook.worker import Work
    from monitor.readings.replay import RecordedMessage, message
    from monitor.settings import Settings, load
    from monitor.settings.shop_broker import broker_address
    from monitor.store import Reader, Writer
    from monitor.store import forecasts as archive
    from sensors.demo import past_days
    from sensors.demo.forecasts import EVERY_MS, SOURCE, Forecasts, issues
    from sensors.demo.shop import OUTDOORS, SERIES, DemoShop
    from sensors.demo.troubles import GARBLED, SINCE_MS, is_sent, more_readings
    from sensors.demo.weather import DemoWeather

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from rich.progress import Progress

log = logging.getLogger(__name__)

SEED = 7
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
YEAR_MS = 365 * DAY_MS
STEP_MS, OLD_STEP_MS = 300_000, 600_000
"""Between back-filled readings, and between older ones. [ms]"""
RECENT_MS = 30 * DAY_MS
"""Readings before that are older ones. [ms]"""
START_FILE = "demo-start.json"
"""File in the data folder with the moment of the first start."""
PERIOD_MS = 10_000
"""Between live readings. [ms]"""
CHUNK_MS = 7 * DAY_MS
"""Back-filled in one transaction for each series. [ms]"""
FORECAST_DAYS = 75
"""So many days of forecasts are back-filled. [d]"""
ISSUED_LATE_MS = 60_000
"""A forecast is known so long after its issue. [ms]"""


def backfill(settings: Settings, now: int) -> int:
    """Fill the store up to `now`: a year if it is empty, else from where it ends.

    An empty shop also gets its last days of work, and every shop an outlook, so that the board has
    both from its first moment.

    Parameters
    ----------
    settings : Settings
    now : int
        [ms since 1970-01-01 UTC]

    Returns
    -------
    int
        How many readings were new.
    """
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    begin = _filled_until(settings.store_path, now - YEAR_MS)
    begin += -begin % STEP_MS
    started_ms = first_start(settings.data, now)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with (
        contextlib.closing(Writer(settings.store_address)) as writer,
        past_days.opened(settings, writer, started_ms) as past,
        Progress(*columns) as progress,
    ):
        fill = Fill(settings, writer, started_ms, begin, now, progress)
        if past:
            for ago_h in past_days.SILENCE_H:
                fill.until(started_ms - round(ago_h * HOUR_MS))
                past.evaluate(ago_h)
        fill.until(now)
        fill.forecasts(max(begin, now - FORECAST_DAYS * DAY_MS))
        looking = _look(settings)
        if past:
            progress.add_task("demo: working through the last days", total=None)
            past.work()
        if looking.wait():
            log.warning("demo has no outlook yet code=%d", looking.returncode)
        if past:
            for ago_h in past_days.LAST_H:
                past.evaluate(ago_h)
    return fill.new


def _look(settings: Settings) -> subprocess.Popen[bytes]:
    """Start working out the outlook of each place, beside what else there is to do."""
    folder = ["--data", str(settings.data.parent.absolute())]
    config = ["--config", str(settings.config.absolute())] if settings.config else []
    what = [sys.executable, "-m", "sensors.demo", "look", "--demo", *folder, *config]
    return subprocess.Popen(what)  # noqa: S603 - our own program


def first_start(folder: Path, now: int) -> int:
    """Time of the first start of this demo, noted at the first call. [ms since 1970-01-01 UTC]"""
    path = folder / START_FILE
    try:
        return int(json_object(path.read_bytes())["started_ms"])
    except (OSError, BadPayload, KeyError, TypeError, ValueError):
        path.parent.mkdir(parents=True, exist_ok=True)
        write_durably(path, json.dumps({"started_ms": now}))
        return now


class Fill:
    """Back-fill of a store from `begin` on. [ms since 1970-01-01 UTC]"""

    def __init__(
        self,
        settings: Settings,
        writer: Writer,
        started_ms: int,
        begin: int,
        end: int,
        progress: Progress,
    ) -> None:
        self._writer, self._started_ms, self._at, self._end = writer, started_ms, begin, end
        self._weather = DemoWeather(settings.zone, started_ms)
        self._shop = DemoShop(SEED, settings.zone, self._weather)
        self._service = Forecasts(SEED, settings.zone, self._weather)
        self._progress = progress
        total = max(end - begin, 1)
        self._task = progress.add_task("demo: filling a year of readings", total=total)
        self.new = 0

    def until(self, end: int) -> None:
        """Store all readings before a moment that are not there yet."""
        while self._at < end:
            old = self._end - self._at > RECENT_MS
            step = OLD_STEP_MS if old else STEP_MS
            last = min(self._at + CHUNK_MS, end, self._end - RECENT_MS if old else end)
            ts_ms = np.arange(self._at, last, step, dtype=np.int64)
            if not ts_ms.size:
                break
            self._store(ts_ms)
            self._progress.advance(self._task, int(ts_ms[-1]) + step - self._at)
            self._at = int(ts_ms[-1]) + step

    def _store(self, ts_ms: NDArray[np.int64]) -> None:
        batch = _readings(ts_ms, self._shop.read(SERIES, ts_ms), self._started_ms)
        late = ts_ms[ts_ms >= self._started_ms - SINCE_MS]
        if late.size:
            batch += _readings(
                late, more_readings(self._shop, late, self._started_ms), self._started_ms
            )
        self.new += self._writer.write(batch).new

    def forecasts(self, start: int) -> None:
        """Store every forecast that was issued from then on."""
        with self._writer.connection.transaction() as run:
            for issued in issues(start, self._end):
                archive.add(run, self._service.issued(issued), issued + ISSUED_LATE_MS)


def _readings(
    ts_ms: NDArray[np.int64], values: Mapping[Series, NDArray[np.float64]], started_ms: int
) -> list[Reading]:
    """Readings of all series at the same times, without those that were never sent."""
    found: list[Reading] = []
    for series, column in values.items():
        sent = is_sent(series, ts_ms, started_ms)
        times, read = ts_ms[sent].tolist(), column[sent].tolist()
        found += [Reading(series, t, v) for t, v in zip(times, read, strict=True)]
    return found


def look(settings: Settings) -> None:
    """Work out the outlook of each place that has none."""
    now = now_ms()
    with contextlib.closing(Reader(settings.store_address)) as reader:
        work = Work(settings, reader)
        if any(outlook_files.look(settings, place, now) is None for place in work.indoors()):
            work.look_all(now)


def messages(readings: Iterable[Reading]) -> Iterator[RecordedMessage]:
    """Messages of each sensor for one instant's readings."""
    ordered = sorted(readings, key=lambda r: r.series)
    for _, group in itertools.groupby(ordered, lambda r: r.series[:2]):
        yield message(list(group))


def live(settings: Settings, stop: threading.Event) -> None:
    """Publish every sensor's reading each ten seconds until asked to stop."""
    started_ms = first_start(settings.data, now_ms())
    weather = DemoWeather(settings.zone, started_ms)
    shop = DemoShop(SEED, settings.zone, weather)
    shop.at(now_ms())  # the first call takes longest
    publisher = Publisher(broker_address(settings), "benchweather-demo")
    while not stop.is_set():
        try:
            publisher.connect()
            break
        except BrokerUnavailable as exc:
            log.warning("demo waits for the broker reason=%s", exc)
    if not _has_rejected(settings):
        publisher.publish(*GARBLED)
    forecasts, published = Forecasts(SEED, settings.zone, weather), 0
    while not stop.is_set():
        if (issued := now_ms() // EVERY_MS * EVERY_MS) != published:
            publisher.publish(FORECAST_TOPIC.format(SOURCE), written(forecasts.issued(issued)))
            published = issued
        instant = now_ms() // PERIOD_MS * PERIOD_MS
        more = more_readings(shop, np.array([instant]), started_ms)
        extra = [Reading(series, instant, float(value[0])) for series, value in more.items()]
        for one in messages([*shop.at(instant), *extra]):
            publisher.publish(one.topic, one.payload)
        stop.wait((instant + PERIOD_MS - now_ms()) / 1000)
    publisher.close()


def written(forecast: Forecast) -> bytes:
    """A forecast as our own JSON."""
    hours = [
        {"valid_at": from_ms(at).isoformat(), "temp_c": t, "rh_pct": rh, "wind_m_s": wind}
        for at, t, rh, wind in zip(
            forecast.valid_ms.tolist(),
            forecast.temp_c.tolist(),
            forecast.rh_pct.tolist(),
            forecast.wind_m_s.tolist(),
            strict=True,
        )
    ]
    body = {"issued_at": from_ms(forecast.issued_ms).isoformat(), "hours": hours}
    return json.dumps(body).encode()


def _has_rejected(settings: Settings) -> bool:
    """Return whether the shop has a rejected message."""
    with contextlib.closing(Reader(settings.store_address)) as reader:
        return bool(reader.refused(1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["backfill", "look", "live"])
    parser.add_argument("--data", type=Path)
    parser.add_argument("--config", type=Path)
    parser.add_argument("--demo", action="store_true", required=True)
    given = parser.parse_args()
    settings = load(data=given.data, config=given.config, demo=True)
    logs.set_up("demo", as_json=settings.log.format == "json")
    if given.what == "backfill":
        backfill(settings, now_ms())
        return
    if given.what == "look":
        look(settings)
        return
    stop = threading.Event()
    with signals_call(stop.set):
        live(settings, stop)


def _filled_until(path: Path, earliest: int) -> int:
    """End of the outdoor readings, or `earliest`. [ms since 1970-01-01 UTC]"""
    outdoors = next(series for series in SERIES if series.place == OUTDOORS)
    try:
        with contextlib.closing(Reader(path)) as reader:
            series_id = reader.series().get(outdoors)
            span = reader.span(series_id) if series_id is not None else None
    except StoreUnavailable:
        return earliest
    return max(earliest, span[1] + 1) if span else earliest


if __name__ == "__main__":
    main()
