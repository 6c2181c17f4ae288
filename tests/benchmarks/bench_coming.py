"""Times what the page on the air to come does for an answer to what if.

    python tests/benchmarks/bench_coming.py [--quick]

The demo's shop, looked at once; 200 members. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import contextlib
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[i]) for i in (2, 1)]

import coming_fixtures
import dashboard_fixtures as shop_air

from dashboard.coming import page as coming_page
from dashboard.data import outlook as data_outlook
from dashboard.data.shop import ShopData
from dashboard.ui.plots import sent
from monitor.store import Writer
from sensors.demo.shop import BENCH

NOW = int(datetime(2026, 11, 20, 12, 7, tzinfo=UTC).timestamp() * 1000)
TARGET_S = 0.3
WISHES = {
    "nothing changed": {},
    "water": {"water": "3", "volume": "75"},
    "thermostat, water, window": {"setting": "17", "water": "3", "window": "ajar"},
}


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--quick", action="store_true", help="fewer repeats")
    repeats = 5 if arguments.parse_args().quick else 30
    data_outlook.now_ms = coming_page.now_ms = lambda: NOW
    with tempfile.TemporaryDirectory() as folder:
        settings = shop_air.settings_in(Path(folder))
        with contextlib.closing(Writer(settings.store_path)) as writer:
            coming_fixtures.fill(settings, writer, NOW)
        coming_fixtures.look(settings, NOW)
        shop = ShopData(settings)
        book = data_outlook.OutlookQueries(shop)
        print(f"{'the callback, 200 members':32} {'median':>8} {'worst':>8}   target {TARGET_S} s")
        for name, request in WISHES.items():
            taken = []
            for _ in range(repeats):
                start = time.perf_counter()
                plot, *_ = coming_page.answered(
                    BENCH, "humidity", request, {"width": 1280}, shop, book
                )
                sent(plot)
                taken.append(time.perf_counter() - start)
            print(f"{name:32} {statistics.median(taken):7.3f}s {max(taken):7.3f}s")


if __name__ == "__main__":
    main()
