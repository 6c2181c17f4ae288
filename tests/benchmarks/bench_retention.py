"""What a year of readings takes on disk, and how long a writer waits while old ones are cleared.

Run by hand: `nice -n 10 python tests/benchmarks/bench_retention.py [--quick]`. One sensor of temperature
and humidity, SQLite. Sizes are of the file after its log was emptied. Meanwhile a second connection
stores ten readings ten times a second, as a sensor's backlog would.
"""

from __future__ import annotations

import argparse
import contextlib
import sqlite3
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2])]

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Writer, retention

DAY_MS = 86_400_000
SERIES = [Series("front-bench", "a1", q) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)]
LATE = Series("varnish-room", "b1", Quantity.TEMPERATURE)


def filled(path: Path, days: float, step_ms: int) -> Writer:
    """A store with readings that began three years ago."""
    writer = Writer(path)
    first = now_ms() - 3 * retention.YEAR_MS
    times = range(first, first + round(days * DAY_MS), step_ms)
    rng = np.random.default_rng(1)
    for low in range(0, len(times), 20_000):
        part = times[low : low + 20_000]
        values = rng.normal(45, 1, len(part)).round(2).tolist()
        writer.write(
            [Reading(one, t, v) for one in SERIES for t, v in zip(part, values, strict=True)]
        )
    for at in (now_ms() - retention.CONFIRMED_MS, now_ms()):
        writer.write([Reading(one, at, 45.0) for one in SERIES])
    writer.empty_log()
    return writer


def used_bytes(path: Path) -> int:
    """Bytes of the pages that hold something."""
    with sqlite3.connect(path) as connection:
        pages, free, size = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
    return int((pages - free) * size)


def commits(writer: Writer, stop: threading.Event) -> list[float]:
    """Times of commits of ten readings, ten a second, until asked to stop. [s]"""
    took, at = [], now_ms()
    while not stop.wait(0.1):
        began = time.perf_counter()
        writer.write([Reading(LATE, at + i, 20.0) for i in range(10)])
        took.append(time.perf_counter() - began)
        at += 10
    return took


def told(name: str, took: list[float]) -> None:
    ms = 1000 * np.array(took)
    print(
        f"{name:34} {len(ms):5} commits: p50 {np.median(ms):6.1f} ms, "
        f"p95 {np.quantile(ms, 0.95):6.1f} ms, longest {ms.max():6.1f} ms"
    )


def beside(path: Path, work: Callable[[], object]) -> list[float]:
    """Commits of another writer of the same store while some work is done. [s]"""
    stop = threading.Event()
    with contextlib.closing(Writer(path)) as other, ThreadPoolExecutor(1) as pool:
        found = pool.submit(commits, other, stop)
        try:
            work()
        finally:
            stop.set()
    return found.result()


def cleared(path: Path, days: float, step_ms: int) -> None:
    """Clear a filled store while another writer stores, and print what it took."""
    with contextlib.closing(filled(path, days, step_ms)) as writer:
        before, n = used_bytes(path), round(2 * days * DAY_MS / step_ms)
        a_year = 365.25 / days / 1e6
        years = dict.fromkeys((one.quantity for one in SERIES), 2)
        began, cpu = time.perf_counter(), time.process_time()
        found = beside(path, lambda: retention.clear_due(writer, years, now_ms(), float("inf")))
        took, cpu = time.perf_counter() - began, time.process_time() - cpu
        writer.empty_log()
        told(f"while {n:,} are cleared", found)
        print(
            f"  {step_ms // 1000:3} s, {days:.0f} days: {before / n:5.1f} bytes a reading, "
            f"{before * a_year:6.1f} MB a year; cleared {used_bytes(path) * a_year:5.1f} MB a year; "
            f"{n / took:,.0f} readings/s, {1e6 * cpu / n:.1f} us of CPU each"
        )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "idle.sqlite3"
        told("nothing cleared", beside(path, lambda: time.sleep(2 if quick else 20)))
        for step_ms in (10_000, 60_000):
            days = (1 if quick else 20) * step_ms / 10_000
            cleared(Path(folder) / f"{step_ms}.sqlite3", days, step_ms)


if __name__ == "__main__":
    main()
