"""A year of one place among 100 series: how long until the figure of Past is there.

    nice -n 10 python tests/benchmarks/bench_year.py [--quick] [--postgresql] [--minutes 10]

50 places send temperature and humidity each 10 s. Rollups are of the whole year; readings are of as
many days up to now as are filled in that time or until the disk has only 50 GB left. Rows are written in
the order of time, as they come.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from bench_board import median_ms, told
from plotly.utils import PlotlyJSONEncoder

from dashboard.data.shop import ShopData
from dashboard.past import page as past_page
from dashboard.past.selection import Choice
from dashboard.ui import plots
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity
from monitor.settings import load
from monitor.store import HOUR_S, TEN_MINUTES_S, Writer

PLACES, STEP_MS, DAY_MS, FREE_GB = 50, 10_000, 86_400_000, 50
_STEPS = "WITH RECURSIVE step (k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM step WHERE k < ?)"
_VALUE = f"CASE quantity WHEN '{Quantity.HUMIDITY}' THEN 48.0 ELSE 20.0 END + (k + series_id) % 37 / 9.0"
_READINGS = f"""
INSERT INTO reading (series_id, ts_ms, value) {_STEPS}
SELECT series_id, ? + {STEP_MS} * k, {_VALUE} FROM step CROSS JOIN series ORDER BY k, series_id
"""
_ROLLUPS = f"""
INSERT INTO rollup (series_id, period_s, ts_ms, n, low, total, high) {_STEPS}
SELECT series_id, {{s}}, ? + {{ms}} * k, {{n}}, {_VALUE} - 1, {{n}} * ({_VALUE}), {_VALUE} + 1
FROM step CROSS JOIN series ORDER BY k, series_id
"""


def fill(writer: Writer, until_ms: int, days: int, minutes: float) -> int:
    """Fill a store. Returns the number of readings."""
    began, store, rows = time.monotonic(), writer.connection, 0
    every = [
        (1 + 2 * i + j, f"room-{i:02}", f"s{i:02}", quantity)
        for i in range(PLACES)
        for j, quantity in enumerate((Quantity.TEMPERATURE, Quantity.HUMIDITY))
    ]
    with store.transaction() as run:
        store.put(run, "series", every)
        store.free_ids(run)
    for day in range(days, 0, -1):
        with store.transaction() as run:
            for s in (TEN_MINUTES_S, HOUR_S):
                sql = _ROLLUPS.format(s=s, ms=1000 * s, n=1000 * s // STEP_MS)
                run.execute(sql, (86_400 // s - 1, until_ms - day * DAY_MS))
    for day in range(1, days + 1):
        start_ms = until_ms - day * DAY_MS
        with store.transaction() as run:  # which makes the months of PostgreSQL
            store.put(run, "reading", [(1, start_ms + k, 20.0) for k in (1, DAY_MS - 1)])
            run.execute(_READINGS, (DAY_MS // STEP_MS - 1, start_ms))
        rows += len(every) * DAY_MS // STEP_MS
        full = shutil.disk_usage(tempfile.gettempdir()).free < FREE_GB * 1e9
        if full or time.monotonic() - began > 60 * minutes:
            break
    writer.tidy()
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    parser.add_argument("--postgresql", action="store_true", help="on a server of its own")
    parser.add_argument("--minutes", type=float, default=10.0, help="to fill the store")
    asked = parser.parse_args()
    server = None
    with tempfile.TemporaryDirectory(prefix="year-") as name:
        folder = Path(name)
        if asked.postgresql:
            import postgresql_server

            server = postgresql_server.PostgresqlServer()
            server.start()
            (folder / "c.toml").write_text(f'[store]\nurl = "{server.address()}"\n', "utf-8")
        try:
            config = folder / "c.toml" if server else None
            settings = load(data=folder, config=config, environ={})
            until_ms = now_ms() // DAY_MS * DAY_MS
            writer = Writer(settings.store_address)
            began = time.monotonic()
            days, minutes = (3, 0.0) if asked.quick else (365, asked.minutes)
            rows = fill(writer, until_ms, days, minutes)
            writer.close()
            print(
                f"{rows / 1e6:,.1f} million readings, filled in {time.monotonic() - began:.0f} s"
            )
            measure(ShopData(settings), until_ms)
        finally:
            if server:
                server.remove()


def measure(shop: ShopData, until_ms: int) -> None:
    """Time until the figure of a year is ready to be sent, by a board that has drawn another one: of a
    place at which nobody has looked, and again."""
    past_page.answered(Choice(("room-00",), "humidity", "day", None, None), {}, until_ms, shop)
    for place, quantity in (("room-07", "humidity"), ("room-31", "dew_point")):
        choice = Choice((place,), quantity, "year", None, None)

        def draw(choice: Choice = choice) -> None:
            figure = plots.sent(past_page.answered(choice, {}, until_ms, shop).figure)
            json.dumps(figure, cls=PlotlyJSONEncoder)

        told(f"{quantity} of a year, first", median_ms(draw, 1), "ms", 150)
        spent = processor_s(shop)
        told(f"{quantity} of a year, again", median_ms(draw, 7), "ms", 150)
        board, server = (1000 * (b - a) / 7 for a, b in zip(spent, processor_s(shop), strict=True))
        print(f"  processor time each: board {board:.0f} ms, database {server:.0f} ms")


def processor_s(shop: ShopData) -> tuple[float, float]:
    """Processor time of this process, and of the database's that reads for it. [s]"""
    server = 0.0
    if shop.settings.store_address != shop.settings.store_path:
        with shop.reader() as reader:
            (pid,) = reader.connection.row("SELECT pg_backend_pid()")
        ticks = Path(f"/proc/{pid}/stat").read_text("ascii").rsplit(")", 1)[1].split()[11:13]
        server = sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")
    return time.process_time(), server


if __name__ == "__main__":
    main()
