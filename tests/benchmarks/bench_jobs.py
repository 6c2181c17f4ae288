"""Taps and seconds of ten jobs at the board, from Air until the answer stands on the screen.

`python tests/benchmarks/bench_jobs.py --board LINK [--screen phone]`: against a board that runs, with
a link that may change things (`benchweather board --demo`); without `--board`, a demo of its own. The
script reads nothing and thinks nothing: its seconds are the board's, the taps are the hand's. A field
that is typed into counts as a tap. What it opened, it takes back; what it sealed, it gives up.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import shutil
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from pictures import SCREENS, demo

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

STRAY_MS = 500
"""A tap sooner than this after another one is taken for a stray one."""
PATIENCE_MS = 300_000


class Hand:
    """Taps of a hand on a page, counted."""

    def __init__(self, page: Page) -> None:
        self.page, self.taps = page, 0

    def find(self, selector: str, text: str = "") -> Locator:
        """The first such element that can be seen."""
        found = self.page.locator(selector, has_text=text) if text else self.page.locator(selector)
        found = found.locator("visible=true").first
        found.wait_for(timeout=PATIENCE_MS)
        return found

    def tap(self, selector: str, text: str = "") -> None:
        self.page.wait_for_timeout(STRAY_MS)
        self.find(selector, text).click(timeout=PATIENCE_MS)
        self.taps += 1

    def go(self, page: str) -> None:
        """Open a page by the menu. On a busy machine a tap can come before the page takes one: then
        it is made, and counted, again."""
        from playwright.sync_api import TimeoutError as TooLong

        before = self.page.url
        for wait_ms in (10_000, 30_000, PATIENCE_MS):
            self.tap("nav a", page)
            with contextlib.suppress(TooLong):
                self.page.wait_for_url(lambda url, before=before: url != before, timeout=wait_ms)
                break
        self.page.wait_for_function("!!window.boardNow")

    def type(self, selector: str, text: str) -> None:
        self.find(selector).fill(text)
        self.taps += 1

    def read(self, selector: str, pattern: str) -> str:
        """The text of an element that answers, once it does; it must be on the screen by then."""
        wanted = re.compile(pattern, re.DOTALL)
        found = self.page.locator(selector, has_text=wanted).locator("visible=true").first
        found.wait_for(timeout=PATIENCE_MS)
        found.scroll_into_view_if_needed()
        match = wanted.search(found.inner_text())
        assert match, (selector, pattern)
        return " ".join(match[0].split())


def open_wait(hand: Hand) -> str:
    hand.go("Bench")
    hand.tap('[data-fill="open-instrument"]')
    hand.type("#open-clamps", "3")
    hand.tap("[data-choose=plate-crack]")
    hand.tap("#bench-places button")
    return hand.read("#bench-said", r"(ready|about) .*\d\d:\d\d")


def release(hand: Hand) -> str:
    hand.page.locator("#bench-said button", has_text="Undo").wait_for(timeout=PATIENCE_MS)
    hand.page.wait_for_timeout(STRAY_MS)
    hand.page.locator("#bench-said button", has_text="Undo").click()
    hand.page.wait_for_selector("text=Undone.", timeout=PATIENCE_MS)
    hand.go("Air")
    hand.taps = 0
    hand.go("Bench")
    hand.tap("[data-do=release]:not([data-sure])")
    return hand.read("#bench-said", r"(Unclamped|Released)\.")


def why_longer(hand: Hand) -> str:
    hand.go("Bench")
    hand.tap(".wait .tap", "More")
    return hand.read("main", r"Why this long\?\s*(?!Move)\w[^.]*\.")[-90:]


def ready_by_nine(hand: Hand) -> str:
    hand.go("Bench")
    hand.tap("main nav a, nav a", "Ready by")
    hand.tap("label", "Another time")
    nine = (datetime.now() + timedelta(days=1)).strftime("%Y-%m-%dT09:00")
    hand.type("#plan-at", nine)
    return hand.read("#plan", r"ready by tomorrow 09:00.*?(before|now|today|late)")[:90]


def last_night(hand: Hand) -> str:
    hand.go("Past")
    hand.tap("label", "Last night")
    return hand.read("main", r"last night.*?[Ll]owest at [^.]*")[-60:]


def snap_and_litres(hand: Hand) -> str:
    hand.go("Coming")
    return hand.read("main", r"(below|dry)[^.]*.*?[\d.]+ (L|mL|fl oz|gal) of water a day")[-90:]


def cello_safe(hand: Hand) -> str:
    hand.go("Wood")
    return hand.read("main", r"cello.*?[Ss]afe to close\s*(Not|Yes|No|Only|Un)[^\n.]*")[-40:]


def client_sheet(hand: Hand) -> str:
    hand.go("Clients")
    hand.tap("label", "Heated flat")
    hand.tap("label", "Violin, hard case")
    hand.tap("label", "Our own outdoor sensor")
    return hand.read("#client-pdf", r"The sheet as PDF")


def calibrate(hand: Hand) -> str:
    hand.go("Sensors")
    hand.tap("a.sensor")
    hand.tap("button[data-do=seal]")
    said = hand.read("main", r"[^\n]*(jar|Sealed)[^\n]*")[:90]
    hand.page.wait_for_timeout(STRAY_MS)
    hand.page.reload()
    give_up = hand.page.locator("button[data-do=abandon]").first
    give_up.wait_for(timeout=PATIENCE_MS)
    for _ in range(2 if give_up.get_attribute("data-sure") else 1):
        hand.page.wait_for_timeout(1_500)
        give_up.click()
    return said


def alert(hand: Hand) -> str:
    hand.go("Alerts")
    hand.tap("button[data-do=acknowledge]")
    return hand.read("main", r"Acknowledged[^\n]*")[:90]


JOBS: dict[str, Callable[[Hand], str]] = {
    "open a clamp-up, its ready time": open_wait,
    "release a wait": release,
    "why it takes longer": why_longer,
    "ready by tomorrow 9:00": ready_by_nine,
    "last night's low": last_night,
    "the snap and the litres": snap_and_litres,
    "is the cello safe to close": cello_safe,
    "a client's sheet": client_sheet,
    "start a calibration": calibrate,
    "acknowledge an alert": alert,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--board", help="link that may change things; else a demo is started")
    parser.add_argument("--quick", action="store_true", help="the phone only; nothing is learned")
    given = parser.parse_args()
    own = contextlib.nullcontext(given.board) if given.board else demo(learns=not given.quick)
    with own as link:
        for screen in ("phone",) if given.quick else ("phone", "wall"):
            measure(link, screen)


def measure(link: str, screen: str) -> None:
    """Print taps and seconds of each job."""
    from playwright.sync_api import sync_playwright

    board = link.rstrip("/").partition("/open/")[0]
    width, height = SCREENS[screen]
    program = shutil.which("chromium-headless-shell") or shutil.which("chromium")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program, args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": width, "height": height}, locale="en-GB")
        context.request.get(link)
        page = context.new_page()
        for name, job in JOBS.items():
            if job is not release:
                page.goto(board)
            page.wait_for_function("!!window.boardNow")
            hand, began = Hand(page), time.monotonic()
            answer = job(hand)
            print(
                f"{screen} | {name} | {hand.taps} taps | {time.monotonic() - began:.1f} s | {answer}"
            )
        browser.close()


if __name__ == "__main__":
    main()
