"""Taps and seconds from opening Bench to an open clamp-up whose ready time is on the screen.

`python tests/benchmarks/bench_open_wait.py --board LINK [--screen phone]`: against a board that runs,
with a link that may change things (`benchweather board --demo`). The script reads nothing and thinks
nothing: its seconds are the board's, the taps are the hand's. What it opened, it takes back.
"""

from __future__ import annotations

import argparse
import contextlib
import shutil
import time

from pictures import SCREENS, demo

STRAY_MS = 500
"""A tap sooner than this after another one is taken for a stray one."""
TIME = r"\d\d:\d\d"
SEEN = """() => {
  const seen = element => { const b = element.getBoundingClientRect();
    return element.offsetParent && b.top >= 0 && b.bottom <= innerHeight; };
  const timed = text => /(about|by) .*\\d\\d:\\d\\d|^\\D*\\d\\d:\\d\\d/.test(text);
  const said = document.getElementById('bench-said');
  if (said && seen(said) && timed(said.innerText)) return 'the reply';
  for (const row of document.querySelectorAll('.wait')) {
    const when = row.querySelector('.when');
    if (row.innerText.includes('MARK') && when && seen(when) && timed(when.innerText)) return 'its row';
  }
  return ''; }"""


class Hand:
    """Taps of a hand on a page, counted."""

    def __init__(self, page: object) -> None:
        self.page, self.taps = page, 0

    def tap(self, selector: str) -> None:
        self.page.wait_for_timeout(STRAY_MS)
        self.page.locator(selector).first.click()
        self.taps += 1

    def type(self, selector: str, text: str) -> None:
        self.tap(selector)
        self.page.keyboard.type(text)


def where_its_time_is(page: object, mark: str, seconds: float) -> str:
    """Place on the screen where the time of the marked wait can be read; "" if there is none."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := page.evaluate(SEEN.replace("MARK", mark)):
            return found
        page.wait_for_timeout(50)
    return ""


def opened(page: object, board: str) -> tuple[int, float, str]:
    """Open a plate crack of three clamps on an instrument that is here: taps, seconds, where."""
    hand, began = Hand(page), time.monotonic()
    page.goto(board + "/bench")
    page.wait_for_selector("#bench-places button", state="attached")
    page.wait_for_function("!!window.boardNow")
    reference = page.locator("#open-references option").first.get_attribute("value")
    if not page.locator("#open-instrument").is_visible():
        hand.tap("#bench-more summary")
    recent = f'[data-fill="open-instrument"][data-value="{reference}"]'
    if page.locator(recent).count():
        hand.tap(recent)
    else:
        hand.type("#open-instrument", reference)
    hand.type("#open-clamps", "3")
    hand.tap("[data-choose=plate-crack]")
    hand.tap("#bench-places button")
    page.wait_for_function("document.getElementById('bench-said').innerText.length > 15")
    found = where_its_time_is(page, reference, 3)
    if not found:
        hand.tap(".to-waits")
        found = where_its_time_is(page, reference, 10)
    return hand.taps, time.monotonic() - began, found or "nowhere"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--board", help="link that may change things; else a demo is started")
    parser.add_argument("--quick", action="store_true", help="one round")
    parser.add_argument("--screen", choices=SCREENS, default="phone")
    given = parser.parse_args()
    with contextlib.nullcontext(given.board) if given.board else demo() as link:
        measure(link, given.screen, rounds=1 if given.quick else 3)


def measure(link: str, screen: str, rounds: int) -> None:
    """Print taps and seconds of each round."""
    from playwright.sync_api import sync_playwright

    board = link.rstrip("/").partition("/open/")[0]
    width, height = SCREENS[screen]
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program, args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
        context.request.get(link)
        page = context.new_page()
        for _ in range(rounds):
            taps, seconds, where = opened(page, board)
            print(f"{screen}: {taps} taps, {seconds:.1f} s, read from {where}")
            page.wait_for_timeout(STRAY_MS)
            page.evaluate("window.scrollTo(0, 0)")
            page.locator("#bench-said button", has_text="Undo").click()
            page.wait_for_selector("text=Undone.")
        browser.close()


if __name__ == "__main__":
    main()
