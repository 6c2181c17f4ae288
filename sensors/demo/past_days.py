"""The last days of the demo's shop, lived through the service's own commands and evaluation.

Each instrument is taken in, each wait opened and released at its moment and by the data up to then, as
a repairer would have done it.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from monitor.air.place_means import places
from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Commands, Journal
from monitor.core.clock import to_ms
from monitor.core.formats import local
from monitor.domain.opening_hours import of_date
from monitor.mqtt.client import Publisher
from monitor.service.evaluation_cycle import EvaluationCycle
from monitor.service.state_publisher import StatePublisher
from monitor.settings.shop_broker import broker_address
from monitor.store import Reader, Writer
from monitor.waits.evaluation import equivalent_s, expectation
from sensors.demo import repairs
from sensors.demo.past_jobs import GUESTS, JOBS, Guest, PastJob
from sensors.demo.shop import BENCH
from sensors.demo.troubles import HOUR_MS

if TYPE_CHECKING:
    from monitor.settings import Settings

BY = "demo"
SILENCE_H = (29.4, 29.2, 27.9, 27.6)
"""Evaluations while the silent sensor is silent, and once it sends again, so long ago. [h]"""
LAST_H = (1.2, 0.05)
"""The last evaluations, so long ago. [h]"""


class PastDays:
    """Commands and evaluations of the shop at moments before its first start.

    Parameters
    ----------
    settings : Settings
    reader, writer
        Of the store, which no service has open.
    started_ms : int
        First start. [ms since 1970-01-01 UTC]
    """

    def __init__(
        self, settings: Settings, reader: Reader, writer: Writer, started_ms: int
    ) -> None:
        self._started_ms, self._settings = started_ms, settings
        self._commands = Commands(
            writer,
            functools.partial(equivalent_s, reader, settings),
            functools.partial(expectation, reader, settings),
            limits=settings.limits,
            places=lambda: [place.id for place in places(reader, settings)],
        )
        unconnected = Publisher(broker_address(settings), "benchweather-demo-past")
        self._cycle = EvaluationCycle(
            settings,
            reader,
            writer,
            StatePublisher(settings, unconnected),
            lambda: ServiceTroubles("", "", ""),
            lambda: None,
        )

    def evaluate(self, ago_h: float) -> None:
        """Let the rules look at the shop as it was."""
        self._cycle.run(self._at(ago_h))

    def work(self) -> None:
        """Take in the instruments, open and release the waits, in the order of their moments."""
        steps: list[tuple[float, dict[str, Any]]] = []
        ids: dict[int, str] = {}
        guests: dict[str, str] = {}
        for guest in GUESTS:
            steps += _steps_of(guest, self._due_ms(guest.due_d))
        steps += repairs.commands(self._due_ms)
        for number, job in enumerate(JOBS):
            steps.append((job.ago_h, {"job": number}))
            if job.left_h is not None:
                steps.append((job.ago_h - job.left_h, {"job": number, "release": job.feel}))
        for ago_h, step in sorted(steps, key=lambda one: -one[0]):
            at_ms = self._at(ago_h)
            if "reference" in step:
                guests[step["reference"]] = self._do(step, at_ms)["instrument"]
            elif "of" in step:
                self._do(
                    {"about": "instrument", "do": "open", "instrument": guests[step["of"]]}, at_ms
                )
            elif step.get("about") == "repair":
                self._do(step, at_ms)
            elif "release" in step:
                done = {"do": "release", "wait": ids[step["job"]], "feel": step["release"]}
                self._do(done, at_ms)
            else:
                ids[step["job"]] = self._do(_opening(JOBS[step["job"]]), at_ms)["waits"][0]

    def _do(self, command: dict[str, Any], at_ms: int) -> Any:
        return self._commands.carry_out({**command, "by": BY}, at_ms)

    def _due_ms(self, due_d: float) -> int:
        """Closing time of the open day on which something is due, so many days from now. [ms]"""
        at_ms, zone = self._started_ms + round(24 * due_d * HOUR_MS), self._settings.zone
        hours = self._settings.hours.model_dump()
        for ahead in range(7):
            day = local(at_ms, zone).date() + timedelta(days=ahead)
            if (found := of_date(hours, day)) is not None:
                return to_ms(datetime.combine(day, found[1], zone))
        return at_ms  # it is never open

    def _at(self, ago_h: float) -> int:
        return self._started_ms - round(ago_h * HOUR_MS)


@contextlib.contextmanager
def opened(settings: Settings, writer: Writer, started_ms: int) -> Iterator[PastDays | None]:
    """The past days; None if the shop has waits or instruments already."""
    with contextlib.closing(Reader(settings.store_address)) as reader:
        journal = Journal(reader)
        lived = journal.waits or journal.instruments
        yield None if lived else PastDays(settings, reader, writer, started_ms)


def _steps_of(guest: Guest, due_ms: int) -> list[tuple[float, dict[str, Any]]]:
    taken_in = {
        "about": "instrument",
        "do": "register",
        "reference": guest.reference,
        "kind": guest.kind,
        "place": BENCH,
        "home_temp_c": guest.home_temp_c,
        "home_rh_pct": guest.home_rh_pct,
        "due_ms": due_ms,
    }
    steps: list[tuple[float, dict[str, Any]]] = [(24 * guest.came_d, taken_in)]
    if guest.opened_d is not None:
        steps.append((24 * guest.opened_d, {"of": guest.reference}))
    return steps


def _opening(job: PastJob) -> dict[str, Any]:
    if of := repairs.step_of(job.instrument, job.what):
        return {"about": "repair", "do": "start", **of}
    return {
        "do": "open",
        "kind": job.kind,
        "instrument": job.instrument,
        "what": job.what,
        "place": job.place,
        "clamps": job.clamps,
    }
