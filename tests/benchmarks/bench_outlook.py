"""Scores the outlook on shops held back, and times its fit and ensemble against a plain loop.

    python tests/benchmarks/bench_outlook.py [--quick] [--shops 101 102] [--days 90]

Shops, weather and forecasts are made up by `tests/rooms`, other than the fitted model. Errors are
shares of persistence's ("as it is now") from 30 days of log on. The plain loop steps one member at
a time in Python, the same balance; its time is scaled up to all. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (2, 1)]

from rooms import csv_files
from rooms.catalogue import HELD_BACK, Shop, shops

from monitor.outlook.evaluation import files, report
from monitor.outlook.evaluation.walk_forward import walk
from monitor.science.outlook.hourly_log import STEPS
from monitor.science.outlook.room_fit import fit_room
from monitor.science.outlook.room_model import prepared_log
from monitor.science.outlook.shop_model import learn, predict

TARGETS = {6: 0.50, 24: 0.50, 48: 0.48, 72: 0.50}
FIT_S, ENSEMBLE_S = 3.0, 0.5
SEED = 20_251_125


def material(shop: Shop, first_day: int, days: int) -> files.Material:
    with tempfile.TemporaryDirectory() as folder:
        csv_files.write(shop, Path(folder), first_day, days)
        return files.read(Path(folder, "log.csv"), Path(folder, "forecasts.csv"))


def plain_loop(members: int) -> float:
    """Seconds for as many members of one vapour and heat balance with five stores, one by one."""
    start = time.process_time()
    sample = 20
    for _ in range(sample):
        t, rh = 20.0, 45.0
        stores = [45.0, 45.0, 45.0, 45.0]
        for _ in range(STEPS):
            t += 0.1 * (5.0 - t) + 0.1 * (18.0 - t)
            e_s = 611.2 * math.exp(17.62 * t / (243.12 + t))
            flow = sum(k * b for k, b in zip((25.0, 8.0, 2.5, 0.6), stores, strict=True))
            e = (rh * e_s / 100 + 0.5 * 500 + 40 + flow) / (1.5 + 36.1 * 100 / e_s)
            rh = 100 * e / e_s
            stores = [b + (rh - b) / h for b, h in zip(stores, (3, 13, 73, 401), strict=True)]
    return (time.process_time() - start) / sample * members


def speeds(read: files.Material) -> None:
    k = prepared_log(read.hours, read.issues)
    stop = min(24 * 90, len(k.temp_c)) - 1
    start = time.process_time()
    fit_room(k, stop)
    fit_s = time.process_time() - start
    shop = learn(k, read.issues, stop)
    best = math.inf
    for _ in range(3):
        start = time.process_time()
        predict(shop, k, read.issues, np.array([stop]), 500, SEED)
        best = min(best, time.process_time() - start)
    plain = plain_loop(500)
    print(f"fit on {(stop + 1) / 24:.0f} days: {fit_s:.2f} s of CPU (target {FIT_S} s)")
    print(
        f"500 members, 5 days: {best:.3f} s of CPU (target {ENSEMBLE_S} s), "
        f"{best / plain:.2f} of a plain loop's {plain:.3f} s"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="one shop, 20 days, for CI")
    parser.add_argument("--shops", type=int, nargs="*", default=list(HELD_BACK))
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--first", type=int, default=0, help="first day of the year")
    parser.add_argument("--wicks", action="store_true", help="each shop with a humidifier's wick")
    arguments = parser.parse_args()
    numbers, days = arguments.shops, arguments.days
    if arguments.quick:
        numbers, days, arguments.first = numbers[:1], 20, 20
    hours = 24 * min(arguments.first + days + 6, 365)
    made = shops(tuple(numbers), hours, wicks=numbers if arguments.wicks else ())
    speeds(material(made[0], arguments.first, days))
    heads = "".join(f"{h:>6}" for h in (1, 3, 6, 12, 24, 48, 72))
    print(f"\nRH, error as a share of persistence's\n{'shop':22}{heads}   in 80 % range   snaps")
    shares, held, snaps = [], [], []
    for shop in made:
        read = material(shop, arguments.first, days)
        walked = walk(read.hours, read.issues)
        rows = report.scores(walked, 1, 30 if days > 33 else 10)
        s = report.snap_score(walked, read.hours.rh_pct, 10)
        shares.append([row.of_persistence for row in rows])
        held.append([row.coverage_80 for row in rows])
        snaps.append(s)
        print(
            f"{shop.number} {shop.climate:18}"
            + "".join(f"{share:6.2f}" for share in shares[-1])
            + f"   {100 * min(held[-1]):3.0f} to {100 * max(held[-1]):3.0f} %"
            + f"   {s.found}/{s.snaps} found, {s.found_18h} by 18 h, {s.false_a_month:.1f} false",
            flush=True,
        )
    print(
        f"{'mean':22}"
        + "".join(f"{share:6.2f}" for share in np.mean(shares, axis=0))
        + "   "
        + " ".join(f"{100 * c:.0f}" for c in np.mean(held, axis=0))
    )
    print(f"{'worst':22}" + "".join(f"{share:6.2f}" for share in np.max(shares, axis=0)))
    print(
        "targets: "
        + ", ".join(f"{h} h {share:.2f}" for h, share in TARGETS.items())
        + "; worst at most 1.00; 75 to 85 % in range"
    )
    total = sum(s.snaps for s in snaps)
    months = len(made) * (days - 10) / 30.44
    print(
        f"snaps {total}, found {sum(s.found for s in snaps)}, 18 h ahead "
        f"{sum(s.found_18h for s in snaps)}, false alarms a month "
        f"{sum(s.false_alarms for s in snaps) / months:.2f}"
    )


if __name__ == "__main__":
    main()
