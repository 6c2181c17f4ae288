"""A week of the wall page in Chromium at a pace, and its way back after outages.

Run: PYTHONPATH=. python tests/benchmarks/bench_wall.py [--renewals 10080] [--quick]
The page's clock is moved by a minute for each renewal, with a new reading every ten; heap and nodes are
taken after a collection. Then the real service runs, and each of its parts is taken away: how long the
page takes to say so, and until it shows a new reading once the part is back.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import browser_fixtures as browser
import dashboard_fixtures as shop_air
from browser_fixtures import Board, Visit
from conftest import free_port
from playwright.sync_api import sync_playwright

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Writer

MINUTE, DAY = 60_000, 86_400_000
PLACE, SENSOR = "front-bench", "s-1"
SAMPLES = 8
"""Times at which heap and nodes are taken."""
SHOWN = ".rh .number"


def reading(rh_pct: float, at: int) -> list[Reading]:
    pair = ((Quantity.TEMPERATURE, 20.5), (Quantity.HUMIDITY, rh_pct))
    return [Reading(Series(PLACE, SENSOR, quantity), at, value) for quantity, value in pair]


def days(writer: Writer) -> None:
    """Two days of air, every ten minutes."""
    now = now_ms()
    for at in range(now - 2 * DAY, now - 20 * MINUTE, 10 * MINUTE):
        writer.write(reading(47 + at // (10 * MINUTE) % 5, at))


def week(chromium: Any, renewals: int) -> None:
    """Renew the page again and again; print heap, nodes, places of the picture and times."""
    with tempfile.TemporaryDirectory() as name, Board(Path(name)) as board:
        days(board.writer)
        with browser.served(Path(name), board.port):
            seen = Visit(chromium, "wall")
            seen.page.clock.install()
            seen.page.goto(f"{board.url}/wall")
            seen.page.wait_for_selector(".place")
            tools = seen.context.new_cdp_session(seen.page)
            tools.send("Performance.enable")
            spots, spent, rows = set(), [], []
            every = max(renewals // SAMPLES, 1)
            for n in range(renewals + 1):
                if n % 10 == 0:
                    board.writer.write(reading(40 + n / 10 % 15, now_ms()))
                seen.page.clock.fast_forward(MINUTE)
                began = time.monotonic()
                seen.page.evaluate("boardRenew()")
                spent.append(time.monotonic() - began)
                box = seen.page.evaluate(
                    "(() => { const b = document.getElementById('air').getBoundingClientRect();"
                    " return [b.x, b.y]; })()"
                )
                spots.add(tuple(box))
                if n % every == 0:
                    tools.send("HeapProfiler.collectGarbage")
                    told = tools.send("Performance.getMetrics")["metrics"]
                    found = {one["name"]: one["value"] for one in told}
                    rows.append((n, found["JSHeapUsedSize"], found["Nodes"]))
                    print(f"{n:6}  heap {found['JSHeapUsedSize'] / 1e6:5.2f} MB", end="")
                    print(f"  nodes {found['Nodes']:6.0f}", flush=True)
            settled = rows[1:]
            growth = settled[-1][1] / settled[0][1] - 1
            print(f"renewals {renewals}, median {1000 * statistics.median(spent):.0f} ms")
            print(f"heap from the first sample after the start to the last: {100 * growth:+.1f} %")
            print(f"nodes: {settled[0][2]:.0f} to {settled[-1][2]:.0f}")
            print(f"places of the picture: {len(spots)}; console: {seen.logged}")
            seen.context.close()


class Service:
    """`benchweather run` on a store of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port, self.broker = folder, free_port(), free_port()
        shop_air.settings_in(folder, port=self.port)
        with contextlib.closing(Writer(folder / "readings.sqlite3")) as writer:
            days(writer)
        self.environ = os.environ | {
            "BENCHWEATHER_BROKER__PORT": str(self.broker),
            "BENCHWEATHER_DATA": str(folder),
        }
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        log = (self.folder / "bench.log").open("ab")
        command = [sys.executable, "-m", "monitor", "run"]
        self.process = subprocess.Popen(command, env=self.environ, stdout=log, stderr=log)
        wait_for(lambda: answers(f"{self.url}/here"), 120)

    def children(self, word: str) -> list[int]:
        """Processes of this service whose command line has a word."""
        assert self.process is not None
        found = []
        listed = subprocess.run(
            ["ps", "-o", "pid=,args=", "--ppid", str(self.process.pid)],
            capture_output=True,
            text=True,
            check=True,
        )
        for line in listed.stdout.splitlines():
            pid, _, command = line.strip().partition(" ")
            if re.search(word, command):
                found.append(int(pid))
        return found

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        assert self.process is not None
        self.process.send_signal(how)
        self.process.wait(60)

    def send(self, rh_pct: int) -> None:
        """A reading over MQTT, as a sensor sends it; tries again until the broker has it."""
        command = [sys.executable, "-m", "monitor", "sensor", "send", f"{PLACE}/{SENSOR}"]
        command += ["--temperature", "20.5", "--humidity", str(rh_pct)]
        wait_for(
            lambda: subprocess.run(command, env=self.environ, capture_output=True).returncode == 0,
            120,
        )


