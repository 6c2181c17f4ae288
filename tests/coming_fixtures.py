"""A store with an outlook for the tests of the pages: the demo's shop up to now, looked at once."""

from __future__ import annotations

import contextlib

from monitor.core.measurements import Quantity, Reading
from monitor.outlook.worker import Work
from monitor.settings import Settings
from monitor.store import Reader, Writer, forecasts
from sensors.demo.forecasts import Forecasts, issues
from sensors.demo.shop import BENCH, OUTDOORS, DemoShop

HOUR, DAY = 3_600_000, 86_400_000
DAYS = 8
SEED = 7


def fill(settings: Settings, writer: Writer, now_ms: int, days: int = DAYS) -> None:
    """Readings of a bench and outdoors, by 10 minutes, and the forecasts of those days."""
    shop, told = DemoShop(SEED, settings.zone), Forecasts(SEED, settings.zone)
    ts, values = shop.readings(now_ms - days * DAY, now_ms + 1, 600_000)
    for series, column in values.items():
        if series.place in (BENCH, OUTDOORS) and series.quantity is not Quantity.PRESSURE:
            writer.write(
                [Reading(series, t, v) for t, v in zip(ts.tolist(), column.tolist(), strict=True)]
            )
    with writer.connection.transaction() as run:
        for issued in issues(now_ms - days * DAY, now_ms):
            forecasts.add(run, told.issued(issued), issued + 60_000)


def look(settings: Settings, now_ms: int) -> None:
    """Leave the files of an outlook in the data folder, as its own process does."""
    with contextlib.closing(Reader(settings.store_path)) as reader:
        Work(settings, reader).look_all(now_ms)
