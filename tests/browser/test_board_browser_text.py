"""Every page at every size in a real Chromium: no text is cut off, hidden or under another, no
target is too small for a finger, no accessibility rule is broken, nothing to tap is printed."""

from __future__ import annotations

import re
from pathlib import Path

import browser_fixtures as browser
import pytest

from dashboard.settings.sections import SECTIONS

pytestmark = browser.pytestmark

ROOT = Path(__file__).parents[2]
FINDER = (ROOT / "tests/text_finder.js").read_text(encoding="utf-8")
PHONE, WALL, PAPER = (390, 844), (1920, 1080), (820, 1180)
SIZES = (WALL, (1024, 600), PAPER)
"""With the phone: every rule of the style sheets on a page's width is on at one and off at another."""
MORE_SIZES = {"/": ((1280, 800), (960, 540), (844, 390)), "/bench": ((1280, 800),)}
"""For how the top line breaks, and what fits itself to the screen's height. The wall page is looked
at more closely in `test_board_browser_wall.py`."""
PAGES = (
    "/",
    "/wall",
    "/bench",
    "/bench/wait/1",
    "/bench/glue-now",
    "/bench/glue",
    "/bench/glue/1",
    "/bench/proof",
    "/bench/ready-by",
    "/bench/kinds",
    "/bench/kind/cleat",
    "/bench/finished",
    "/wood",
    "/wood/vn-1",
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
    *(f"/settings/{name}" for name in SECTIONS),
    "/settings/files",
    "/help",
    "/help/settings",
    "/sign-in",
)
REACH = "main .picks label, main select, main .field input, .sections a"
"""Targets of a thumb beside those of every page."""
TAPPED_FIRST = {"/bench": ("#bench-more-kinds summary", "[data-choose=spirit-coat]")}
"""What is tapped on the phone before the page is looked at by the rules."""
OPTION = ".dash-options-list-option:not(.selected):visible"
"""What looks different under a pointer."""
TARGETS = """() => [...document.querySelectorAll('a, button, summary, select, textarea, input, label')]
  .filter(e => e.checkVisibility() && !e.closest('.skip, .js-plotly-plot, [aria-hidden=true]'))
  .filter(e => e.matches('label') ? e.querySelector('input') : !e.closest('label'))
  .filter(e => !(e.matches('a') && getComputedStyle(e).display === 'inline'))
  .map(e => [e, e.getBoundingClientRect()])
  .filter(([, b]) => b.height < 43.5 || b.width < 43.5)
  .map(([e, b]) => `${e.localName} ${(e.innerText || e.id).slice(0, 40)} ${b.width} x ${b.height}`)"""
"""Targets that are too small for a finger. Links within a sentence are as high as its line."""


MENUS = """() => {
  const boxes = at => [...document.querySelectorAll(at)].map(e => [e, e.getBoundingClientRect()]);
  const found = boxes("header a, .steps-nav a")
    .filter(([, b]) => Math.min(b.width, b.height) < 44).map(([e]) => `small: ${e.innerText}`);
  if (boxes("header.top")[0][1].height > 100) found.push("the top line is too high");
  if (new Set(boxes("header a").map(([e]) => Math.round(e.offsetTop))).size > 1)
    found.push("the menu takes more than one row");
  if (boxes(".steps-nav").some(([, b]) => b.height >= 60)) found.push("the steps' menu is too high");
  return found; }"""
"""The menus of the phone take little, and each entry is for a thumb."""
HERE = """[...document.querySelectorAll("header nav [aria-current]")].map(e => e.getBoundingClientRect())
  .filter(b => b.left >= 0 && b.right <= innerWidth).length === 1"""