def answers(url: str) -> bool:
    try:
        urllib.request.urlopen(url, timeout=2).close()
    except OSError:
        return False
    return True


def wait_for(condition: Callable[[], object], seconds: float) -> float:
    """Wait until a condition holds; how long it took. [s]"""
    began = time.monotonic()
    while not condition():
        if time.monotonic() - began > seconds:
            raise TimeoutError
        time.sleep(0.1)
    return time.monotonic() - began


@contextlib.contextmanager
def running() -> Iterator[Service]:
    with tempfile.TemporaryDirectory() as name:
        service = Service(Path(name))
        service.start()
        try:
            yield service
        finally:
            service.stop()


def outages(chromium: Any, *, quick: bool) -> None:
    """Take each part away once, or the board only; print how long the page takes to say so and to
    come back."""
    with running() as service:
        seen = Visit(chromium, "wall")
        page = seen.page
        page.goto(f"{service.url}/wall")
        page.wait_for_selector(".place")
        level = [41]

        def lost() -> bool:
            return bool(page.locator("#lost").is_visible())

        def troubled() -> bool:
            return lost() or bool(page.locator("#troubles p").count())

        def shows_new() -> None:
            level[0] += 1
            service.send(level[0])
            page.wait_for_selector(f"{SHOWN}:text-is('{level[0]}')", timeout=120_000)
            page.wait_for_selector("#lost", state="hidden", timeout=120_000)

        shows_new()

        def case(name: str, away: Callable[[], object], back: Callable[[], object]) -> None:
            wait_for(lambda: not troubled(), 120)
            away()
            try:
                said = f"{wait_for(troubled, 20):.1f} s"
            except TimeoutError:
                said = "was back before it was noticed"
            back()
            began = time.monotonic()
            shows_new()
            print(f"{name}: said after {said}; new reading after {time.monotonic() - began:.1f} s")

        def kill(word: str) -> None:
            for pid in service.children(word):
                os.kill(pid, signal.SIGKILL)

        nothing = lambda: None  # noqa: E731 - one line
        case("board killed", lambda: kill("dashboard"), nothing)
        if quick:
            seen.context.close()
            return
        case("broker killed", lambda: kill("nats-server"), nothing)
        case("service killed", lambda: service.stop(signal.SIGKILL), service.start)
        case(
            "network off",
            lambda: seen.context.set_offline(True),
            lambda: seen.context.set_offline(False),
        )
        seen.context.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--renewals", type=int, default=7 * 24 * 60)
    parser.add_argument("--quick", action="store_true", help="16 renewals, one outage")
    given = parser.parse_args()
    with sync_playwright() as driver:
        chromium = driver.chromium.launch(
            executable_path=browser.CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        week(chromium, 16 if given.quick else given.renewals)
        outages(chromium, quick=given.quick)
        chromium.close()


if __name__ == "__main__":
    main()
