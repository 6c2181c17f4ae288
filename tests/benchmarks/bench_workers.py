"""How much faster two ingest workers store a queue than one, on a PostgreSQL server and mosquitto.

Run by hand: `nice -n 10 python tests/benchmarks/bench_workers.py [--quick]`. One and two workers by
turns, each a process as `benchweather ingest` has it, on one server, which syncs to the disk. The queue
waits at the broker before they begin. Processor time is given for each part: what limits two workers.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Mapping
from multiprocessing.synchronize import Barrier
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import bench_ingest
import postgresql_server
from conftest import Mosquitto

from monitor.core import logs
from monitor.core.measurements import Quantity, Reading, Series
from monitor.core.steady_clock import SteadyClock
from monitor.mqtt.client import Address, Subscription, shared
from monitor.readings.payload import Contract
from monitor.service.ingest_worker import new_ingest
from monitor.settings import load
from monitor.store import Reader, Writer, ingest_workers
from monitor.store.ingest_workers import Share

FILTERS = shared("bench", (bench_ingest.FILTER,))


def work(number: int, port: int, store: str, folder: str, ready: Barrier, done: object) -> None:
    """A worker, from the barrier until everything is stored."""
    logs.set_up("worker")
    settings, writer = load(data=Path(folder)), Writer(store)
    name = f"worker-{number}"
    share = Share(writer, ingest_workers.number_of(writer, name), name)
    subscription = Subscription(Address("127.0.0.1", port), FILTERS, name, turn=share.number)
    one = new_ingest(settings, Contract(), writer, SteadyClock(), subscription, share)
    ready.wait()
    one.start()
    done.wait()
    one.stop(10)


def processor_s(of: Mapping[str, int]) -> dict[str, float]:
    """Processor time by now of each part, by the id of its process, with that of its children. [s]"""
    ticks, found = os.sysconf("SC_CLK_TCK"), dict.fromkeys(of, 0.0)
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(") ")[2].split()
        except OSError:
            continue
        pid, parent = int(path.parent.name), int(fields[1])
        for part, of_part in of.items():
            if of_part in (pid, parent) and pid != os.getpid():
                # Also of children that ended: a connection of PostgreSQL is a process.
                found[part] += sum(map(int, fields[11:15])) / ticks
    return found


def stored(
    workers: int, port: int, count: int, pack: int, store: str, of: Mapping[str, int]
) -> tuple[float, dict[str, float]]:
    """Messages/s until all are durable, and the processor time of each part, in shares of that time."""
    spawn = multiprocessing.get_context("spawn")
    ready, done = spawn.Barrier(workers + 1), spawn.Event()
    with contextlib.closing(Writer(store)) as writer:  # no sensor is new: each works by itself
        first = [Series("bench", f"s{i}", Quantity.TEMPERATURE) for i in range(20)]
        writer.write([Reading(one, 1000 * bench_ingest.T0 - 86_400_000, 20.0) for one in first])
    for number in range(1, workers + 1):
        leave = Subscription(Address("127.0.0.1", port), FILTERS, f"worker-{number}")
        while not leave.connected:
            leave.rest(0.05)
        leave.close()
    bench_ingest.publish(port, count, pack)
    with tempfile.TemporaryDirectory() as folder:
        children = [
            spawn.Process(target=work, args=(number, port, store, folder, ready, done))
            for number in range(1, workers + 1)
        ]
        for child in children:
            child.start()
        reader = Reader(store)
        ready.wait()
        before, began = processor_s(of), time.perf_counter()
        while reader.tallies()["messages"] < count:
            time.sleep(0.02)
        took = time.perf_counter() - began
        used = {part: (s - before[part]) / took for part, s in processor_s(of).items()}
        assert reader.tallies()["readings"] == count * pack + 20, reader.tallies()
        reader.close()
        done.set()
        for child in children:
            child.join()
    for number in range(1, workers + 1):
        bench_ingest.forget(port, f"worker-{number}")
    return count / took, used


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    quick = parser.parse_args().quick
    postgresql_server.FAST = ("-c", "max_connections=30")
    server = postgresql_server.PostgresqlServer()
    server.start()
    try:
        with tempfile.TemporaryDirectory() as name:
            mosquitto = Mosquitto(Path(name))
            mosquitto.start()
            of = {
                "PostgreSQL": server._child.pid,
                "mosquitto": mosquitto._child.pid,
                "workers": os.getpid(),
            }
            for pack, count in ((1, 2_000 if quick else 40_000), (100, 200 if quick else 3_000)):
                found: dict[int, list[float]] = {1: [], 2: []}
                for number in range(1 if quick else 3):
                    for workers in (1, 2) if number % 2 else (2, 1):
                        rate, used = stored(
                            workers, mosquitto.port, count, pack, server.address(), of
                        )
                        found[workers].append(pack * rate)
                        shares = ", ".join(f"{part} {share:.2f}" for part, share in used.items())
                        print(f"  {workers} of {pack}: {pack * rate:,.0f}/s   cores: {shares}")
                one, two = (statistics.median(found[n]) for n in (1, 2))
                print(
                    f"{pack} a message: one {one:,.0f}, two {two:,.0f} readings/s, "
                    f"ratio {two / one:.2f}   wanted 1.6 where cores allow",
                    flush=True,
                )
            mosquitto.stop()
    finally:
        server.remove()


if __name__ == "__main__":
    main()