"""Of the menu's entries, that of the page is in sight."""
NOWHERE = ("/wall", "/guide", "/sign-in")
"""Pages without an entry."""
ALONE = ("/wall", "/sign-in")
"""Pages that are documents of their own: no page leads to another without loading it."""
PRINTED = """() => [
  ...[...document.querySelectorAll("button, nav, .tap, summary, .theme, [role='button']")]
    .filter(e => e.checkVisibility()).map(e => `printed: ${e.outerHTML.slice(0, 80)}`),
  ...(document.querySelector("main").innerText.trim() ? [] : ["nothing is printed"]),
  ...[["backgroundColor", "rgb(255, 255, 255)"], ["overflowY", "visible"]]
    .filter(([name, value]) => getComputedStyle(document.body)[name] !== value)
    .map(([name]) => `on paper: ${name}`)]"""
"""What a page that is printed should not have: things to tap, a dark ground, an end at one sheet."""


@pytest.fixture(scope="module")
def reader(full, chromium):
    """One visitor of all pages: a page that is loaded anew costs three times as much."""
    seen = browser.Visit(chromium, "phone", theme="night")
    browser.let_change(seen.context, full.url, full.settings.data)
    yield seen
    seen.context.close()


def go(seen, full, path):
    """To a page, from the one before where that is possible."""
    seen.begin("phone")
    page = seen.page
    page.emulate_media(media="screen")
    if path in ALONE or page.url == "about:blank" or page.url.endswith(ALONE):
        page.goto(full.url + path)
        browser.until(page, "document.querySelector('main')?.innerText.trim()")
    else:
        seen.go_on(path)
    seen.settled()
    assert page.url.partition("?")[0] == full.url + path
    return page


@pytest.mark.parametrize("path", PAGES)
def test_a_page_has_no_faults_at_any_size_nor_on_paper(full, reader, path):
    """Words, targets, keys, menus, rules, quiet; in the night's theme, all folds open."""
    seen, found = reader, []
    page = go(seen, full, path)
    assert "There is nothing here" not in page.locator("main").inner_text()
    assert page.evaluate("document.fonts.check('600 20px \"Atkinson Hyperlegible Next\"')")
    if path not in NOWHERE:
        browser.until(page, HERE)
    if path != "/wall":
        found += page.evaluate(MENUS)
        assert skips_the_menu(page)
    for size in (PHONE, *MORE_SIZES.get(path, ()), *SIZES):
        seen.resize(size)
        lines = page.evaluate(FINDER)
        if path != "/wall":
            lines += page.evaluate(TARGETS)
        if size == PHONE:
            for selector in TAPPED_FIRST.get(path, ()):
                page.locator(selector).click()
            page.mouse.move(0, 0)
            if page.locator(OPTION).count():
                page.locator(OPTION).first.hover()
            lines += seen.faults(full, REACH)
        elif size == WALL and path in ("/", "/wall"):  # made for it
            lines += seen.inaccessible()
        found += [(size, line) for line in lines]
    page.emulate_media(media="print")
    found += page.evaluate(PRINTED)
    assert not found, "\n".join(map(str, found))
    assert seen.logged == []


def test_each_rule_on_the_width_is_on_at_one_size_and_off_at_another():
    """A new rule may need another size."""
    bounds = re.compile(r"\((min|max)-width: (\d+)px\)")
    rules = {
        tuple(bounds.findall(line))
        for sheet in (ROOT / "dashboard/assets").glob("*.css")
        for line in re.findall(r"@media ([^{]*)", sheet.read_text(encoding="utf-8"))
    } - {()}
    assert len(rules) > 10
    for rule in rules:
        found = {
            all(width >= int(px) if end == "min" else width <= int(px) for end, px in rule)
            for width, _ in (PHONE, *SIZES)
        }
        assert found == {True, False}, rule


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


def test_the_finder_finds_what_is_wrong_and_nothing_else(visit):
    page = visit().page
    page.goto("about:blank")  # which has no content policy
    page.set_viewport_size({"width": 400, "height": 500})
    page.set_content(BROKEN)
    found = sorted(line.partition(":")[0] for line in page.evaluate(FINDER))
    assert found == ["before the page", *3 * ["cut by P"], "one upon the other"]
