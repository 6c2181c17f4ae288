"""Help in a real Chromium: search, headings, the choice of the light on a phone."""

from __future__ import annotations

import browser_fixtures as browser
from browser_fixtures import until

pytestmark = browser.pytestmark


def test_a_search_leads_to_the_heading(full, visit):
    seen = visit("phone")
    page = seen.page
    page.goto(full.url + "/help")
    page.get_by_label("Search the help").fill("magnesium")
    page.get_by_role("link", name="Calibration: Before you begin").click()
    until(page, "document.querySelector('h1').innerText === 'Calibration'")
    top = "document.getElementById('before-you-begin').getBoundingClientRect().top"
    until(page, f"{top} >= 0 && {top} < 200")
    assert page.locator("header nav a[aria-current]").inner_text() == "Help"
    page.locator(".theme label", has_text="Night").click()
    until(page, "document.documentElement.dataset.theme === 'night'")
    assert seen.logged == []


def test_enter_keeps_the_words_in_the_address(full, visit):
    page = visit("desk").page
    page.goto(full.url + "/help")
    page.get_by_label("Search the help").fill("oily rags")
    page.keyboard.press("Enter")
    page.wait_for_url("**/help?q=oily+rags")
    page.wait_for_selector("#help-found a")
    assert page.locator("#help-found h1").inner_text() == "Found"
