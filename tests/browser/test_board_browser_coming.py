"""The air to come in a real Chromium: what if answers, questions, and its ribbon on Air."""

from __future__ import annotations

import dataclasses

import browser_fixtures as browser
import coming_fixtures
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import Board, until

from dashboard.coming import wall
from monitor.commands import Commands
from monitor.core.clock import now_ms
from monitor.outlook import files

pytestmark = browser.pytestmark


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
    seen.settled()
    return seen.page


def test_what_if_answers_beside_the_outlook_and_refuses_at_the_field(ahead, visit):
    """The browser of a visit speaks en-US: water is in gallons."""
    page = opened(visit("wall"), ahead)
    traces = page.locator("#coming-plot .scatterlayer .trace").count()
    page.fill("#if-water", "3")
    until(page, "document.querySelector('#coming-answer').innerText.includes('instead of')")
    until(
        page, f"document.querySelectorAll('#coming-plot .scatterlayer .trace').length > {traces}"
    )
    page.fill("#if-water", "much")
    until(page, "document.querySelector('#if-water-fault').innerText.includes('0 to 10.5 gal')")
    until(
        page, f"document.querySelectorAll('#coming-plot .scatterlayer .trace').length == {traces}"
    )
    page.fill("#if-water", "")
    until(page, "document.querySelector('#if-water-fault').innerText == ''")


def test_the_question_about_a_humidifier_is_answered_by_a_tap(ahead, visit):
    """An answer is shown at once and can be changed. The page has no faults meanwhile."""
    place = "front-bench"
    fit = files.fit(ahead.settings, place)
    found = dataclasses.replace(fit, learned=dataclasses.replace(fit.learned, tanks=(True,) * 7))
    files.keep(ahead.settings, found)
    seen = visit("phone")
    browser.let_change(seen.context, ahead.url, ahead.settings.data)
    commands = Commands(ahead.writer, places=lambda: [place])
    with shop_air.command_link(ahead.settings, commands):
        page = opened(seen, ahead)
        page.wait_for_selector(".question")
        assert seen.faults(ahead) == []
        seen.let_pass()
        page.click(".question button:has-text('No humidifier here')")
        page.wait_for_selector("text=There is no humidifier here.")
        assert page.locator(".question").count() == 0
        seen.rest()
        page.click("button:has-text('Yes, there is one')")
        page.wait_for_selector("text=There is a humidifier here.")


def test_another_quantity_is_a_tap_away(ahead, visit):
    page = opened(visit("phone"), ahead)
    assert page.locator("header nav a[aria-current]").inner_text() == "Coming"
    page.get_by_label("Temperature").check()
    until(page, "document.querySelector('#coming-words').innerText.startsWith('Temperature')")


def test_air_has_the_coming_air_with_its_ribbon(ahead, visit):
    seen = visit("wall")
    page = seen.page
    page.goto(ahead.url + "/")
    page.wait_for_selector(".place")
    page.wait_for_selector(".coming-strip .ribbon-said")
    for size in ("wall", "desk", "phone"):
        seen.resize(size)
        lines = page.evaluate(
            "(e => e.offsetHeight / parseFloat(getComputedStyle(e).fontSize))"
            "(document.querySelector('.leaves').parentElement)"
        )
        if lines < 2.2 or size == "phone":  # words in large type on two lines take its room
            assert page.locator(".coming-strip .ribbon").is_visible()
        if size != "phone":
            assert page.evaluate(
                "document.documentElement.scrollHeight <= window.innerHeight"
                " && document.querySelector('.coming-strip').getBoundingClientRect().bottom"
                " <= window.innerHeight + 1"
            )


UPON = """marks => {
  const ribbon = document.querySelector('.ribbon'), area = ribbon.getBoundingClientRect();
  for (const one of ribbon.querySelectorAll('.happens')) one.remove();
  const texts = marks.map(([style, late]) => {
    const one = document.createElement('span');
    Object.assign(one, { className: 'happens', innerHTML: '<span>5 in 10 chance of damp air</span>' });
    Object.assign(one.style, style);
    one.dataset.late = late;
    ribbon.append(one);
    return one.lastChild;
  }).map((one) => one.getBoundingClientRect());
  return texts[0].bottom > texts[1].top + 1 || texts[1].bottom > area.bottom; }"""
WITHIN = """([marks, stretches]) => {
  const ribbon = document.querySelector('.ribbon'), area = ribbon.getBoundingClientRect();
  const out = (name, style, data, inner) => {
    const one = document.createElement('span');
    Object.assign(one, { className: name, innerHTML: inner });
    Object.assign(one.style, style);
    Object.assign(one.dataset, data);
    ribbon.append(one);
    const text = one.lastChild.getBoundingClientRect();
    one.remove();
    return text.left < area.left || text.right > area.right || text.bottom > area.bottom + 3;
  };
  const shape = '<span class="shape" data-state="dry"></span><span>5 in 10 chance of damp air</span>';
  return [...marks.filter(([style, late]) => out('happens', style, { late }, shape)),
    ...stretches.filter(([style, room]) =>
      out('good', style, { for: 'close', room }, '<span>good to close</span>'))]; }"""


def test_the_words_on_the_ribbon_are_within_the_phone_whenever_it_is(ahead, visit):
    seen = visit("phone")
    page = browser.opened(seen, ahead, "/")
    page.wait_for_selector(".ribbon")
    marks = [wall._mark(at, "dry", "") for at in range(0, 101, 5)]
    spans = [(begin, end) for begin in range(0, 101, 10) for end in range(begin, 101, 10)]
    stretches = [[wall._from_to(*one), wall._room(*one)] for one in spans]
    given = [[[one.style, getattr(one, "data-late")] for one in marks], stretches]
    assert page.evaluate(WITHIN, given) == []
    pairs = [[one, other] for one in given[0][::4] for other in given[0][::4]]
    assert [pair for pair in pairs if page.evaluate(UPON, pair)] == []
