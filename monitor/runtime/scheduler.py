"""The service's scheduled jobs: nightly, or at an interval."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable
from datetime import UTC, datetime

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, JobExecutionEvent
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler

log = logging.getLogger(__name__)


class Scheduler:
    """The service's scheduler. Hours are in the shop's time zone."""

    def __init__(self, zone: str) -> None:
        self._scheduler = BackgroundScheduler(
            timezone=zone,
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )
        self.failing: dict[str, str] = {}
        """Reason by job, for jobs whose last run failed."""
        self._scheduler.add_listener(self._ran, EVENT_JOB_ERROR | EVENT_JOB_EXECUTED)

    def nightly(self, name: str, work: Callable[[], object], hour: int = 4) -> None:
        """Run `work` every night at `hour`; a night missed is made up once."""
        self._scheduler.add_job(work, "cron", hour=hour, id=name)

    def every(self, name: str, period_s: int, work: Callable[[], object]) -> None:
        """Run `work` at once, then again and again; one run at a time."""
        self._scheduler.add_job(
            work, "interval", seconds=period_s, id=name, next_run_time=datetime.now(UTC)
        )

    def once(self, name: str, work: Callable[[], object]) -> None:
        """Run `work` at once, and not again."""
        self._scheduler.add_job(work, id=name)

    def run_now(self, name: str) -> None:
        """Run a job at once, in addition to its times."""
        with contextlib.suppress(JobLookupError):  # on the way out there are no jobs any more
            self._scheduler.modify_job(name, next_run_time=datetime.now(UTC))

    def start(self) -> None:
        self._scheduler.start()

    def stop(self) -> None:
        self._scheduler.shutdown(wait=False)

    def _ran(self, event: JobExecutionEvent) -> None:
        if event.exception is None:
            self.failing.pop(event.job_id, None)
            return
        self.failing[event.job_id] = str(event.exception) or repr(event.exception)
        log.error("job failed job=%s reason=%r", event.job_id, event.exception)
