"""Every page at every size in a real Chromium: no text is cut off, hidden or under another,
no target is too small for a finger."""

from __future__ import annotations

from pathlib import Path

import alert_fixtures
import browser_fixtures as browser
import coming_fixtures
import dashboard_fixtures as shop_air
import pytest
import wood_fixtures
from browser_fixtures import Board

from monitor.core.clock import now_ms
from monitor.core.measurements import Refusal

pytestmark = browser.pytestmark
chromium, walker = browser.chromium, browser.walker  # fixtures

FINDER = (Path(__file__).parents[1] / "text_finder.js").read_text(encoding="utf-8")
SIZES = ((1920, 1080), (1280, 800), (1024, 600), (960, 540), (820, 1180), (844, 390), (390, 844))
HOUR, DAY = 3_600_000, 86_400_000
PAGES = (
    "/",
    "/wall",
    "/bench",
    "/bench/wait/1",
    "/bench/glue-now",
    "/bench/glue",
    "/bench/proof",
    "/bench/ready-by",
    "/bench/kinds",
    "/bench/kind/cleat",
    "/bench/finished",
    "/wood",
    "/wood/1",
    "/wood/new",
    "/wood/left",
    "/coming",
    "/plan",
    "/plan/1",
    "/plan/what-if",
    "/plan/stock",
    "/alerts",
    "/alerts/1",
    "/alerts/phones",
    "/alerts/rules",
    "/alerts/rule/very-dry",
    "/past",
    "/past/compare",
    "/past/calendar",
    "/past/psychrometric",
    "/past/emc",
    "/past/climate",
    "/clients",
    "/sensors",
    "/sensors/front-bench/p-1",
    "/sensors/read",
    "/guide",
    "/settings",
    "/settings/shop",
    "/settings/places",
    "/settings/notices",
    "/settings/network",
    "/settings/files",
    "/help",
    "/help/limits",
    "/sign-in",
)


def full_shop(board: Board) -> None:
    """An outlook, alerts, a full bench, instruments and a rejected message."""
    settings, writer, now = board.settings, board.writer, now_ms()
    coming_fixtures.fill(settings, writer, now)
    shop_air.fill(writer, "varnish-room", now - 3 * DAY, now, 120_000)
    shop_air.damp(writer, "cellar", now)
    commands = alert_fixtures.commanded(writer, settings)
    shop_air.full_bench(commands, now)
    wood_fixtures.register_guests(commands)
    writer.write([], refusals=[Refusal(now, "shop/" + "long-topic/" * 8, b"{" * 90, 90, "no")])
    alert_fixtures.run_cycles(settings, writer, now - HOUR, now, HOUR // 2)
    coming_fixtures.look(settings, now)
    taken = {"about": "repair", "do": "take in", "instrument": "VA-2 viola"}
    commands.carry_out(taken | {"template": "top-cracks", "promised_ms": now + 9 * DAY}, now)
    shop_air.keep_plan(settings, now)


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    folder = tmp_path_factory.mktemp("full")
    with Board(folder, alert_fixtures.CONFIG) as board:
        full_shop(board)
        with browser.served(folder, board.port):
            yield board


TARGETS = """() => [...document.querySelectorAll('a, button, summary, select, textarea, input, label')]
  .filter(e => e.checkVisibility() && !e.closest('.skip, .js-plotly-plot, [aria-hidden=true]'))
  .filter(e => e.matches('label') ? e.querySelector('input') : !e.closest('label'))
  .filter(e => !(e.matches('a') && getComputedStyle(e).display === 'inline'))
  .map(e => [e, e.getBoundingClientRect()])
  .filter(([, b]) => b.height < 43.5 || b.width < 43.5)
  .map(([e, b]) => `${e.localName} ${(e.innerText || e.id).slice(0, 40)} ${b.width} x ${b.height}`)"""
"""Targets that are too small for a finger. Links within a sentence are as high as its line."""


@pytest.mark.parametrize("path", PAGES)
def test_a_page_shows_all_its_words_and_can_be_tapped_and_left_by_keys_at_every_size(
    full, walker, path
):
    page, found = browser.opened(walker.anew(), full, path), []
    assert "There is nothing here" not in page.locator("main").inner_text()
    if path != "/wall":
        assert skips_the_menu(page)
    plotted = page.locator(".js-plotly-plot").count() > 0
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        if plotted:
            page.wait_for_timeout(browser.REDRAWN_MS)
        walker.settled()
        lines = page.evaluate(FINDER)
        if path != "/wall":
            lines += page.evaluate(TARGETS)
        found += [f"{width}x{height} {line}" for line in lines]
    assert not found, "\n".join(found)
    assert walker.logged == []


def skips_the_menu(page) -> bool:
    """Whether two keys lead past the menus of a page."""
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip the menu"
    page.keyboard.press("Enter")
    return page.evaluate(
        "!!document.activeElement.closest('main')"
        " && !document.activeElement.matches('.steps-nav, .steps-nav *')"
    )


BROKEN = """<style>p, b { font: 20px/1.2 sans-serif; margin: 0 } #cut { width: 60px; overflow: hidden;
 white-space: nowrap } #low { height: 10px; overflow: hidden } .on { position: absolute; top: 200px;
 left: 0 } #out { position: absolute; left: -300px; top: 300px } #fine { width: 60px; overflow: auto;
 white-space: nowrap } #aloud { position: absolute; width: 1px; height: 1px; overflow: hidden;
 clip-path: inset(50%) }</style><p id=cut>much too long for it</p><p id=low>one line<br>two lines</p>
<b class=on>below</b><b class=on>upon it</b><p id=out>outside</p><p id=fine>this can be scrolled to</p>
<p id=aloud>for readers aloud</p>"""


def test_the_finder_finds_what_is_wrong_and_nothing_else(chromium):
    page = chromium.new_page(viewport={"width": 400, "height": 500})
    page.set_content(BROKEN)
    found = sorted(line.partition(":")[0] for line in page.evaluate(FINDER))
    page.close()
    assert found == ["before the page", *3 * ["cut by P"], "one upon the other"]
