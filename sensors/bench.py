"""The demo's bench: a dozen waits on four invented instruments, opened through the service's desk
as a repairer would, so that the board has something in clamps.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from monitor.desk import ask
from monitor.waits import Feel, Wait

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


VIOLIN, VIOLA, CELLO, BASS = "VN-31 violin", "VA-07 viola", "VC-12 cello", "DB-03 bass"
BENCH, CORNER = "front-bench", "varnish-corner"

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


def fill(desk: Path, waits: Mapping[str, Wait], now_ms: int) -> int:
    """Open the demo's waits that are not there yet. Returns how many were opened.

    Parameters
    ----------
    desk : Path
        The service's desk.
    waits : mapping of id to Wait
        Those there are.
    now_ms : int
        [ms since 1970-01-01 UTC]
    """
    known = {(wait.kind["id"], wait.instrument, wait.what) for wait in waits.values()}
    opened = 0
    for job in OPEN:
        if (job.kind, job.instrument, job.what) not in known:
            _open(desk, job, now_ms)
            opened += 1
    for job, left_h, feel in FINISHED:
        if (job.kind, job.instrument, job.what) not in known:
            wait_id = _open(desk, job, now_ms)
            at_ms = now_ms - round((job.ago_h - left_h) * HOUR_MS)
            ask(desk, {"do": "release", "by": BY, "wait": wait_id, "at_ms": at_ms, "feel": feel})
            opened += 1
    return opened


def _open(desk: Path, job: Job, now_ms: int) -> str:
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
    return str(ask(desk, command)["waits"][0])
