"""Scores ready times in two measured rooms: by the outlook, learned nightly, and by the daily pattern.

    python tests/benchmarks/bench_ready.py [--quick]

Waits of six kinds are opened each 33 h from day 30 on, their usual time and the sensor exact, so what
is off comes from the air. A wait that came after its 90 % was promised too early. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import sys
from itertools import islice
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (2, 1)]

import open_house
from open_house import Opening

from monitor.science.outlook.room_model import prepared_log

FIRST_DAY, EVERY = 30, 11


def table(name: str, found: list[Opening]) -> None:
    """Print a row for each kind of wait, and one for all."""
    for kind in (*open_house.OPENED, ""):
        rows = np.array([row[1:] for row in found if kind in ("", row.kind)], dtype=float)
        if not len(rows):
            continue
        low, middle, high, came, usual = rows.T
        known = np.isfinite(middle) & np.isfinite(high)
        print(
            f"{name:16}{kind or 'all':15}{len(rows):5d}"
            f"{100 * np.mean((low <= came) & (came <= high)):6.0f} %"
            f"{100 * np.mean(came > high):5.0f} %"
            f"{np.mean(np.abs(middle - came)[known]):8.2f} h{np.mean(np.abs(usual - came)):8.2f} h"
            f"{np.mean((high - low)[known]):8.2f} h",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a few days, for CI")
    first, count = (10, 6) if parser.parse_args().quick else (FIRST_DAY, None)
    print(f"{'':31}waits  held early     off  usual is off   width")
    for room in open_house.ROOMS:
        one = open_house.house(room)
        k = prepared_log(one.hours, one.issues)
        airs = list(islice(open_house.walked_air(one, k, first, EVERY), count))
        table(f"room {room}, outlook", open_house.openings(one, airs))
        ends = np.array([air.start_ms // open_house.HOUR_MS - one.hours.first_h for air in airs])
        pattern = open_house.pattern_air(one, ends)
        table(f"room {room}, pattern", open_house.openings(one, pattern))


if __name__ == "__main__":
    main()
