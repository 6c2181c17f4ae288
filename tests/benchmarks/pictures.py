"""Pictures of the board for the README, and of any page for a look: a demo driven in Chromium.

`python tests/benchmarks/pictures.py` writes `.github/air.png` and `.github/bench.png`; with `--to
FOLDER --pages /help /coming` every page in both sizes. It fills a demo year first (a minute), or takes
a demo that runs by `--board LINK`, as `benchweather board --demo` prints it.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
README = {"air": ("/", "wall", "day"), "bench": ("/bench", "phone", "day")}
"""Name of a picture: page, screen, theme."""
SCREENS = {"wall": (1920, 1080), "phone": (390, 844)}
WIDTHS = {"wall": 1200, "phone": 390}
"""Of the pictures. [px]"""
BOARD_PORT, BROKER_PORT = 15_050, 15_883
SETTLE_MS = 3_000
"""A page draws its plots within this. [ms]"""


NEVER_LEARNS = """
from monitor.__main__ import main
from monitor.service import supervisor
supervisor.OUTLOOK_AFTER_S = 3600
main()"""


@contextlib.contextmanager
def demo(*, learns: bool = True) -> Iterator[str]:
    """A demo of its own, with its outlook, which it `learns` anew after 20 s; yields a link to its
    board that may change things."""
    with tempfile.TemporaryDirectory() as folder:
        environment = os.environ | {
            "BENCHWEATHER_BOARD__PORT": str(BOARD_PORT),
            "BENCHWEATHER_BROKER__PORT": str(BROKER_PORT),
            "PYTHONPATH": str(ROOT),
        }
        command = [sys.executable, "-m", "monitor", "run", "--demo", "--data", folder]
        program = command if learns else [command[0], "-c", NEVER_LEARNS, *command[3:]]
        child = subprocess.Popen(program, cwd=ROOT, env=environment, stderr=subprocess.DEVNULL)
        try:
            end = time.monotonic() + 600
            while not _is_up(f"http://127.0.0.1:{BOARD_PORT}/here"):
                if child.poll() is not None or time.monotonic() > end:
                    raise SystemExit("the demo did not start")
                time.sleep(1)
            board = [*command[:3], "board", "--demo", "--data", folder]
            yield subprocess.check_output(board, cwd=ROOT, env=environment, text=True).strip()
        finally:
            child.send_signal(signal.SIGINT)
            child.wait(30)


def _is_up(address: str) -> bool:
    """True once a board answers: the demo has its outlook by then."""
    try:
        with urllib.request.urlopen(address, timeout=10) as answer:
            return answer.status == 200
    except OSError:
        return False


def take(link: str, to: Path, shots: dict[str, tuple[str, str, str]]) -> None:
    """Write a picture of each page."""
    from playwright.sync_api import sync_playwright

    to.mkdir(parents=True, exist_ok=True)
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu"]
        )
        for name, (page, screen, theme) in shots.items():
            width, height = SCREENS[screen]
            scale = WIDTHS[screen] / width
            context = browser.new_context(
                viewport={"width": width, "height": height}, locale="en-GB"
            )
            context.add_init_script(f"localStorage.setItem('benchweather.theme', '{theme}')")
            tab = context.new_page()
            context.request.get(link)
            tab.goto(link.partition("/open/")[0] + page)
            tab.wait_for_selector("main h1")
            tab.wait_for_timeout(SETTLE_MS)
            file = to / f"{name}.png"
            tab.screenshot(path=file)
            _shrink(browser, file, width, height, scale)
            print(f"{file}: {file.stat().st_size / 1000:.0f} kB")
            context.close()
        browser.close()


def _shrink(browser: object, file: Path, width: int, height: int, scale: float) -> None:
    """Draw a picture smaller, by the browser itself, so that no picture library is needed."""
    if scale == 1:
        return
    small = {"width": round(width * scale), "height": round(height * scale)}
    context = browser.new_context(viewport=small)
    tab = context.new_page()
    tab.goto(file.as_uri())
    tab.evaluate(
        "size => { const i = document.querySelector('img'); document.body.style.margin = 0;"
        " i.style.cssText = `display:block;margin:0;width:${size.width}px;height:${size.height}px` }",
        small,
    )
    tab.wait_for_timeout(300)
    tab.screenshot(path=file)
    context.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--board", help="link to a demo that runs")
    parser.add_argument("--to", type=Path, default=ROOT / ".github")
    parser.add_argument("--pages", nargs="*", help="these pages in both sizes, not the README's")
    parser.add_argument("--both", action="store_true", help="each size by day and by night")
    given = parser.parse_args()
    shots = README
    if given.pages:
        shots = {
            f"{page.strip('/').replace('/', '-') or 'air'}-{screen}-{theme}": (page, screen, theme)
            for page in given.pages
            for screen, theme in (
                ("wall", "day"),
                ("phone", "night"),
                *((("wall", "night"), ("phone", "day")) if given.both else ()),
            )
        }
    with demo() if given.board is None else contextlib.nullcontext(given.board) as link:
        take(link.rstrip("/"), given.to, shots)


if __name__ == "__main__":
    main()
