"""Measures backups: time, size, memory, and how long a writer waits meanwhile.

`PYTHONPATH=.:tests python tests/benchmarks/bench_backup.py [--quick] [--folder FOLDER] [--millions N]`
"""

from __future__ import annotations

import argparse
import contextlib
import resource
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from monitor import settings
from monitor.backup import making, restoring, shop_export
from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Writer

MINUTE_MS, SERIES, BEGIN_MS = 60_000, 10, 1_700_000_000_000
ONE = Series("live", "w1", Quantity.HUMIDITY)


def fill(path: Path, millions: float) -> None:
    """Readings each minute of ten series, with their rollups."""
    each = int(millions * 1e6 / SERIES)
    with contextlib.closing(Writer(path)) as writer, writer.connection.transaction() as run:
        for i in range(1, SERIES + 1):
            run.execute("INSERT INTO series VALUES (?, 'bench', ?, 'humidity')", (i, f"s{i}"))
            walk = np.random.default_rng(i).normal(0, 0.1, each).cumsum().round(1) % 40 + 30
            times = range(BEGIN_MS, BEGIN_MS + each * MINUTE_MS, MINUTE_MS)
            rows = zip([i] * each, times, walk.tolist(), strict=True)
            run.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
        for period_s in (600, 3600):
            run.execute(
                "INSERT INTO rollup SELECT series_id, ?, ts_ms - ts_ms % (1000 * ?), count(*), "
                "min(value), sum(value), max(value) FROM reading GROUP BY 1, 3",
                (period_s, period_s),
            )


class Load(threading.Thread):
    """A writer that stores ten readings ten times a second, and notes how long each commit took."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.took_s: list[float] = []
        self._path, self._stop_now = path, threading.Event()

    def run(self) -> None:
        with contextlib.closing(Writer(self._path)) as writer:
            now = BEGIN_MS
            while not self._stop_now.wait(0.1):
                began = time.perf_counter()
                writer.write([Reading(ONE, now + i, 50.0) for i in range(10)])
                self.took_s.append(time.perf_counter() - began)
                now += 1_000

    def stop(self) -> str:
        self._stop_now.set()
        self.join()
        p50, p95, most = (1000 * np.quantile(self.took_s, q) for q in (0.5, 0.95, 1))
        return f"commits {len(self.took_s)}, p50 {p50:.1f}, p95 {p95:.1f}, longest {most:.0f} ms"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true", help="a tenth of a million, 2 s alone")
    parser.add_argument("--folder", help="where the store is made")
    parser.add_argument("--millions", type=float, default=10.0, help="readings")
    asked = parser.parse_args()
    millions = 0.1 if asked.quick else asked.millions
    with tempfile.TemporaryDirectory(dir=asked.folder) as work:
        data, stick = Path(work) / "shop", Path(work) / "stick"
        stick.mkdir()
        fill(data / "readings.sqlite3", millions)
        size = (data / "readings.sqlite3").stat().st_size
        print(f"{millions:g} million readings, {size / 1e6:.0f} MB")
        load = Load(data / "readings.sqlite3")
        load.start()
        time.sleep(2 if asked.quick else 20)
        print("alone:", load.stop())
        shop = settings.load(data=data, environ={"BENCHWEATHER_BACKUP__FOLDER": str(stick)})
        for name, environ in (
            ("plain", {}),
            ("encrypted", {"BENCHWEATHER_BACKUP__PASSPHRASE": "bridge, neck, scroll"}),
        ):
            load = Load(data / "readings.sqlite3")
            load.start()
            began, spent = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
            command = [sys.executable, "-m", "monitor.backup", "--data", str(data)]
            environ = {"BENCHWEATHER_BACKUP__FOLDER": str(stick), "PYTHONPATH": ".", **environ}
            subprocess.run(command, env=environ, check=True, stderr=subprocess.DEVNULL)
            took_s, after = (
                time.perf_counter() - began,
                resource.getrusage(resource.RUSAGE_CHILDREN),
            )
            cpu_s = after.ru_utime + after.ru_stime - spent.ru_utime - spent.ru_stime
            made = making.backups(shop, stick)[0].path
            print(
                f"{name}: {took_s:.1f} s, {cpu_s:.1f} s of processor, {made.stat().st_size / 1e6:.0f} "
                f"MB, {after.ru_maxrss / 1000:.0f} MB of memory; meanwhile {load.stop()}"
            )
            began = time.perf_counter()
            restoring.drill(made, shop, environ.get("BENCHWEATHER_BACKUP__PASSPHRASE", ""))
            print(f"drill: {time.perf_counter() - began:.1f} s")
        began = time.perf_counter()
        shop_export.write(shop, Path(work) / "export")
        print(f"export: {time.perf_counter() - began:.1f} s")
        parquet = sum(p.stat().st_size for p in (Path(work) / "export").rglob("*") if p.is_file())
        began = time.perf_counter()
        shop_export.read(settings.load(data=Path(work) / "new", environ={}), Path(work) / "export")
        print(f"import: {time.perf_counter() - began:.1f} s from {parquet / 1e6:.0f} MB")
        print(
            f"memory of this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000:.0f} MB"
        )


if __name__ == "__main__":
    main()
