"""Marks, bars and plots on paper, printed by a real Chromium without its background graphics. What
no page prints is proved in `test_board_browser_text.py`."""

from __future__ import annotations

import re
import zlib

import browser_fixtures as browser
import pytest

pytestmark = browser.pytestmark

ECONOMY = "*, *::before, *::after { print-color-adjust: economy !important; }"


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


@pytest.mark.parametrize("path", ["/", "/bench"])
def test_marks_and_bars_print_without_background_graphics(full, visit, path):
    page = browser.opened(visit("wall"), full, path)
    with_marks = painted(page.pdf(print_background=False))
    page.evaluate(
        "css => { const s = new CSSStyleSheet(); s.replaceSync(css);"
        " document.adoptedStyleSheets = [s]; }",
        ECONOMY,
    )
    without = painted(page.pdf(print_background=False))
    assert with_marks > without


def test_a_plot_prints_dark_on_white_from_the_night_theme(full, visit):
    page = browser.opened(visit("wall", theme="night"), full, "/past")
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
