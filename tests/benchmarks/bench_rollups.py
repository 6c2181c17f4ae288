"""What a reading costs to store with its rollups, by the number of series that share a batch.

Run by hand: `python tests/benchmarks/bench_rollups.py [--quick]`. Batches of 1,000 readings, one of each
series in turn, as sensors with a period of 10 s send them, after a day of readings. CPU time, with what
the disk costs; by turns with the same readings without rollups, which is the floor.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Writer, rollups

BATCH, STEP_MS, HOUR_MS = 1_000, 10_000, 3_600_000
T0 = 1_790_000_000_000 // HOUR_MS * HOUR_MS + HOUR_MS // 2
"""When the measured readings begin: half an hour into an hour. [ms since 1970-01-01 UTC]"""
_PAST = """
WITH RECURSIVE step (at) AS (SELECT ? UNION ALL SELECT at + ? FROM step WHERE at + ? < ?)
INSERT INTO reading SELECT series_id, at + series_id * 7 % 5000, 20 + at / 10000 % 97 / 100.0
FROM series CROSS JOIN step WHERE at >= ? + series_id * 37 % 200 * ? ORDER BY at
"""
_ROLLED = """
INSERT INTO rollup SELECT series_id, ?, ts_ms - ts_ms % ?, count(*), min(value), sum(value), max(value)
FROM reading GROUP BY 1, 3 ON CONFLICT (series_id, period_s, ts_ms) DO UPDATE
SET n = excluded.n, low = excluded.low, total = excluded.total, high = excluded.high
"""


def filled(path: Path, series: list[Series], hours: float) -> Writer:
    """A store with readings of the last hours; series begin by turns, so that pages differ."""
    writer = Writer(path)
    writer.write([Reading(one, T0 - 86_400_000, 20.0) for one in series])
    begin = T0 - round(hours * HOUR_MS)
    with writer.connection.transaction() as run:
        run.execute(_PAST, (begin, STEP_MS, STEP_MS, T0, begin, STEP_MS))
        for period_s in (rollups.TEN_MINUTES_S, rollups.HOUR_S):
            run.execute(_ROLLED, (period_s, 1000 * period_s))
    writer.empty_log()
    return writer


def stream(series: list[Series]) -> Iterator[list[Reading]]:
    """Batches of the readings that follow, of each series in turn."""
    readings = (
        Reading(one, T0 + STEP_MS * k + i * 7 % 5000, 20 + k % 50 / 100)
        for k in itertools.count()
        for i, one in enumerate(series, 1)
    )
    while True:
        yield list(itertools.islice(readings, BATCH))


def costs(series: list[Series], hours: float, rounds: int) -> tuple[float, float]:
    """Mean CPU time of a reading with its rollups and without. [µs]"""
    add = rollups.add
    with tempfile.TemporaryDirectory() as folder:
        writer = filled(Path(folder) / "readings.sqlite3", series, hours)
        batches, spent = stream(series), [0.0, 0.0]
        for turn in range(4 * rounds):
            plain = turn // 2 % 2
            rollups.add = (lambda *_: None) if plain else add
            batch = next(batches)
            began = time.process_time()
            writer.write(batch)
            spent[plain] += time.process_time() - began
        rollups.add = add
        writer.close()
    whole, bare = (1e6 * s / (2 * rounds * BATCH) for s in spent)
    return whole, bare


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    quick = parser.parse_args().quick
    print(f"{'series':>8}{'with rollups':>16}{'without':>12}{'rollups':>12}   µs a reading")
    for n in (10, 100, 1_000) if quick else (10, 100, 1_000, 10_000):
        series = [Series(f"p{i // 2}", f"s{i}", Quantity.TEMPERATURE) for i in range(n)]
        # A day at 10 s of 10,000 series is 86 million readings: a day up to 100, then 4 h and 1 h.
        hours = 1.0 if quick else {10: 24.0, 100: 24.0, 1_000: 4.0}.get(n, 1.0)
        whole, bare = costs(series, hours, 5 if quick else 30)
        print(f"{n:>8,}{whole:>16.2f}{bare:>12.2f}{whole - bare:>12.2f}", flush=True)


if __name__ == "__main__":
    main()
