"""The board in a real Chromium, served as the service serves it: what nothing else can show."""

from __future__ import annotations

import json
import time

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import DAY, Board, served, until

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Refusal, Series

READY = {"/": ".place", "/past": ".scatterlayer .trace", "/sensors": "tbody tr"}
FIVE = (
    shop_air.CONFIG
    + """
[[places]]
id = "cellar"
name = "Wood store, cellar"
[[places]]
id = "by-window"
name = "Setup bench by the window"
"""
)

pytestmark = browser.pytestmark


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    folder = tmp_path_factory.mktemp("board")
    with Board(folder) as board:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(board.writer, place, now - 3 * DAY, now, 60_000)
        refused = Refusal(
            now, "a/<img src=x onerror=alert(1)>", b"<script>alert(1)</script>", 25, "no"
        )
        board.writer.write([], refusals=[refused])
        with served(folder, board.port):
            yield board


@pytest.fixture(scope="module")
def five(tmp_path_factory):
    """Five places, one of them silent: the most that fits a wall."""
    folder = tmp_path_factory.mktemp("five")
    with Board(folder, FIVE) as board:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(board.writer, place, now - DAY, now, 60_000, shift_pct=-20)
        rows = [(Quantity.TEMPERATURE, 17.0), (Quantity.HUMIDITY, 83.0)]
        for place, age in (("cellar", 0), ("by-window", 4_000_000)):
            readings = [Reading(Series(place, "p", q), now - age, v) for q, v in rows]
            board.writer.write(readings)
        cold = [
            (Quantity.TEMPERATURE, -4.0),
            (Quantity.HUMIDITY, 78.0),
        ]  # most words: two lines each
        board.writer.write([Reading(Series("outdoors", "out-1", q), now, v) for q, v in cold])
        with served(folder, board.port):
            yield board


def opened(seen, board, path):
    browser.let_change(seen.context, board.url, board.settings.data)
    seen.page.goto(board.url + path)
    seen.page.wait_for_selector(READY[path.split("?")[0]])
    seen.settled()
    return seen.page


CUT = """() => {
  const root = document.documentElement, out = [];
  if (root.scrollHeight > innerHeight || root.scrollWidth > innerWidth) out.push('page');
  for (const row of document.querySelectorAll('.place')) {
    const box = row.getBoundingClientRect();
    if (box.bottom > innerHeight + 1) out.push('row');
    for (const part of row.querySelectorAll('.figure, .what, .meaning'))
      if (part.scrollWidth > part.clientWidth + 1) out.push('wide ' + part.innerText);
    for (const part of row.querySelectorAll('.who, .rh, .temp, .derived, .level, .age')) {
      const own = part.getBoundingClientRect();
      if (own.width && (own.top < box.top - 1 || own.bottom > box.bottom + 1 ||
          own.right > box.right + 1)) out.push(part.className + ' ' + row.innerText.slice(0, 30));
    }
  }
  return out; }"""
TOPS = """() => {
  document.querySelector(".shop").textContent = "Quillon Lane Violin Repair ".repeat(3);
  if (!document.querySelector(".demo")) {
    const demo = document.createElement("span");
    demo.className = "demo";
    demo.textContent = "DEMO: all data is invented";
    document.querySelector(".theme").before(demo);
  }
  return [".shop", ".demo", ".clock"].map((one) => {
    const box = document.querySelector(one).getBoundingClientRect();
    return (box.top + box.bottom) / 2;
  });
}"""
"""Middles of what stands in the top line, beside a long name."""


