"""What a round of the service, and the contents of Air and Sensors, cost at 10, 300 and 3,000 places.

    nice -n 10 python tests/benchmarks/bench_many_places.py [--quick] [--postgresql] [--profile NAME]

Each place has three or four series with a day of readings by 5 minutes; each size runs in a process of
its own. Processor times are this process's (with PostgreSQL the server's is in the wall time only).
The ratio is the cost per place against the smallest size. `--profile round` (or air, sensors) prints
where the time goes at the last size; `--browser` measures in Chromium until the page is drawn.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import many_places

from monitor.core.clock import now_ms
from monitor.core.imports import uncollected
from monitor.core.measurements import Reading

HOUR_MS = 3_600_000
CHANGED = {"round, none changed": 0.0, "round, a tenth new": 0.1, "round, all new": 1.0}
"""Rounds after a reading of each series of this share of the places; the last one after readings of
hours ago."""
LATE = "round, a tenth late"
WHAT = ("first round", "round", *CHANGED, LATE, "air", "sensors")
WANTED_S = {"round": 10.0, "air": 1.0, "sensors": 1.0}
CONFIG = """
[shop]
name = "Quillon Lane Violin Repair, Marrowick"
time_zone = "Europe/Paris"
[[places]]
id = "room-0000"
kind = "outdoors"
[[places]]
id = "room-0001"
kind = "varnish"
"""


class Paper:
    """A publisher that sends nothing."""

    connected, connections = True, 1

    def publish(self, *_: object, **__: object) -> None:
        pass


def works(folder: Path, places: int, url: str):
    """The shop of this size and what is measured in it, by name."""
    with uncollected():  # as in the service and on the board
        import dash
        import flask

        from dashboard.access.visitor import Visitor
        from dashboard.app import create_app
        from monitor.alerting.observations import ServiceTroubles
        from monitor.people.roles import Role
        from monitor.service.evaluation_cycle import EvaluationCycle
        from monitor.service.state_publisher import StatePublisher
        from monitor.settings import load
        from monitor.store import Reader, Writer

    store = f'[store]\nurl = "{url}"\n' if url else ""
    (folder / "c.toml").write_text(CONFIG + store, encoding="utf-8")
    settings = load(data=folder, config=folder / "c.toml", environ={})
    writer = Writer(settings.store_address)
    many_places.fill(writer, places, now_ms())
    cycle = EvaluationCycle(
        settings,
        Reader(settings.store_address),
        writer,
        StatePublisher(settings, Paper()),
        ServiceTroubles,
        lambda: None,
    )
    app = create_app(settings)

    def drawn(name: str) -> None:
        with app.server.test_request_context("/"):
            flask.g.visitor = Visitor(Role.OWNER)
            json.dumps(dash.page_registry[name]["layout"]().to_plotly_json(), default=_tree)

    def go() -> None:
        cycle.run(now_ms())

    series = [one for one in Reader(settings.store_address).series() if one.quantity == "humidity"]

    def heard(share: float, ago_ms: int) -> None:
        at = now_ms() - ago_ms
        some = series[: round(share * len(series))]
        writer.write([Reading(one, at, 50.0) for one in some])

    return settings, {
        "first round": go,
        "round": go,
        **{what: (go, partial(heard, share, 0)) for what, share in CHANGED.items()},
        LATE: (go, partial(heard, 0.1, 5 * HOUR_MS)),
        "air": lambda: drawn("air"),
        "sensors": lambda: drawn("sensors"),
    }


def _tree(part):
    return part.to_plotly_json()


def one_size(places: int, url: str, profile: str, browser: bool) -> None:
    """Measure one size and print it as JSON."""
    with tempfile.TemporaryDirectory(prefix="many-") as name:
        settings, made = works(Path(name), places, url)
        found: dict[str, list[float]] = {}
        for what in WHAT:
            runs = 1 if what == "first round" or places > 1_000 else 3
            spent = []
            for _ in range(runs):
                go, before = made[what] if isinstance(made[what], tuple) else (made[what], None)
                if before:
                    before()
                wall, cpu = time.perf_counter(), time.process_time()
                if what == profile:
                    with cProfile.Profile() as seen:
                        go()
                    pstats.Stats(seen, stream=sys.stderr).sort_stats("cumtime").print_stats(60)
                else:
                    go()
                spent.append((time.perf_counter() - wall, time.process_time() - cpu))
            found[what] = [*min(spent), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]
        if browser:
            found |= in_browser(settings)
        print(json.dumps(found))


def in_browser(settings) -> dict[str, list[float]]:
    """Seconds until Air and Sensors are drawn in Chromium, the second time, and the bytes sent."""
    import shutil
    import urllib.request

    from playwright.sync_api import sync_playwright

    url = f"http://127.0.0.1:{settings.board.port}"
    root = Path(__file__).parents[2]
    command = [sys.executable, "-m", "dashboard", "--data", str(settings.data)]
    child = subprocess.Popen([*command, "--config", str(settings.data / "c.toml")], cwd=root)
    found = {}
    try:
        while True:
            try:
                urllib.request.urlopen(f"{url}/here", timeout=1).close()
                break
            except OSError:
                time.sleep(0.05)
        with sync_playwright() as driver:
            chromium = driver.chromium.launch(
                executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
            )
            page = chromium.new_page(viewport={"width": 1920, "height": 1080})
            for name, path, mark in (
                ("air", "/", "#air .place"),
                ("sensors", "/sensors", "#sensors table"),
            ):
                for _ in range(3):
                    began = time.perf_counter()
                    page.goto(url + path)
                    page.wait_for_selector(mark, timeout=600_000)
                    page.evaluate("() => new Promise(requestAnimationFrame)")
                    took = time.perf_counter() - began
                found[f"{name}, drawn"] = [took, 0.0, 0.0]
            chromium.close()
    finally:
        child.terminate()
        child.wait(20)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small, to see that it runs")
    parser.add_argument("--postgresql", action="store_true", help="on a server of its own")
    parser.add_argument("--browser", action="store_true", help="also in Chromium")
    parser.add_argument("--profile", default="", help="round, air or sensors")
    parser.add_argument("--places", type=int, nargs="+", help="sizes instead of the usual ones")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one is not None:
        one_size(asked.places[0], asked.one, asked.profile, asked.browser)
        return
    sizes = asked.places or ([5, 50] if asked.quick else [10, 300, 3_000])
    server = None
    if asked.postgresql:
        import postgresql_server

        server = postgresql_server.PostgresqlServer()
        server.start()
    line = "{:>7} {:<20}{:>10.3f}{:>10.3f}{:>10.0f}{:>10.2f}{:>9}".format
    print(
        f"{'places':>7} {'':<20}{'wall s':>10}{'cpu s':>10}{'peak MB':>10}{'ratio':>10}{'wanted':>9}"
    )
    least: dict[str, float] = {}
    try:
        for places in sizes:
            url = server.address() if server else ""
            command = [sys.executable, __file__, "--places", str(places), "--one", url]
            command += ["--profile", asked.profile] if places == sizes[-1] else []
            command += ["--browser"] if asked.browser else []
            said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
            for what, (wall, cpu, peak) in json.loads(said.splitlines()[-1]).items():
                each = least.setdefault(what, wall / places)
                wanted = WANTED_S.get(what.partition(",")[0], 0)
                shown = f"{wanted:g} s" if wanted and places >= 3_000 else ""
                print(line(places, what, wall, cpu, peak, wall / places / each, shown), flush=True)
    finally:
        if server:
            server.remove()


if __name__ == "__main__":
    main()
