"""Help in a real Chromium: quiet, within the screen, legible in every theme; search and headings."""

from __future__ import annotations

import browser_fixtures as browser
import pytest
from browser_fixtures import Board, until

pytestmark = browser.pytestmark
chromium, visit, walker = browser.chromium, browser.visit, browser.walker  # fixtures


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    folder = tmp_path_factory.mktemp("help")
    with Board(folder) as made, browser.served(folder, made.port):
        yield made


def test_a_page_of_the_manual_is_quiet_keeps_to_itself_and_fits(board, walker):
    page = walker.anew().page
    page.goto(board.url + "/help/settings")
    page.wait_for_selector("#help-article table")
    assert walker.faults_at(("wall", "desk", "phone"), board) == []
    assert page.locator("header nav a[aria-current]").inner_text() == "Help"


def test_a_search_leads_to_the_heading(board, visit):
    seen = visit("phone")
    page = seen.page
    page.goto(board.url + "/help")
    page.get_by_label("Search the help").fill("magnesium")
    page.get_by_role("link", name="Calibration: Before you begin").click()
    until(page, "document.querySelector('h1').innerText === 'Calibration'")
    top = "document.getElementById('before-you-begin').getBoundingClientRect().top"
    until(page, f"{top} >= 0 && {top} < 200")
    assert seen.logged == []


def test_enter_keeps_the_words_in_the_address(board, visit):
    page = visit("desk").page
    page.goto(board.url + "/help")
    page.get_by_label("Search the help").fill("oily rags")
    page.keyboard.press("Enter")
    page.wait_for_url("**/help?q=oily+rags")
    page.wait_for_selector("#help-found a")
    assert page.locator("#help-found h1").inner_text() == "Found"
