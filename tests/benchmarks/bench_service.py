"""The whole service as a user runs it: how soon it is ready, how soon a message can be read and
seen, what it costs when idle, and whether a busy board holds up the ingest.

Run by hand: `python tests/benchmarks/bench_service.py [--quick]`. Needs Chromium and Linux.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import threading
import time
import urllib.request
from contextlib import closing
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import paho.mqtt.client as paho
from bench_ingest import publish
from conftest import RunningService, needs
from playwright.sync_api import sync_playwright

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Reader, Writer

TICKS = os.sysconf("SC_CLK_TCK")
PAGE = os.sysconf("SC_PAGE_SIZE")


def family(pid: int) -> list[int]:
    """A process and all its children."""
    found, queue = [], [pid]
    while queue:
        one = queue.pop()
        found.append(one)
        for task in Path(f"/proc/{one}/task").iterdir():
            queue += [int(child) for child in (task / "children").read_text().split()]
    return found


def resident_mb(pids: list[int]) -> float:
    return sum(int(Path(f"/proc/{p}/statm").read_text().split()[1]) for p in pids) * PAGE / 1e6


def cpu_s(pids: list[int]) -> float:
    total = 0
    for pid in pids:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        total += int(fields[11]) + int(fields[12])
    return total / TICKS


def pack(value: float, moment_ms: int) -> bytes:
    return json.dumps(
        [
            {"bt": moment_ms / 1000, "n": "temperature", "u": "Cel", "v": value},
            {"n": "humidity", "u": "%RH", "v": 47.0},
        ]
    ).encode()


def client(port: int) -> paho.Client:
    made = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    made.connect("127.0.0.1", port)
    made.loop_start()
    return made


def to_row(service: RunningService, count: int) -> list[float]:
    """Milliseconds from publishing to a row that another process can read."""
    sender, took = client(service.port), []
    with closing(Reader(service.store)) as reader:
        for i in range(count):
            before = reader.tallies()["messages"]
            began = time.perf_counter()
            sender.publish("benchweather/front-bench/a1", pack(20 + i % 9, now_ms()), qos=1)
            while reader.tallies()["messages"] == before:
                time.sleep(0.0001)
            took.append(1000 * (time.perf_counter() - began))
            time.sleep(0.02)
    sender.disconnect()
    return took


def to_page(service: RunningService, count: int) -> list[float]:
    """Seconds from publishing to the figure on the open page."""
    sender, took = client(service.port), []
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as profile:
        browser = playwright.chromium.launch_persistent_context(
            profile,
            executable_path=needs("chromium", "chromium"),
            locale="en-GB",  # whose temperatures are in °C
            bypass_csp=True,  # so that the page can be asked whether it has changed
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{service.board_port}/")
        for i in range(count):
            value = 15 + (i % 90) / 10
            time.sleep(0.37 * (i % 3))
            began = time.perf_counter()
            sender.publish("benchweather/front-bench/a1", pack(value, now_ms()), qos=1)
            page.wait_for_function(
                "want => document.body.innerText.includes(want)", arg=f"{value:.1f}", timeout=9000
            )
            took.append(time.perf_counter() - began)
        browser.close()
    sender.disconnect()
    return took


def fill(path: Path, days: int) -> None:
    """Readings each 10 s, T and RH, up to now."""
    writer, end = Writer(path), now_ms() // 10_000 * 10_000
    for day in range(days, 0, -1):
        start = end - day * 86_400_000
        writer.write(
            [
                Reading(
                    Series("front-bench", "a1", quantity), start + 10_000 * i, 40 + i % 97 / 10
                )
                for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
                for i in range(8640)
            ]
        )
    writer.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    quick = parser.parse_args().quick
    with tempfile.TemporaryDirectory() as name:
        service = RunningService(Path(name) / "shop")
        service.data.mkdir()
        fill(service.store, 1 if quick else 30)
        service.start()
        service.stop()
        began = time.monotonic()
        service.start()
        print(f"ready after a warm start             {time.monotonic() - began:8.2f} s    <= 5 s")
        rows = sorted(to_row(service, 5 if quick else 300))
        print(f"message to readable row, median      {statistics.median(rows):8.2f} ms")
        print(
            f"message to readable row, 95 %        {rows[int(0.95 * len(rows))]:8.2f} ms   <= 5 ms"
        )
        pages = to_page(service, 2 if quick else 30)
        print(f"message to changed page, median      {statistics.median(pages):8.2f} s    <= 1 s")
        print(f"message to changed page, longest     {max(pages):8.2f} s    <= 2 s")
        idle(service, 1 if quick else 60)
        busy(service, *((200, 1) if quick else (20_000, 3)))
        service.stop()


def busy(service: RunningService, count: int, rounds: int) -> None:
    """Ten pages that each draw a year, again and again, while messages come in."""
    spawn = multiprocessing.get_context("spawn")
    body, alone, together, drawn = year_request(service), [], [], 0
    for round_ in range(rounds):
        alone.append(rate(service, count, 2 * round_ * count))
        stop, figures = spawn.Event(), spawn.Value("i", 0)
        pages = spawn.Process(target=draw_pages, args=(service.board_port, body, stop, figures))
        pages.start()
        while not figures.value:
            time.sleep(0.05)
        together.append(rate(service, count, (2 * round_ + 1) * count))
        stop.set()
        pages.join()
        drawn += figures.value
    slowed = statistics.median(together) / statistics.median(alone)
    print(f"ingest alone, messages               {statistics.median(alone):8.0f} /s")
    print(f"ingest beside ten pages drawing      {slowed:8.2f} x    >= 0.90  ({drawn} figures)")


def draw_pages(port: int, body: bytes, stop: Any, figures: Any) -> None:
    """Ten readers of the board. They would be on other machines: they take what is left of this."""
    os.nice(19)
    origin = f"http://127.0.0.1:{port}"
    headers = {
        "Content-Type": "application/json",
        "Sec-Fetch-Site": "same-origin",
        "Origin": origin,
    }

    def page() -> None:
        while not stop.is_set():
            asked = urllib.request.Request(f"{origin}/_dash-update-component", body, headers)
            with urllib.request.urlopen(asked, timeout=60) as answer:
                answer.read()
            with figures.get_lock():
                figures.value += 1

    threads = [threading.Thread(target=page) for _ in range(10)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()


def year_request(service: RunningService) -> bytes:
    """What a page of the past asks the board when it draws a year."""
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as profile:
        browser = playwright.chromium.launch_persistent_context(
            profile,
            executable_path=needs("chromium", "chromium"),
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        page = browser.new_page()
        found: list[bytes] = []
        page.on(
            "request",
            lambda r: (
                found.append(r.post_data_buffer) if "past-plot" in (r.post_data or "") else None
            ),
        )
        page.goto(f"http://127.0.0.1:{service.board_port}/past?span=year")
        page.wait_for_timeout(3000)
        browser.close()
    return found[0]


def rate(service: RunningService, count: int, first: int) -> float:
    """Messages a second through broker and service, from a backlog the sender keeps up."""
    with closing(Reader(service.store)) as reader:
        before = reader.tallies()["messages"]
        sender = multiprocessing.get_context("spawn").Process(
            target=publish, args=(service.port, count, 1, first)
        )
        began = time.perf_counter()
        sender.start()
        while reader.tallies()["messages"] < before + count:
            time.sleep(0.02)
        took = time.perf_counter() - began
        sender.join()
        return count / took


def idle(service: RunningService, wait_s: float) -> None:
    """Ten sensors each 10 s, no page open."""
    sender, stop = client(service.port), threading.Event()

    def feed() -> None:
        while not stop.wait(1.0):
            sender.publish(
                f"benchweather/p{time.time_ns() // 10**9 % 10}/a1", pack(20, now_ms()), qos=1
            )

    with concurrent.futures.ThreadPoolExecutor() as pool:
        pool.submit(feed)
        time.sleep(2)
        pids = family(service.pid)
        before, began = cpu_s(pids), time.monotonic()
        time.sleep(wait_s)
        used = (cpu_s(pids) - before) / (time.monotonic() - began)
        print(f"idle, ten sensors: one core          {100 * used:8.1f} %    <= 5 %")
        total = resident_mb(pids)
        parts = ", ".join(f"{resident_mb([pid]):.0f}" for pid in pids)
        print(f"idle, ten sensors: resident          {total:8.0f} MB   <= 250 MB  ({parts})")
        stop.set()
    sender.disconnect()


if __name__ == "__main__":
    main()
