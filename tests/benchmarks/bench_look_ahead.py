"""How the outlook's work scales with its processes, on a PostgreSQL server.

Run by hand: `nice -n 10 python tests/benchmarks/bench_look_ahead.py [--quick] [--places 12]`. Every
place has the log and the models of one that was learned for weeks, and a day more: each process takes
turns at the places, as `benchweather look-ahead` has it. First the night's learning, then a look at
each; one and two processes by turns. Time of waiting for a processor is left out, so that it holds on
a busy machine too; waiting for the database is in it.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import multiprocessing
import os
import resource
import statistics
import sys
import tempfile
import time
from multiprocessing.synchronize import Barrier
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import coming_fixtures
import postgresql_server

from monitor.core.clock import now_ms
from monitor.outlook import files
from monitor.outlook.files import Kept
from monitor.outlook.worker import Work
from monitor.settings import Settings, load
from monitor.store import Reader, Writer, outlooks

BENCH, DAY_MS = coming_fixtures.BENCH, 86_400_000
SHOP_PLACES, CORES = 3_000, (2, 8, 32)
TASKS = ("learning", "a look")
_SERIES = """
INSERT INTO series (place, sensor, quantity)
SELECT 'room-' || n, sensor, quantity FROM series, generate_series(1, ?) AS n WHERE place = ?
"""
_ROWS = """
INSERT INTO {table} (series_id, {columns}) SELECT b.series_id, {columns}
FROM {table} AS r JOIN series AS a USING (series_id)
JOIN series AS b ON b.quantity = a.quantity AND b.place LIKE 'room-%' WHERE a.place = ?
"""
COPIED = {"reading": "ts_ms, value", "rollup": "period_s, ts_ms, n, low, total, high"}


def settings_of(folder: str, store: str) -> Settings:
    path = Path(folder, "benchweather.toml")
    path.write_text('[[places]]\nid = "outdoors"\nkind = "outdoors"\n', encoding="utf-8")
    return load(data=path.parent, environ={"BENCHWEATHER_STORE__URL": store})


def fill(settings: Settings, places: int, days: int, now: int) -> list[Kept]:
    """Fill the log of one place, and of others with the same. Returns what was learned until a day
    ago."""
    with contextlib.closing(Writer(settings.store_address)) as writer:
        coming_fixtures.fill(settings, writer, now, days)
        with contextlib.closing(Reader(settings.read_address)) as reader:
            work = Work(settings, reader)
            work.learn_all(now - DAY_MS)
            work.look_all(now - DAY_MS)
        with writer.connection.transaction() as run:
            run.execute(_SERIES, (places, BENCH))
            for table, columns in COPIED.items():
                run.execute(_ROWS.format(table=table, columns=columns), (BENCH,))
    every = (files.fit, files.walk_state, files.issued)
    return [one for of in every if (one := of(settings, BENCH)) is not None]


def let_be_due(settings: Settings, places: int, kept: list[Kept]) -> None:
    """Give each place what the first had learned until a day ago."""
    names = [BENCH, *(f"room-{n}" for n in range(1, places + 1))]
    with contextlib.closing(Writer(settings.store_address)) as writer:
        with writer.connection.transaction() as run:
            run.execute("DELETE FROM outlook_turn")
        outlooks.put(
            writer.connection,
            (files.packed(dataclasses.replace(one, place=name)) for name in names for one in kept),
        )


def queued_s() -> float:
    """Time for which this thread waited for a processor. [s]"""
    return int(Path("/proc/thread-self/schedstat").read_text().split()[1]) / 1e9


def work(folder: str, store: str, now: int, ready: Barrier, done: Any) -> None:
    """A process that takes turns, task by task, from the barrier on."""
    settings = settings_of(folder, store)
    with contextlib.closing(Reader(settings.read_address)) as reader:
        one = Work(settings, reader)
        one.home.now_ms()
        for task in (one.learn_all, one.look_all):
            ready.wait()
            before = time.perf_counter(), queued_s(), time.process_time()
            task(now)
            after = time.perf_counter(), queued_s(), time.process_time()
            wall_s, waited_s, used_s = (b - a for a, b in zip(before, after, strict=True))
            done.put((wall_s - waited_s, used_s))
            ready.wait()
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        done.put(memory)


def measured(folder: str, store: str, processes: int, now: int) -> list[tuple[float, float]]:
    """Time until all places are done, without that of waiting for a processor, and processor time, for
    each task. [s]"""
    spawn = multiprocessing.get_context("spawn")
    ready, done, found = spawn.Barrier(processes + 1), spawn.Queue(), []
    children = [
        spawn.Process(target=work, args=(folder, store, now, ready, done))
        for _ in range(processes)
    ]
    for child in children:
        child.start()
    for _ in TASKS:
        ready.wait()
        rows = [done.get() for _ in children]
        found.append((max(row[0] for row in rows), sum(row[1] for row in rows)))
        ready.wait()
    memory = max(done.get() for _ in children)
    for child in children:
        child.join()
    print(f"{processes} process{'es' * (processes > 1)}: at most {memory} MB each")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few places, to see that it runs")
    parser.add_argument("--places", type=int, default=12)
    parser.add_argument("--days", type=int, default=28)
    given = parser.parse_args()
    places, days, turns = (4, 6, 1) if given.quick else (given.places, given.days, 3)
    server = postgresql_server.PostgresqlServer()
    server.start()
    try:
        with tempfile.TemporaryDirectory() as folder:
            store, now = server.address(), now_ms()
            settings = settings_of(folder, store)
            kept = fill(settings, places - 1, days, now)
            found: dict[int, list[list[tuple[float, float]]]] = {1: [], 2: []}
            for _ in range(turns):
                for processes, rows in found.items():
                    let_be_due(settings, places - 1, kept)
                    rows.append(measured(folder, store, processes, now))
    finally:
        server.remove()
    print(
        f"{places} places, {days} days of log, load {os.getloadavg()[0]:.1f}; medians of {turns}"
    )
    for i, task in enumerate(TASKS):
        wall, used = (
            {n: statistics.median(row[i][of] for row in rows) for n, rows in found.items()}
            for of in (0, 1)
        )
        each = used[1] / places
        hours = ", ".join(f"{SHOP_PLACES * each / 3600 / n:.2f} h on {n} cores" for n in CORES)
        print(
            f"{task}: {each:.3f} s of processor time a place by one process, "
            f"{used[2] / places:.3f} by two; done in {wall[1] / places:.3f} and "
            f"{wall[2] / places:.3f} s a place: {wall[1] / wall[2] / 2:.2f} per process. "
            f"{SHOP_PLACES} places (computed): {hours}"
        )


if __name__ == "__main__":
    main()
