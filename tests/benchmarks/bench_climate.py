"""Times the climate record against pandas doing the target band's two steps, in one run.

    python tests/benchmarks/bench_climate.py [--quick]

A year of readings each 10 minutes, a twentieth of them missing. The best of several rounds counts,
the rivals taking turns. Only ratios mean something on another machine; nothing is asserted.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from monitor.science.climate.air_record import DAY_MS, AirRecord, air_record
from monitor.science.climate.control_classes import class_times
from monitor.science.climate.en15757 import exceedances, target_band
from monitor.science.climate.mould import mould_time

SEED = 20_261_125
STEP_MS = 600_000


def year() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    random = np.random.default_rng(SEED)
    i = np.arange(396 * 144)
    i = i[random.random(len(i)) > 0.05]
    rh = 48 + 9 * np.sin(i / 8400) + 6 * np.sin(i / 23) + random.normal(0, 3, len(i))
    return STEP_MS * i, rh.clip(5, 99), 20 + random.normal(0, 1, len(i))


def by_pandas(ts: np.ndarray, rh: np.ndarray) -> None:
    series = pd.Series(rh, pd.to_datetime(ts, unit="ms"))
    away = series - series.rolling("30D", center=True, closed="both").mean()
    away.quantile([0.07, 0.93])


def everything(record: AirRecord) -> None:
    exceedances(target_band(record))
    class_times(record, np.linspace(0, 396 * DAY_MS, 14))
    mould_time(record)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few rounds, to see that it runs")
    rounds = 3 if parser.parse_args().quick else 25
    ts, rh, temp = year()
    rivals: dict[str, Callable[[], object]] = {
        "pandas, level and percentiles": lambda: by_pandas(ts, rh),
        "record and target band": lambda: target_band(air_record(ts, rh, temp)),
        "all: band, exceedances, classes, mould": lambda: everything(air_record(ts, rh, temp)),
    }
    best = dict.fromkeys(rivals, float("inf"))
    for _ in range(rounds):
        for name, rival in rivals.items():
            began = time.perf_counter()
            rival()
            best[name] = min(best[name], time.perf_counter() - began)
    peer = next(iter(best.values()))
    print(f"{len(ts)} readings, best of {rounds}")
    for name, seconds in best.items():
        print(f"{name:<42} {1000 * seconds:8.1f} ms   {seconds / peer:5.2f} of pandas")


if __name__ == "__main__":
    main()
