"""Pages on paper, printed by a real Chromium without its background graphics."""

from __future__ import annotations

import re
import zlib

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import DAY, Board

from monitor.core.clock import now_ms

pytestmark = browser.pytestmark
chromium, visit = browser.chromium, browser.visit  # fixtures

TAPPED = "button, nav, .tap, summary, .theme, [role='button']"
PAGES = ("/", "/wall", "/bench", "/past", "/sensors", "/alerts", "/help")
ECONOMY = "*, *::before, *::after { print-color-adjust: economy !important; }"


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("print")
    with Board(folder, shop_air.BENCH) as board:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(board.writer, place, now - 2 * DAY, now, 600_000, shift_pct=-16)
        shop_air.full_bench(shop_air.commanded(board.writer, board.settings), now)
        with browser.served(folder, board.port):
            yield board


def painted(paper: bytes) -> int:
    """Number of areas that a PDF fills, from its content streams; letters are not among them."""
    count = 0
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", paper, re.DOTALL):
        try:
            content = zlib.decompress(stream)
        except zlib.error:
            continue
        count += len(re.findall(rb"\bf\*?\s", content))
    return count


@pytest.mark.parametrize("path", PAGES)
def test_nothing_to_tap_is_printed_and_no_text_is_lost(shop, visit, path):
    page = browser.opened(visit("wall", theme="night"), shop, path)
    page.emulate_media(media="print")
    shown = page.evaluate(
        "taps => [...document.querySelectorAll(taps)].filter(e => e.checkVisibility())"
        ".map(e => e.outerHTML.slice(0, 80))",
        TAPPED,
    )
    assert shown == []
    assert page.locator("main").inner_text().strip()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.body).overflowY") == "visible"


@pytest.mark.parametrize("path", ["/", "/bench"])
def test_marks_and_bars_print_without_background_graphics(shop, visit, path):
    page = browser.opened(visit("wall"), shop, path)
    with_marks = painted(page.pdf(print_background=False))
    page.evaluate(
        "css => { const s = new CSSStyleSheet(); s.replaceSync(css);"
        " document.adoptedStyleSheets = [s]; }",
        ECONOMY,
    )
    without = painted(page.pdf(print_background=False))
    assert with_marks > without


def test_a_plot_prints_dark_on_white_from_the_night_theme(shop, visit):
    page = browser.opened(visit("wall", theme="night"), shop, "/past")
    page.wait_for_selector(".scatterlayer .trace")
    page.emulate_media(media="print")
    assert (
        page.locator(".plot")
        .first.evaluate("e => getComputedStyle(e).filter")
        .startswith("invert(1)")
    )
    page.evaluate(
        "window.addEventListener('beforeprint', () => { const svg = document.querySelector('.main-svg');"
        " window.printed = [svg.getAttribute('viewBox'),"
        " svg.getAttribute('width')]; })"
    )
    assert painted(page.pdf(print_background=False)) > 0
    view, width = page.evaluate("window.printed")  # as wide as the paper, not as the screen
    assert view.split()[2] == width == "1240"
    browser.until(page, "!document.querySelector('.main-svg').hasAttribute('viewBox')")
    browser.until(page, "document.querySelector('.main-svg').getAttribute('width') !== '1240'")
