"""How fast the board is over a year of 10 s readings. By hand, or in CI with --quick.

    python tests/benchmarks/bench_board.py [--quick] [--keep FOLDER]

Prints each figure beside its target; exits with 1 if one is missed (never with --quick, whose
machine is shared).
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent.parent), str(Path(__file__).parent.parent.parent)]

import dashboard_fixtures as shop_air
from plotly.utils import PlotlyJSONEncoder

from dashboard.data.shop import ShopData
from dashboard.past import page as past_page
from dashboard.past.selection import SPANS, Choice
from dashboard.ui import plots
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Writer

DAY = 86_400_000
ROOT = Path(__file__).parent.parent.parent
misses = 0


def told(what: str, value: float, unit: str, target: float) -> None:
    global misses
    misses += value > target
    print(
        f"{what:<52} {value:8.1f} {unit:<6} target ≤ {target:g} {'' if value <= target else 'MISSED'}"
    )


def median_ms(call, runs: int) -> float:
    spent = []
    for _ in range(runs):
        start = time.perf_counter()
        call()
        spent.append(1000 * (time.perf_counter() - start))
    return statistics.median(spent)


def filled(folder: Path, days: int, port: int):
    settings = shop_air.settings_in(folder, port=port)
    now = now_ms()
    if settings.store_path.exists():
        return settings
    writer = Writer(settings.store_path)
    start = time.perf_counter()
    shop_air.fill(writer, "front-bench", now - days * DAY, now, 10_000)
    for place in ("varnish-room", "outdoors"):
        shop_air.fill(writer, place, now - days * DAY, now, 60_000)
    writer.tidy()
    writer.close()
    size = settings.store_path.stat().st_size / 1e6
    print(f"filled {days} days in {time.perf_counter() - start:.0f} s, {size:.0f} MB")
    return settings


def server_side(settings, runs: int) -> None:
    shop = ShopData(settings)
    start = time.perf_counter()
    now = now_ms()
    choice = Choice(("front-bench",), "humidity", "day", None, None)
    past_page.answered(choice, {}, now, shop)
    told("first figure of the process", 1000 * (time.perf_counter() - start), "ms", 1000)
    for places in (("front-bench",), ("front-bench", "varnish-room", "outdoors")):
        for quantity in ("humidity", "dew_point", "wet_bulb"):
            for span in SPANS:
                asked = Choice(places, quantity, span, None, None)
                target = 40 if len(places) == 1 else 100

                def draw(asked=asked) -> None:
                    figure = plots.sent(past_page.answered(asked, {}, now_ms(), shop).figure)
                    json.dumps(figure, cls=PlotlyJSONEncoder)

                told(
                    f"{len(places)} place(s), {quantity}, {span}: figure",
                    median_ms(draw, runs),
                    "ms",
                    target,
                )
                figure = past_page.answered(asked, {}, now_ms(), shop).figure
                most = max((len(t["x"]) for t in figure["data"]), default=0)
                if most > 2000:
                    told("  points in a trace", most, "", 2000)
    from dashboard.air import page as air_page

    told("wall page, content", median_ms(lambda: air_page.content(shop), runs), "ms", 40)
    told("nothing new: change token", median_ms(shop.change_token, 50), "ms", 2)


def resident_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def in_browser(settings, runs: int) -> None:
    from playwright.sync_api import sync_playwright

    url = f"http://127.0.0.1:{settings.board.port}"
    start = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-m", "dashboard", "--data", str(settings.data)], cwd=ROOT
    )
    ended = threading.Event()

    def beating() -> None:
        while not ended.wait(1.0):
            shop_air.beat(settings)

    threading.Thread(target=beating, daemon=True).start()
    try:
        while True:
            try:
                urllib.request.urlopen(f"{url}/here", timeout=1).close()
                break
            except OSError:
                time.sleep(0.02)
        told("start to first answer", 1000 * (time.perf_counter() - start), "ms", 3000)
        with sync_playwright() as driver:
            browser = driver.chromium.launch(
                executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
            )
            context = browser.new_context(viewport={"width": 1920, "height": 1080})
            page = context.new_page()
            start = time.perf_counter()
            page.goto(f"{url}/past?places=front-bench&span=year")
            page.wait_for_selector(".scatterlayer .trace")
            told("cold page to first plot drawn", 1000 * (time.perf_counter() - start), "ms", 1000)
            for label in ("Week", "Month", "All", "Year", "Day"):
                spent = []
                for _ in range(runs):
                    page.get_by_label("Hour", exact=True).check()
                    page.wait_for_timeout(400)
                    spent.append(page.evaluate(CLICK, label))
                    page.wait_for_timeout(100)
                told(f"click on {label} to drawn", statistics.median(spent), "ms", 200)
            wall = context.new_page()
            wall.goto(f"{url}/")
            wall.wait_for_selector(".place")
            wall.wait_for_timeout(1500)
            delays = []
            with_writer = Writer(settings.store_path)
            for i in range(runs):
                value = 70 + i
                now = now_ms()
                rows = ((Quantity.TEMPERATURE, 21.0), (Quantity.HUMIDITY, float(value)))
                with_writer.write(
                    [Reading(Series("front-bench", "fb-1", q), now, v) for q, v in rows]
                )
                start = time.perf_counter()
                wall.wait_for_selector(f".rh .number:text-is('{value}')", timeout=5000)
                delays.append(1000 * (time.perf_counter() - start))
                wall.wait_for_timeout(300 + 137 * i)
            with_writer.close()
            told("commit to shown on the wall, worst", max(delays), "ms", 2000)
            told("resident memory of the board", resident_mb(child.pid), "MB", 150)
            browser.close()
    finally:
        ended.set()
        child.terminate()
        child.wait(10)


CLICK = """(label) => new Promise((done) => {
  const plot = document.querySelector('.js-plotly-plot');
  const before = plot.layout.xaxis.range.join();
  const input = [...document.querySelectorAll('.spans label')]
    .find((l) => l.innerText.trim() === label).querySelector('input');
  const start = performance.now();
  const look = () => {
    const now = plot.layout.xaxis.range.join();
    if (now !== before && plot.querySelector('.scatterlayer .trace')) {
      requestAnimationFrame(() => done(performance.now() - start));
    } else setTimeout(look, 2);
  };
  input.click();
  look();
})"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="ten days, few runs, no browser")
    parser.add_argument("--keep", type=Path, help="folder to keep the filled store in")
    given = parser.parse_args()
    folder = given.keep or Path(tempfile.mkdtemp(prefix="bench_board_"))
    try:
        settings = filled(folder, 10 if given.quick else 365, 8059)
        server_side(settings, 3 if given.quick else 7)
        if not given.quick and shutil.which("chromium"):
            in_browser(settings, 5)
    finally:
        if not given.keep:
            shutil.rmtree(folder, ignore_errors=True)
    return 1 if misses and not given.quick else 0


if __name__ == "__main__":
    os.environ.pop("TZ", None)
    sys.exit(main())
