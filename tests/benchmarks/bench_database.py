"""How fast readings become durable on a PostgreSQL server, against COPY alone and a client that counts.

Run by hand: `nice -n 10 python tests/benchmarks/bench_database.py [--quick]`. All sides run by turns, in
one run, on the same server, which syncs to the disk as it does by default; only ratios carry over.

- store: `Writer.write` of 1,000 messages of 100 readings a transaction, rollups included.
- COPY alone: the same rows by COPY into a table with the same key, one transaction for each batch.
- mosquitto: a queue into the store; of single readings against a client that only counts them.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import bench_ingest
import postgresql_server
import psycopg
from conftest import Mosquitto

from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Writer

PACKS, PACK, SENSORS = 1_000, 100, 20
T0 = 1_790_000_000_000
_BARE = (
    "CREATE TABLE bare (series_id bigint NOT NULL, ts_ms bigint NOT NULL, value float8 NOT NULL"
    ", PRIMARY KEY (series_id, ts_ms))"
)


def batch(number: int) -> list[Reading]:
    """1,000 packs of 100 readings, each 10 s, of sensors in turn."""
    series = [Series("bench", f"s{i}", Quantity.TEMPERATURE) for i in range(SENSORS)]
    first = number * PACKS // SENSORS
    return [
        Reading(
            series[i % SENSORS], T0 + 10_000 * ((first + i // SENSORS) * PACK + k), 20 + k / 100
        )
        for i in range(PACKS)
        for k in range(PACK)
    ]


def stored(writer: Writer, number: int) -> float:
    """Readings/s of the store."""
    readings = batch(number)
    began = time.perf_counter()
    assert writer.write(readings).new == len(readings)
    return len(readings) / (time.perf_counter() - began)


def copied(connection: psycopg.Connection, number: int) -> float:
    """Readings/s of COPY alone, from rows that are there."""
    rows = [(int(one.series.sensor[1:]), one.ts_ms, one.value) for one in batch(number)]
    began = time.perf_counter()
    with connection.cursor() as run, run.copy("COPY bare FROM STDIN (FORMAT BINARY)") as copy:
        copy.set_types(["int8", "int8", "float8"])
        for row in rows:
            copy.write_row(row)
    return len(rows) / (time.perf_counter() - began)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    quick = parser.parse_args().quick
    rounds, packs, singly = (3, 200, 2_000) if quick else (9, 3_000, 20_000)
    postgresql_server.FAST = ("-c", "max_connections=30")
    server = postgresql_server.PostgresqlServer()
    server.start()
    line = "{:<44}{:>14,.0f}{:>14,.0f}{:>8.2f}".format
    try:
        writer = Writer(server.address())
        with psycopg.connect(server.address(), autocommit=True) as connection:
            connection.execute(_BARE)
            ours, theirs = [], []
            for number in range(rounds):
                for side in (0, 1) if number % 2 else (1, 0):
                    if side:
                        theirs.append(copied(connection, number))
                    else:
                        ours.append(stored(writer, number))
        writer.close()
        ours, theirs = ours[1:], theirs[1:]  # the first makes the series and the partitions
        print(f"{'':<44}{'peer/s':>14}{'durable/s':>14}{'ratio':>8}   wanted 0.6")
        alone, b = statistics.median(theirs), statistics.median(ours)
        print(line("packs of 100, the store against COPY alone", alone, b, b / alone), flush=True)
        with tempfile.TemporaryDirectory() as name:
            mosquitto = Mosquitto(Path(name))
            mosquitto.start()
            for what, count, pack in (
                ("mosquitto, packs of 100, against COPY alone", packs, PACK),
                ("mosquitto, 1 a message, against counting", singly, 1),
            ):
                a, b = bench_ingest.drain(
                    mosquitto.port, count, pack, server.address, 1 if quick else 3
                )
                a = pack * a if pack == 1 else alone
                print(line(what, a, pack * b, pack * b / a), flush=True)
            mosquitto.stop()
    finally:
        server.remove()


if __name__ == "__main__":
    main()
