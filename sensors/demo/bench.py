"""The demo's bench: a dozen waits on four invented instruments, opened through the service's link
as a repairer would, so that the board has something in clamps and in for repair.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from monitor.commands.ipc import ask
from monitor.domain.instrument import Instrument
from monitor.domain.wait import Feel, Wait

HOUR_MS = 3_600_000
BY = "demo"


class Job(NamedTuple):
    """A wait of the demo: `ago_h` is how long ago it was begun. [h]"""

    kind: str
    instrument: str
    what: str
    place: str
    ago_h: float
    clamps: int = 0


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
BENCH, CORNER = "front-bench", "varnish-corner"

GUESTS = (
    Guest(VIOLIN, "violin", 21.0, 46.0, 12.0, 3.2, 9.0),
    Guest(VIOLA, "viola", 17.0, 62.0, 6.0, None, 16.0),
    Guest(CELLO, "cello", 22.0, 36.0, 20.0, 14.0, 30.0),
    Guest(BASS, "bass", 19.0, None, 33.0, None, 5.0),
)
OPEN = (
    Job("plate-crack", VIOLIN, "top crack, treble side", BENCH, 2.5, 5),
    Job("cleat", VIOLIN, "cleat 1 of 2", BENCH, 3.0, 1),
    Job("cleat", VIOLIN, "cleat 2 of 2", BENCH, 2.8, 1),
    Job("rib-seam", VIOLA, "lower bout seam", BENCH, 4.6, 6),
    Job("spirit-coat", VIOLA, "second clear coat", CORNER, 7.0),
    Job("retouching", VIOLA, "edge of the back", CORNER, 1.2),
    Job("neck-or-block", CELLO, "neck set", BENCH, 20.0, 3),
    Job("linings", CELLO, "upper bout linings", BENCH, 0.6, 14),
    Job("washed-wood", CELLO, "washed back", BENCH, 9.0),
    Job("oil-coat", BASS, "first oil coat", CORNER, 26.0),
    Job("crack-filler", BASS, "rib crack", BENCH, 40.0),
    Job("settling", VIOLIN, "strung up, second check", BENCH, 15.0),
)
FINISHED = (
    (Job("plate-crack", VIOLA, "wing crack", BENCH, 80.0, 3), 7.0, Feel.RIGHT),
    (Job("spirit-coat", VIOLA, "first clear coat", CORNER, 55.0), 15.0, Feel.SOFT),
    (Job("cleat", CELLO, "cleats along the bar", BENCH, 103.0, 2), 18.0, Feel.LONG_BEFORE),
)
"""Job, how long it was left [h], and how it was."""


def take_in(link: Path, instruments: Mapping[str, Instrument], now_ms: int) -> int:
    """Register the demo's instruments that were never in. Returns how many were.

    Parameters
    ----------
    link : Path
        The service's link.
    instruments : mapping of id to Instrument
        Those there are, or were.
    now_ms : int
        [ms since 1970-01-01 UTC]
    """
    known = {instrument.reference for instrument in instruments.values()}
    for guest in (new := [guest for guest in GUESTS if guest.reference not in known]):
        about = {"about": "instrument", "by": BY}
        done = ask(
            link,
            about
            | {
                "do": "register",
                "reference": guest.reference,
                "kind": guest.kind,
                "place": BENCH,
                "home_temp_c": guest.home_temp_c,
                "home_rh_pct": guest.home_rh_pct,
                "arrived_ms": _ago(now_ms, guest.came_d),
                "due_ms": _ago(now_ms, -guest.due_d),
            },
        )
        if guest.opened_d is not None:
            at_ms = _ago(now_ms, guest.opened_d)
            ask(link, about | {"do": "open", "instrument": done["instrument"], "at_ms": at_ms})
    return len(new)


def fill(link: Path, waits: Mapping[str, Wait], now_ms: int) -> int:
    """Open the demo's waits that are not there yet. Returns how many were opened.

    Parameters
    ----------
    link : Path
        The service's link.
    waits : mapping of id to Wait
        Those there are.
    now_ms : int
        [ms since 1970-01-01 UTC]
    """
    known = {(wait.kind["id"], wait.instrument, wait.what) for wait in waits.values()}
    opened = 0
    for job in OPEN:
        if (job.kind, job.instrument, job.what) not in known:
            _open(link, job, now_ms)
            opened += 1
    for job, left_h, feel in FINISHED:
        if (job.kind, job.instrument, job.what) not in known:
            wait_id = _open(link, job, now_ms)
            at_ms = now_ms - round((job.ago_h - left_h) * HOUR_MS)
            ask(link, {"do": "release", "by": BY, "wait": wait_id, "at_ms": at_ms, "feel": feel})
            opened += 1
    return opened


def _open(link: Path, job: Job, now_ms: int) -> str:
    command: dict[str, Any] = {
        "do": "open",
        "by": BY,
        "kind": job.kind,
        "instrument": job.instrument,
        "what": job.what,
        "place": job.place,
        "clamps": job.clamps,
        "start_ms": now_ms - round(job.ago_h * HOUR_MS),
    }
    return str(ask(link, command)["waits"][0])


def _ago(now_ms: int, days: float) -> int:
    return now_ms - round(days * 24 * HOUR_MS)
