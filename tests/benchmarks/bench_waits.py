"""Times the ready times of 200 open waits against a plain loop over readings, in one run.

    python tests/benchmarks/bench_waits.py [--quick]

14 days at 10 s, 200 draws with as many members of outlook over 7 days. The plain loop does for
one wait and one draw what anyone would type: every reading, then every step to come; its time is
scaled up to all waits and draws, which would take hours. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.science.waits.air_log import AirLog, air_log
from monitor.science.waits.daily_pattern import daily_pattern_ensemble
from monitor.science.waits.film import OIL, SPIRIT
from monitor.science.waits.glue import HIDE_GLUE, HIDE_GLUE_BLOCK, HIDE_GLUE_THIN_PLATE
from monitor.science.waits.readiness import ready_times
from monitor.science.waits.timed_rest import FixedLaw
from monitor.science.waits.wait import WaitInputs

SEED = 20_251_103
NOW = 1_762_190_407_000
TARGET_S = 0.5
MIXED = (HIDE_GLUE, HIDE_GLUE_THIN_PLATE, HIDE_GLUE_BLOCK, SPIRIT, OIL, FixedLaw())


def readings(days: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    random = np.random.default_rng(SEED)
    ts = np.arange(NOW - days * 86_400_000, NOW, 10_000)
    day = np.sin(2 * np.pi * ts / 86_400_000)
    spell = np.sin(2 * np.pi * ts / (5.3 * 86_400_000))
    t = 19 + 2 * day + spell + random.normal(0, 0.05, ts.size)
    rh = 58 - 6 * day + 9 * spell + random.normal(0, 0.3, ts.size)
    return ts, t, rh


def open_waits(
    count: int, air: AirLog, outlook: AirEnsemble, laws: tuple, days: int
) -> list[WaitInputs]:
    random = np.random.default_rng(SEED)
    waits = []
    for i in range(count):
        law = laws[i % len(laws)]
        slow = law in (SPIRIT, OIL)
        basis_h = float(random.uniform(24, 120) if slow else random.uniform(4, 24))
        ago_h = random.uniform(0, 1) * (24 * days - 1 if i % 3 == 0 else 1.5 * basis_h)
        ago_h = min(ago_h, 24 * days - 1)
        waits.append(
            WaitInputs(
                law=law,
                basis_s=3600 * basis_h,
                start_ms=NOW - round(3.6e6 * ago_h),
                air=air,
                outlook=outlook,
            )
        )
    return waits


def plain_loop(
    ts: list, t: list, rh: list, outlook: AirEnsemble, start_ms: int, k: float
) -> float:
    """Ready time of one draw of a glue wait, reading by reading. [s]"""
    y = 1.0
    for n in range(len(ts) - 1):
        if ts[n] >= start_ms:
            phi = math.exp(17.62 * t[n] / (243.12 + t[n]) - 17.62 * 20 / 263.12)
            h = rh[n] / 100
            y = h + (y - h) * math.exp(-k * phi * (ts[n + 1] - ts[n]) / 1000)
    temp_c, rh_pct = outlook.temp_c[0].tolist(), outlook.rh_pct[0].tolist()
    for i in range(len(temp_c)):
        if y <= 0.8:
            return i * outlook.step_s
        phi = math.exp(17.62 * temp_c[i] / (243.12 + temp_c[i]) - 17.62 * 20 / 263.12)
        h = rh_pct[i] / 100
        y = h + (y - h) * math.exp(-k * phi * outlook.step_s)
    return math.inf


def best_s(run, rounds: int) -> float:
    best = math.inf
    for _ in range(rounds):
        start = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="4 days, 50 waits, for CI")
    quick = parser.parse_args().quick
    days, count, rounds = (4, 50, 2) if quick else (14, 200, 5)
    ts, t, rh = readings(days)
    start = time.perf_counter()
    outlook = daily_pattern_ensemble(ts, t, rh, NOW, 7 * 86_400, 200, SEED)
    made_s = time.perf_counter() - start
    keep = np.ones(ts.size, dtype=bool)
    for older, newer in ((70, 65), (12, 10.5), (3, 2)):  # hours before now
        keep &= (ts < NOW - older * 3_600_000) | (ts >= NOW - newer * 3_600_000)
    listed = ts.tolist(), t.tolist(), rh.tolist()
    looped = [NOW - round(days * 86_400_000 * part) for part in (0.1, 0.5, 0.9)]
    print(
        f"{count} waits, {ts.size:,} readings, 200 draws, {outlook.temp_c.shape[1]} steps to come"
    )
    print(f"outlook from the daily pattern: {made_s:.3f} s; target for all waits {TARGET_S} s")
    print(f"{'':34} {'s':>7} {'plain loop s':>13} {'ratio':>9}")
    for name, laws, part in (
        ("six laws", MIXED, slice(None)),
        ("six laws, three gaps", MIXED, keep),
        ("hide glue only", (HIDE_GLUE,), slice(None)),
        ("hide glue only, three gaps", (HIDE_GLUE,), keep),
    ):

        def ours(laws: tuple = laws, part: object = part) -> None:
            air = air_log(ts[part], t[part], rh[part], NOW, 10)
            ready_times(open_waits(count, air, outlook, laws, days), NOW)

        took = best_s(ours, rounds)
        begin = time.perf_counter()
        for start_ms in looped:
            plain_loop(*listed, outlook, start_ms, math.log(5 / 3) / 43_200)
        plain = (time.perf_counter() - begin) / len(looped) * count * 200
        print(f"{name:34} {took:7.3f} {plain:13.0f} {plain / took:9.0f}")


if __name__ == "__main__":
    main()
