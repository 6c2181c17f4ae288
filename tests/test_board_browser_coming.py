"""The air to come in a real Chromium: quiet, within the screen, legible; what if answers."""

from __future__ import annotations

import coming_fixtures
import pytest
import test_board_browser as browser
from test_board_browser import AXE, Board, until
from test_board_browser_climate import AXE_RUN

from monitor.clock import now_ms

pytestmark = browser.pytestmark
chromium, visit = browser.chromium, browser.visit  # fixtures


@pytest.fixture(scope="module")
def ahead(tmp_path_factory):
    """The demo's shop over eight days up to now, and an outlook."""
    folder = tmp_path_factory.mktemp("ahead")
    with Board(folder) as board:
        coming_fixtures.fill(board.settings, board.writer, now_ms())
        coming_fixtures.look(board.settings, now_ms())
        with browser.served(folder, board.port):
            yield board


def opened(seen, board):
    seen.page.goto(board.url + "/coming")
    seen.page.wait_for_selector("#coming-below .sections section")
    seen.page.wait_for_selector("#coming-plot .scatterlayer .trace")
    seen.page.wait_for_timeout(600)
    return seen.page


@pytest.mark.parametrize(
    ("size", "theme"), [("wall", "day"), ("phone", "night"), ("desk", "contrast")]
)
def test_the_page_is_quiet_fits_and_axe_finds_nothing(ahead, visit, size, theme):
    seen = visit(size, theme)
    page = opened(seen, ahead)
    assert seen.logged == []
    assert [url for url in seen.asked if not url.startswith((ahead.url, "data:", "blob:"))] == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert page.locator("header nav a[aria-current]").inner_text() == "Coming"
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(AXE_RUN)
    assert len(found["passes"]) > 10
    assert [
        (v["id"], [n["html"][:160] for n in v["nodes"][:3]]) for v in found["violations"]
    ] == []


def test_what_if_answers_beside_the_outlook_and_refuses_at_the_field(ahead, visit):
    page = opened(visit("wall"), ahead)
    traces = page.locator("#coming-plot .scatterlayer .trace").count()
    page.fill("#if-water", "3")
    until(page, "document.querySelector('#coming-answer').innerText.includes('instead of')")
    until(
        page, f"document.querySelectorAll('#coming-plot .scatterlayer .trace').length > {traces}"
    )
    page.fill("#if-water", "much")
    until(page, "document.querySelector('#if-water-fault').innerText.includes('0 to 40 L')")
    until(
        page, f"document.querySelectorAll('#coming-plot .scatterlayer .trace').length == {traces}"
    )
    page.fill("#if-water", "")
    until(page, "document.querySelector('#if-water-fault').innerText == ''")


def test_another_quantity_is_a_tap_away(ahead, visit):
    page = opened(visit("phone"), ahead)
    page.get_by_label("Temperature").check()
    until(page, "document.querySelector('#coming-words').innerText.startsWith('Temperature')")


@pytest.mark.parametrize(("size", "ribbon"), [("wall", True), ("desk", False), ("phone", True)])
def test_the_wall_has_the_coming_air_and_drops_its_ribbon_where_there_is_no_room(
    ahead, visit, size, ribbon
):
    page = visit(size).open(ahead, "/")
    page.wait_for_selector(".coming-strip .ribbon-said")
    assert page.locator(".coming-strip .ribbon").is_visible() == ribbon
    if size != "phone":
        assert page.evaluate(
            "document.documentElement.scrollHeight <= window.innerHeight"
            " && document.querySelector('.coming-strip').getBoundingClientRect().bottom"
            " <= window.innerHeight + 1"
        )
