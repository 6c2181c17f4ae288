"""Times a year of a case at ten minutes with 100 members against a plain loop, in one run.

    python tests/benchmarks/bench_case.py [--quick]

The plain loop does for one member what anyone would type: every ten minutes the same balance; its
time is scaled up to all members. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from monitor.science.case.advice import advise
from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.home import home_of, home_year
from monitor.science.case.outdoors import from_normals
from monitor.science.case.presets import PRESETS, Case
from monitor.science.case.simulation import RoomAir, simulate

TARGET_S = 0.3
MEMBERS = 100
VIOLIN = PRESETS["violin, hard case"]


def room(days: int) -> RoomAir:
    step = np.arange(144 * days)
    day, year = np.sin(2 * np.pi * step / 144), np.sin(2 * np.pi * step / (144 * 365))
    return RoomAir(20 + 2 * day, 40 + 12 * year - 3 * day, step_s=600.0)


def plain_loop(case: Case, air: RoomAir, filled: Humidifier) -> float:
    """RH of the wood at the end: member 0, ten minutes at a time. Its time is the peer's."""
    w, water, dt = 40.0, 0.0, 1 / 144
    k = 24 * case.exchange_g_h_pct
    for i, (t, rh) in enumerate(zip(air.temp_c.tolist(), air.rh_pct.tolist(), strict=True)):
        if i % round(144 * filled.every_d) == 0:
            water = filled.water_ml
        e_w = 611.2 * math.exp(17.62 * t / (243.12 + t))
        leak = case.closed_changes_day * case.air_l / 1000 * 10 * e_w / (461.52 * (t + 273.15))
        g = filled.release_g_day_pct if water > 0 else 0.0
        h = (leak * rh + k * w + g * 100) / (leak + k + g)
        given = min(g * (100 - h) * dt, water)
        water -= given
        out = k * (rh - w) if 17 <= i / 6 % 24 < 19 else 0.0
        w += (k * (h - w) + out) * dt / case.capacity_g_pct
    return w


def best_s(run, rounds: int) -> float:
    best = math.inf
    for _ in range(rounds):
        start = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="60 days, for CI")
    quick = parser.parse_args().quick
    days, rounds = (60, 2) if quick else (365, 7)
    air, water = room(days), Humidifier()
    plain = MEMBERS * best_s(lambda: plain_loop(VIOLIN, air, water), 3)
    print(f"{days} days at 10 min, {MEMBERS} members; target for a year {TARGET_S} s")
    print(f"{'':24} {'s':>7} {'plain loop s':>13} {'ratio':>7}")
    for name, device in (("nothing in it", None), ("humidifier", water), ("buffer", Buffer())):
        took = best_s(lambda d=device: simulate(VIOLIN, air, None, d, members=MEMBERS), rounds)
        print(f"{name:24} {took:7.3f} {plain:13.2f} {plain / took:7.0f}")
    ours = float(simulate(VIOLIN, air, None, water, members=1, start_pct=40).wood_pct[-1, 0])
    print(f"wood at the end: {ours:.2f} %, plain loop {plain_loop(VIOLIN, air, water):.2f} %")
    normals = from_normals([-8, -7, -1, 7, 13, 18, 21, 20, 15, 9, 2, -5], [70] * 12)
    took = best_s(lambda: advise(VIOLIN, home_year(home_of("leaky"), normals)), 1 if quick else 3)
    print(f"advice for a dry home, every measure tried: {took:.2f} s")


if __name__ == "__main__":
    main()
