"""The last days of the demo's shop, lived through the service's own commands and evaluation.

Each instrument is taken in, each wait opened and released at its moment and by the data up to then, as
a repairer would have done it.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

from monitor.air.place_means import places
from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Commands, Journal
from monitor.domain.wait import Feel
from monitor.mqtt.client import Publisher
from monitor.service.evaluation_cycle import EvaluationCycle
from monitor.service.state_publisher import StatePublisher
from monitor.settings.shop_broker import broker_address
from monitor.store import Reader, Writer
from monitor.waits.evaluation import equivalent_s, expectation
from sensors.demo.shop import BENCH, CORNER
from sensors.demo.troubles import HOUR_MS

if TYPE_CHECKING:
    from monitor.settings import Settings

BY = "demo"
SILENCE_H = (29.4, 29.2, 27.9, 27.6)
"""Evaluations while the silent sensor is silent, and once it sends again, so long ago. [h]"""
LAST_H = (1.2, 0.05)
"""The last evaluations, so long ago. [h]"""


class Job(NamedTuple):
    """A wait of the demo: `ago_h` is how long ago it was begun; where it is released, `left_h` is how
    long it was left and `feel` how it was. [h]"""

    kind: str
    instrument: str
    what: str
    place: str
    ago_h: float
    clamps: int = 0
    left_h: float | None = None
    feel: Feel | None = None


class Guest(NamedTuple):
    """An instrument of the demo: the air of its home [°C], [%]; when it came, was opened, and is due
    [days before now, after now]; None: not known, not opened."""

    reference: str
    kind: str
    home_temp_c: float
    home_rh_pct: float | None
    came_d: float
    opened_d: float | None
    due_d: float


VIOLIN, VIOLA, CELLO, BASS = "VN-31 violin", "VA-07 viola", "VC-12 cello", "DB-03 bass"
SECOND_VIOLIN, SECOND_VIOLA = "VN-44 violin", "VA-22 viola"
SET_UP, VARNISHED = "VN-50 violin", "VN-52 violin"

GUESTS = (
    Guest(VIOLIN, "violin", 21.0, 46.0, 12.0, 3.2, 9.0),
    Guest(VIOLA, "viola", 18.0, 55.0, 6.0, None, 16.0),
    Guest(CELLO, "cello", 22.0, 36.0, 20.0, 14.0, 30.0),
    Guest(BASS, "bass", 19.0, None, 33.0, None, 5.0),
    Guest(SECOND_VIOLIN, "violin", 20.0, 45.0, 9.0, None, 12.0),
    Guest(SECOND_VIOLA, "viola", 20.0, 50.0, 15.0, 5.0, 21.0),
    Guest(SET_UP, "violin", 21.0, 44.0, 8.0, None, 2.0),
    Guest(VARNISHED, "violin", 21.0, 42.0, 18.0, None, 14.0),
)
JOBS = (
    # The violin's top is off: its crack is glued, then cleated.
    Job("plate-crack", VIOLIN, "top crack, bass side", BENCH, 52.0, 4, 8.0, Feel.RIGHT),
    Job("cleat", VIOLIN, "cleats, bass side", BENCH, 30.5, 2, 7.5, Feel.RIGHT),
    Job("plate-crack", VIOLIN, "top crack, treble side", BENCH, 2.5, 5),
    # The cello's top is off: cleats on the top, linings on the ribs.
    Job("cleat", CELLO, "cleats along the bar", BENCH, 76.0, 2, 16.0, Feel.LONG_BEFORE),
    Job("cleat", CELLO, "cleat 1 of 2", BENCH, 3.0, 1),
    Job("cleat", CELLO, "cleat 2 of 2", BENCH, 2.8, 1),
    Job("linings", CELLO, "upper bout linings", BENCH, 0.6, 14),
    # These are closed.
    Job("rib-seam", VIOLA, "upper bout seam", BENCH, 28.0, 5, 7.0, Feel.RIGHT),
    Job("rib-seam", VIOLA, "lower bout seam", BENCH, 4.6, 6),
    Job("crack-filler", BASS, "rib crack", BENCH, 40.0),
    Job("neck-or-block", SECOND_VIOLIN, "neck set", BENCH, 20.0, 3),
    Job("settling", SET_UP, "strung up, second check", BENCH, 15.0),
    # The viola's back is off and washed.
    Job("washed-wood", SECOND_VIOLA, "washed back", BENCH, 9.0),
    # Varnish: coat by coat.
    Job("spirit-coat", VARNISHED, "first clear coat", CORNER, 55.0, 0, 22.0, Feel.SOFT),
    Job("spirit-coat", VARNISHED, "second clear coat", CORNER, 7.0),
    Job("oil-coat", "new violin, job 60", "first oil coat", CORNER, 26.0),
    Job("retouching", "VN-53 violin", "edge of the back", CORNER, 3.2, 0, 2.4, Feel.RIGHT),
    Job("retouching", "VN-53 violin", "edge of the back, again", CORNER, 0.7),
)


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
        self._started_ms = started_ms
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
            steps += _steps_of(guest, self._started_ms)
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
            elif "release" in step:
                done = {"do": "release", "wait": ids[step["job"]], "feel": step["release"]}
                self._do(done, at_ms)
            else:
                ids[step["job"]] = self._do(_opening(JOBS[step["job"]]), at_ms)["waits"][0]

    def _do(self, command: dict[str, Any], at_ms: int) -> Any:
        return self._commands.carry_out({**command, "by": BY}, at_ms)

    def _at(self, ago_h: float) -> int:
        return self._started_ms - round(ago_h * HOUR_MS)


@contextlib.contextmanager
def opened(settings: Settings, writer: Writer, started_ms: int) -> Iterator[PastDays | None]:
    """The past days; None if the shop has waits or instruments already."""
    with contextlib.closing(Reader(settings.store_path)) as reader:
        journal = Journal(reader)
        lived = journal.waits or journal.instruments
        yield None if lived else PastDays(settings, reader, writer, started_ms)


def _steps_of(guest: Guest, started_ms: int) -> list[tuple[float, dict[str, Any]]]:
    taken_in = {
        "about": "instrument",
        "do": "register",
        "reference": guest.reference,
        "kind": guest.kind,
        "place": BENCH,
        "home_temp_c": guest.home_temp_c,
        "home_rh_pct": guest.home_rh_pct,
        "due_ms": started_ms + round(24 * guest.due_d * HOUR_MS),
    }
    steps: list[tuple[float, dict[str, Any]]] = [(24 * guest.came_d, taken_in)]
    if guest.opened_d is not None:
        steps.append((24 * guest.opened_d, {"of": guest.reference}))
    return steps


def _opening(job: Job) -> dict[str, Any]:
    return {
        "do": "open",
        "kind": job.kind,
        "instrument": job.instrument,
        "what": job.what,
        "place": job.place,
        "clamps": job.clamps,
    }
