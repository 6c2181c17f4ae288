"""The demo's sensors: a year back-filled into an empty store, then live messages over MQTT.

`python -m sensors.demo backfill` runs before the service opens the store, `... live` beside it.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import logging
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path

from monitor.commands import Journal
from monitor.core import logs
from monitor.core.clock import from_ms, now_ms
from monitor.core.errors import BrokerUnavailable, MonitorError, StoreUnavailable
from monitor.core.measurements import Reading
from monitor.core.signals import signals_call
from monitor.domain.forecast import Forecast
from monitor.domain.topic_rules import FORECAST_TOPIC
from monitor.mqtt.client import Publisher
from monitor.readings.replay import Message, message
from monitor.service.supervisor import broker_address
from monitor.settings import Settings, load
from monitor.store import Reader, Writer
from monitor.store import forecasts as archive
from sensors.demo import bench
from sensors.demo.forecasts import EVERY_MS, SOURCE, Forecasts, issues
from sensors.demo.shop import OUTDOORS, SERIES, DemoShop

log = logging.getLogger(__name__)

SEED = 7
YEAR_MS = 365 * 86_400_000
STEP_MS = 300_000
"""Between back-filled readings. [ms]"""
PERIOD_MS = 10_000
"""Between live readings. [ms]"""
CHUNK_MS = 7 * 86_400_000
"""Back-filled in one transaction for each series. [ms]"""
FORECAST_DAYS = 75
"""So many days of forecasts are back-filled. [d]"""
ISSUED_LATE_MS = 60_000
"""A forecast is known so long after its issue. [ms]"""


def backfill(settings: Settings, now: int) -> int:
    """Fill the store up to `now`: a year if it is empty, else from where it ends.

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

    start = _filled_until(settings.store_path, now - YEAR_MS)
    start += -start % STEP_MS
    if now - start < STEP_MS:
        return 0
    shop, new = DemoShop(SEED, settings.zone), 0
    columns = (TextColumn("demo: filling a year of readings"), BarColumn(), TimeRemainingColumn())
    with contextlib.closing(Writer(settings.store_path)) as writer, Progress(*columns) as progress:
        task = progress.add_task("", total=now - start)
        for chunk in range(start, now, CHUNK_MS):
            end = min(chunk + CHUNK_MS, now)
            ts_ms, values = shop.readings(chunk, end, STEP_MS)
            times = ts_ms.tolist()
            batch = [
                Reading(series, t, v)
                for series, column in values.items()
                for t, v in zip(times, column.tolist(), strict=True)
            ]
            new += writer.write(batch).new
            progress.advance(task, end - chunk)
        _fill_forecasts(writer, max(start, now - FORECAST_DAYS * 86_400_000), now, settings)
    return new


def _fill_forecasts(writer: Writer, start: int, now: int, settings: Settings) -> None:
    service = Forecasts(SEED, settings.zone)
    with writer.connection.transaction() as run:
        for issued in issues(start, now):
            archive.add(run, service.issued(issued), issued + ISSUED_LATE_MS)


def messages(readings: Iterable[Reading]) -> Iterator[Message]:
    """Messages of each sensor for one instant's readings."""
    ordered = sorted(readings, key=lambda r: r.series)
    for _, group in itertools.groupby(ordered, lambda r: r.series[:2]):
        yield message(list(group))


def live(settings: Settings, stop: threading.Event) -> None:
    """Publish every sensor's reading each ten seconds until asked to stop."""
    shop = DemoShop(SEED, settings.zone)
    shop.at(now_ms())  # the first call takes longest
    publisher = Publisher(broker_address(settings), "benchweather-demo")
    while not stop.is_set():
        try:
            publisher.connect()
            break
        except BrokerUnavailable as exc:
            log.warning("demo waits for the broker reason=%s", exc)
    _fill_bench(settings)
    forecasts, published = Forecasts(SEED, settings.zone), 0
    while not stop.is_set():
        if (issued := now_ms() // EVERY_MS * EVERY_MS) != published:
            publisher.publish(FORECAST_TOPIC.format(SOURCE), written(forecasts.issued(issued)))
            published = issued
        instant = now_ms() // PERIOD_MS * PERIOD_MS
        for one in messages(shop.at(instant)):
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


def _fill_bench(settings: Settings) -> None:
    """Take in the demo's instruments and put its waits in clamps, unless they are."""
    try:
        with contextlib.closing(Reader(settings.store_path)) as reader:
            journal = Journal(reader)
        bench.take_in(settings.command_link_path, journal.instruments, now_ms())
        bench.fill(settings.command_link_path, journal.waits, now_ms())
    except MonitorError as exc:
        log.warning("demo cannot fill its bench reason=%s", exc)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["backfill", "live"])
    parser.add_argument("--data", type=Path)
    parser.add_argument("--config", type=Path)
    parser.add_argument("--demo", action="store_true", required=True)
    given = parser.parse_args()
    settings = load(data=given.data, config=given.config, demo=True)
    logs.set_up()
    if given.what == "backfill":
        backfill(settings, now_ms())
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
