"""Scores the outlook with members of the weather forecast, beside the same forecast without them.

    python tests/benchmarks/bench_members.py [--quick] [--shops 101 104] [--days 45]

Rooms of `tests/rooms` and members of `rooms.ensembles`: calibrated, half and twice as far apart as they
should be, and no longer sent from day 30 on. RH at 6, 24, 48 and 72 h after day 14: error as a share of
persistence's, CRPS [% RH], and what the 80 % range held. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (2, 1)]

from bench_outlook import material
from rooms.catalogue import shops
from rooms.ensembles import ensemble_issues

from monitor.outlook.evaluation import report
from monitor.outlook.evaluation.walk_forward import walk
from monitor.science.outlook.hourly_log import Issues, OutdoorHours

AFTER_DAYS, STOP_DAY = 14, 30
SETTLED_DAYS = 46
"""The made rooms settle over so many days of their weather. [d]"""
LEADS_H = (6, 24, 48, 72)


def stopped(issues: Issues, first_h: int) -> Issues:
    """The same, their members no longer sent from `STOP_DAY` on."""
    assert issues.members is not None
    late = issues.issued_h >= first_h + 24 * STOP_DAY
    fields = (np.where(late[:, None, None], np.float32(np.nan), f) for f in issues.members)
    return replace(issues, members=OutdoorHours(*fields))


def cases(weather: object, seed: int, first_h: int, quick: bool) -> dict[str, Issues]:
    calibrated = ensemble_issues(weather, seed)
    found = {"single": replace(calibrated, members=None), "calibrated": calibrated}
    if quick:
        return found
    return found | {
        "half the spread": ensemble_issues(weather, seed, scale=0.5),
        "twice the spread": ensemble_issues(weather, seed, scale=2.0),
        "not sent from day 30": stopped(calibrated, first_h),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument(
        "--quick", action="store_true", help="one room, two cases, 16 days, for CI"
    )
    parser.add_argument("--shops", type=int, nargs="*", default=[101, 104])
    parser.add_argument("--days", type=int, default=45)
    parser.add_argument("--cases", nargs="*", help="only these")
    arguments = parser.parse_args()
    numbers = arguments.shops[:1] if arguments.quick else arguments.shops
    days = 17 if arguments.quick else arguments.days
    made = shops(tuple(numbers), 24 * max(days + 6, SETTLED_DAYS))
    for shop in made:
        hours = material(shop, 0, days).hours
        told = cases(shop.outdoors, shop.number, hours.first_h, arguments.quick)
        for name, issues in told.items():
            if arguments.cases and name not in arguments.cases:
                continue
            start = time.process_time()
            walked = walk(hours, issues)
            rows = {r.horizon_h: r for r in report.scores(walked, 1, AFTER_DAYS)}
            text = "  ".join(
                f"{h} h {r.of_persistence:.3f} {r.crps:.3f} {100 * r.coverage_80:3.0f} %"
                for h in LEADS_H
                if (r := rows.get(h))
            )
            took = time.process_time() - start
            print(f"{shop.number} {name:22} {text}   {took:.0f} s", flush=True)


if __name__ == "__main__":
    main()