@pytest.mark.parametrize("shop", ["board", "five"])
def test_air_fits_each_screen_can_be_read_from_three_metres_and_keeps_its_lines(
    request, visit, shop
):
    seen = visit("wall")
    page = opened(seen, request.getfixturevalue(shop), "/")
    for size in ("desk", "tall", "wall"):  # nothing scrolls or is cut
        seen.resize(size)
        cut = page.evaluate(CUT)
        assert not cut, (size, cut)
    sizes = page.evaluate(
        "[...document.querySelectorAll('.rh .number, .temp .number')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert len(sizes) >= 6
    assert min(sizes) >= 96
    headline = page.evaluate("parseFloat(getComputedStyle(document.querySelector('h1')).fontSize)")
    assert headline >= 48
    seen.resize("phone")
    rh, temp = (
        page.locator(f".place .{one} .number").first.bounding_box()["y"] for one in ("rh", "temp")
    )
    assert rh == pytest.approx(temp, abs=1), "the two great figures stand on one line"
    for size in ("wall", "desk"):
        seen.resize(size)
        tops = page.evaluate(TOPS)
        assert max(tops) - min(tops) < 5, f"{size}: a long name leaves the top line on one line"


@pytest.mark.parametrize("path", ["/", "/sensors?q=fb&page=1"])
def test_what_a_page_needs_first_is_asked_for_once_before_dash_asks(board, visit, path):
    seen, asked = visit("wall"), []
    seen.page.on("request", lambda request: asked.append(request))
    page = opened(seen, board, path)
    for wanted in ("/_dash-layout", "/_dash-dependencies", "_pages_content"):  # the content last
        found = [one for one in asked if wanted in one.url + (one.post_data or "")]
        assert len(found) == 1, f"{wanted}: what was asked for early is what Dash asks for"
    assert "?" not in found[0].url, "by the board itself: Dash would add a mark of its own"
    assert not page.evaluate("window.boardAsked.length"), "none is left, to be old later"


def test_a_commit_shows_and_ages_grow_by_themselves(board, visit):
    page = opened(visit("wall"), board, "/")
    now = now_ms()
    pair = ((Quantity.TEMPERATURE, 23.4), (Quantity.HUMIDITY, 71.0))
    board.writer.write([Reading(Series("front-bench", "fb-1", q), now, v) for q, v in pair])
    page.wait_for_selector("text='71'")
    age = page.locator(".heard").first
    first = json.dumps(age.inner_text())
    until(page, f"document.querySelector('.heard').innerText !== {first}")


def test_an_answer_that_comes_late_does_not_set_the_clock_back(board, visit):
    page = opened(visit("desk"), board, "/")

    def late(route) -> None:
        answer = route.fetch()
        time.sleep(0.8)
        route.fulfill(response=answer)

    page.route("**/here", late)
    for _ in range(3):  # the page asks again when it has dealt with the answer before
        page.wait_for_event("response", lambda one: one.url.endswith("/here"))
    assert abs(page.evaluate("boardNow() - Date.now()")) < 500
    page.unroute_all(behavior="wait")


def test_the_theme_is_kept_and_follows_the_screen_by_default(board, visit):
    page = opened(visit("wall", color_scheme="dark"), board, "/")
    theme = "document.documentElement.dataset.theme"
    assert page.evaluate(theme) == "night"
    page.get_by_label("Contrast").check()
    until(page, f"{theme} === 'contrast'")
    assert page.evaluate("localStorage.getItem('benchweather.theme')") == "contrast"


def test_dragging_zooms_to_finer_data_and_a_double_click_goes_back(board, visit):
    seen = visit("wall")
    page = opened(seen, board, "/past")
    shown = page.locator(".shown")
    whole = shown.inner_text()
    box = page.locator(".nsewdrag").first.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.4, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, y, steps=5)
    page.mouse.up()
    until(page, f"document.querySelector('.shown').innerText !== {json.dumps(whole)}")
    until(page, "location.search.includes('zoom=')")
    span = page.evaluate(
        "(r => r[1] - r[0])(document.querySelector('.js-plotly-plot').layout.xaxis.range)"
    )
    assert span == pytest.approx(0.2 * DAY, rel=0.05)
    seen.settled()  # a plot drawn anew between the two clicks would take them for single ones
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, y)
    until(page, "!location.search.includes('zoom=')")


def test_past_is_worked_by_the_keyboard_alone(board, visit):
    page = opened(visit("wall"), board, "/past")
    page.get_by_label("Relative humidity").focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Space")
    page.evaluate("dash_clientside.set_props('token', {data: 'new readings'})")
    until(
        page,
        "document.querySelector('.js-plotly-plot').layout.yaxis.title.text.startsWith('Temperature')",
    )
    page.get_by_label("Outdoors").focus()
    page.keyboard.press("Space")
    page.wait_for_selector("text=/^Outdoors, last day/")
    width = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert width == "3px"


def test_an_address_with_a_choice_opens_that_choice(board, visit):
    page = opened(visit("wall"), board, "/past?places=outdoors&quantity=dew_point&span=hour")
    assert page.get_by_label("Dew point").is_checked()
    assert "Outdoors, last hour" in page.locator(".summary").inner_text()


def test_what_a_sensor_sent_is_never_markup(board, visit):
    seen = visit("wall")
    page = opened(seen, board, "/sensors")
    page.evaluate("for (const fold of document.querySelectorAll('main details')) fold.open = true")
    assert "<script>alert(1)</script>" in page.locator("main").inner_text()
    assert page.locator("main script, main img").count() == 0
    assert seen.logged == []
