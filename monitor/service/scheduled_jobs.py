"""Jobs that the service runs by the clock: tidying, clearing of old readings, forecasts."""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING

from monitor.core.clock import now_ms
from monitor.outlook.weather.drop_folder import DropFolder
from monitor.store import retention

if TYPE_CHECKING:
    from monitor.core.steady_clock import SteadyClock
    from monitor.outlook.weather.intake import ForecastIntake
    from monitor.readings.aside import AsideMessages
    from monitor.runtime.scheduler import Scheduler
    from monitor.settings import Settings
    from monitor.store import Writer

log = logging.getLogger(__name__)

CLEARING_S, NO_CLEARING_S = 60, 3600
"""Period of clearing old readings, and of looking for some while there are none. [s]"""
FORECAST_FILES_S, FORECASTS_S = 15, 60
"""Period of looking into the folder of forecasts, and of looking which source to ask. [s]"""


def add_tidying(
    jobs: Scheduler, settings: Settings, writer: Writer, kept: AsideMessages, clock: SteadyClock
) -> None:
    """Add tidying of the store at night and, where the settings have it, clearing of old readings."""
    keep = settings.keep

    def tidy() -> None:
        dropped = writer.prune_refused(keep.refused_max)
        forgotten = writer.prune_commands(now_ms())
        kept.prune(keep.aside_max, keep.aside_days)
        writer.tidy()
        log.info("store tidied refused_pruned=%d commands_pruned=%d", dropped, forgotten)

    jobs.nightly("tidy", tidy)
    if any(keep.years().values()):
        jobs.every("retention", CLEARING_S, Clearing(settings, writer, clock))


class Clearing:
    """Clears old readings, a little each minute while there are any, else looks once an hour; never
    while the clock is in doubt."""

    def __init__(self, settings: Settings, writer: Writer, clock: SteadyClock) -> None:
        self._years, self._writer, self._clock = settings.keep.years(), writer, clock
        self._next_s = 0.0

    def __call__(self) -> None:
        doubted = self._clock.unknown() or self._clock.jump() is not None
        if doubted or time.monotonic() < self._next_s:
            return
        if cleared := retention.clear_due(self._writer, self._years, self._clock.cautious_ms()):
            log.info("old readings cleared, their means kept readings=%d", cleared)
        else:
            self._next_s = time.monotonic() + NO_CLEARING_S


def add_forecasts(jobs: Scheduler, settings: Settings, intake: ForecastIntake) -> None:
    """Add a look into the drop folder and, where the settings have a source, its polling."""
    folder = DropFolder(settings.forecast_folder, intake)
    jobs.every("forecast files", FORECAST_FILES_S, lambda: folder.take_files(now_ms()))
    if any(source.asked for source in settings.forecasts):
        from monitor.outlook.weather.poller import ForecastPoller  # brings an HTTP client

        poller = ForecastPoller(settings, intake)
        jobs.every("forecasts", FORECASTS_S, lambda: poller.poll(now_ms()))
