"""Instruments and waits of the demo's last days: what was taken in, glued and coated, and when."""

from __future__ import annotations

from typing import NamedTuple

from monitor.domain.wait import Feel
from sensors.demo.shop import BENCH, CORNER


class PastJob(NamedTuple):
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
    PastJob("plate-crack", VIOLIN, "top crack, bass side", BENCH, 52.0, 4, 8.0, Feel.RIGHT),
    PastJob("cleat", VIOLIN, "cleats, bass side", BENCH, 30.5, 2, 7.5, Feel.RIGHT),
    PastJob("plate-crack", VIOLIN, "top crack, treble side", BENCH, 2.5, 5),
    # The cello's top is off: cleats on the top, linings on the ribs.
    PastJob("cleat", CELLO, "cleats along the bar", BENCH, 76.0, 2, 16.0, Feel.LONG_BEFORE),
    PastJob("cleat", CELLO, "cleat 1 of 2", BENCH, 3.0, 1),
    PastJob("cleat", CELLO, "cleat 2 of 2", BENCH, 2.8, 1),
    PastJob("linings", CELLO, "upper bout linings", BENCH, 0.6, 14),
    # These are closed.
    PastJob("rib-seam", VIOLA, "upper bout seam", BENCH, 28.0, 5, 7.0, Feel.RIGHT),
    PastJob("rib-seam", VIOLA, "lower bout seam", BENCH, 4.6, 6),
    PastJob("crack-filler", BASS, "rib crack", BENCH, 40.0),
    PastJob("neck-or-block", SECOND_VIOLIN, "neck set", BENCH, 20.0, 3),
    PastJob("settling", SET_UP, "strung up, second check", BENCH, 15.0),
    # The viola's back is off and washed.
    PastJob("washed-wood", SECOND_VIOLA, "washed back", BENCH, 9.0),
    # Varnish: coat by coat.
    PastJob("spirit-coat", VARNISHED, "first clear coat", CORNER, 55.0, 0, 22.0, Feel.SOFT),
    PastJob("spirit-coat", VARNISHED, "second clear coat", CORNER, 7.0),
    PastJob("oil-coat", "new violin, job 60", "first oil coat", CORNER, 26.0),
    PastJob("retouching", "VN-53 violin", "edge of the back", CORNER, 3.2, 0, 2.4, Feel.RIGHT),
    PastJob("retouching", "VN-53 violin", "edge of the back, again", CORNER, 0.7),
)
