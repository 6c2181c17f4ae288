"""The climate record in a real Chromium: quiet, within the screen, legible in every theme."""

from __future__ import annotations

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import DAY, Board, until

from monitor.core.clock import now_ms

pytestmark = browser.pytestmark
chromium, visit, walker = browser.chromium, browser.visit, browser.walker  # fixtures

PATH = "/past/climate?place=front-bench"


@pytest.fixture(scope="module")
def year(tmp_path_factory):
    """Thirteen months and a day of hourly readings in three places, a damp spell among them."""
    folder = tmp_path_factory.mktemp("climate")
    with Board(folder) as board:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(board.writer, place, now - 397 * DAY, now, 3_600_000)
        shop_air.damp(board.writer, "front-bench", now - 100 * DAY, days=3)
        with browser.served(folder, board.port):
            yield board


def opened(seen, board, path=PATH):
    seen.page.goto(board.url + path)
    seen.page.wait_for_selector("#climate-words .sections section")
    seen.page.wait_for_selector("#climate-plot .scatterlayer .trace")
    seen.settled()
    return seen.page


def test_the_record_is_quiet_keeps_to_itself_and_fits(year, walker):
    page = opened(walker.anew(), year)
    wide = "e => e.scrollWidth > e.clientWidth + 1"
    for size in ("wall", "desk", "phone"):
        assert walker.faults_at([size], year) == []
        cut = page.evaluate(
            f"[...document.querySelectorAll('.climate .scroll, .classes li')].filter({wide}).length"
        )
        assert cut == 0
    assert page.locator("header nav a[aria-current]").inner_text() == "Past"


def test_another_place_and_another_year_are_a_tap_away(year, visit):
    page = opened(visit("phone"), year)
    assert page.get_by_label("Front bench").is_checked()
    words = "document.querySelector('#climate-words').innerText"
    page.get_by_label("Outdoors").check()
    until(page, f"{words}.startsWith('Outdoors.')")
    page.get_by_role("button", name="A year earlier").click()
    until(page, f"/There are 3\\d days of readings/.test({words})")
    page.get_by_role("button", name="Now").click()
    until(page, f"{words}.includes('whole year of results')")


def test_past_leads_to_the_record_and_its_table_comes_as_a_file(year, visit):
    seen = visit("wall")
    page = seen.page
    page.goto(year.url + "/past")
    page.wait_for_selector(".scatterlayer .trace")
    page.get_by_role("link", name="Climate record").click()
    page.wait_for_selector("#climate-words .summary")
    page.get_by_label("Front bench").check()
    page.wait_for_selector("#climate-words .download a")
    with page.expect_download() as got:
        page.locator("#climate-words .download a").click()
    text = got.value.path().read_text(encoding="utf-8")
    assert text.startswith("from_utc,to_utc,")
    assert text.count("\n") > 10


@pytest.mark.parametrize("size", ["wall", "phone"])
def test_the_psychrometric_chart_is_quiet_and_follows_its_place_and_span(year, visit, size):
    seen = visit(size)
    page = seen.page
    page.goto(year.url + "/past/psychrometric?place=front-bench")
    page.wait_for_selector("#psychrometric-plot .scatterlayer .trace")
    words = "document.querySelector('#psychrometric-words').innerText"
    until(page, f"{words}.startsWith('Front bench: ')")
    seen.settled()
    assert seen.faults(year) == []
    day = page.evaluate(words)
    page.get_by_label("Month").check()
    until(page, f"{words}.startsWith('Front bench: ') && {words} !== {day!r}")
    page.get_by_label("Outdoors").check()
    until(page, f"{words}.startsWith('Outdoors: ')")
    page.get_by_role("button", name="Earlier").click()
    until(page, "document.querySelectorAll('#psychrometric-plot .scatterlayer .trace').length > 9")
    assert seen.logged == []
