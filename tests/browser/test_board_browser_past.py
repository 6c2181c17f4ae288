"""Views of Past in a real Chromium: nothing jumps, files that open, spans and places by taps."""

from __future__ import annotations

import struct
import zlib

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pypdf
import pytest
from browser_fixtures import DAY, Board, until

from monitor.core.clock import now_ms

pytestmark = browser.pytestmark

VIEWS = ("past", "compare", "calendar", "psychrometric", "emc")
SHIFT_MAX = 0.05
"""Most shift of the layout while a view loads. [-]"""
SHIFTS = """new Promise(done => {
  let sum = 0;
  const seen = new PerformanceObserver(list => {
    for (const one of list.getEntries()) if (!one.hadRecentInput) sum += one.value;
  });
  seen.observe({ type: 'layout-shift', buffered: true });
  setTimeout(() => done(sum), 100);
})"""
INSIDE = """() => [...document.querySelectorAll('.js-plotly-plot')].flatMap(plot => {
  const box = plot.querySelector('.cartesianlayer .plot, .bglayer .bg').getBoundingClientRect();
  const own = plot._fullLayout._size;
  const at = plot.getBoundingClientRect();
  const area = { left: at.left + own.l, right: at.left + own.l + own.w, top: at.top + own.t,
    bottom: at.top + own.t + own.h };
  return [...plot.querySelectorAll('.infolayer .annotation-text, .infolayer .legendtext')]
    .filter(text => !['', '▼', '▲'].includes(text.textContent))
    .filter(text => {
      const b = text.getBoundingClientRect();
      return b.right > area.left + 2 && b.left < area.right - 2 && b.bottom > area.top + 4
        && b.top < area.bottom - 4;
    }).map(text => text.textContent);
})"""
"""Names that lie within a plot, where they could cover a curve."""


@pytest.fixture(scope="module")
def year(tmp_path_factory):
    """Thirteen months and a day of hourly readings in three places, a damp spell among them."""
    folder = tmp_path_factory.mktemp("past")
    with Board(folder, shop_air.BENCH) as board:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(board.writer, place, now - 397 * DAY, now, 3_600_000)
        shop_air.damp(board.writer, "front-bench", now - 100 * DAY, days=3)
        shop_air.full_bench(shop_air.commanded(board.writer, board.settings), now)
        with browser.served(folder, board.port):
            yield board


def png(data: bytes) -> tuple[tuple[int, int], bytes]:
    """Width and height of a PNG, and its filtered rows; each part is checked by its sum."""
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    parts, at = [], 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        (check,) = struct.unpack(">I", data[at + 8 + length : at + 12 + length])
        assert zlib.crc32(kind + body) == check
        parts.append((kind, body))
        at += 12 + length
    assert parts[-1][0] == b"IEND"
    pixels = zlib.decompress(b"".join(body for kind, body in parts if kind == b"IDAT"))
    return struct.unpack(">II", parts[0][1][:8]), pixels


def opened(seen, board, name, query=""):
    path = "/past" if name == "past" else f"/past/{name}"
    seen.page.goto(f"{board.url}{path}{query}")
    seen.page.wait_for_selector(f"#{name}-plot .main-svg .trace, #{name}-plot .barlayer .point")
    until(seen.page, f"document.querySelector('#{name}-words').innerText.length > 20")
    seen.settled()
    return seen.page


@pytest.mark.parametrize("name", VIEWS)
def test_a_view_does_not_jump_as_it_comes_and_names_lie_beside_the_curves(year, visit, name):
    seen = visit("wall")
    query = "?places=front-bench,varnish-room&span=week" if name in ("past", "compare") else ""
    for size in ("wall", "phone"):
        seen.begin(size)
        page = opened(seen, year, name, query)
        assert page.evaluate(INSIDE) == []
        shift = page.evaluate(SHIFTS)
        assert shift <= SHIFT_MAX, (size, shift)
        assert seen.logged == []


def test_last_night_is_one_tap_and_the_address_leads_there_again(year, visit):
    page = opened(visit("phone"), year, "past")
    page.get_by_label("Last night").check()
    words = "(document.querySelector('#past-words') || document.body).innerText"
    until(page, f"{words}.includes('last night') && {words}.includes('Lowest at')")
    until(page, "location.search.includes('span=night')")
    page.reload()
    until(page, f"{words}.includes('last night')")


def test_dates_are_picked_and_kept_on_the_way_to_another_view(year, visit):
    page = opened(visit("wall"), year, "past")
    page.locator(".pick-dates summary").click()
    assert page.locator(".dates .dash-input-container").first.bounding_box()["width"] > 150
    first, last = (
        page.evaluate(f"new Date(boardNow() - {days * DAY}).toISOString().slice(0, 10)")
        for days in (30, 20)
    )
    page.get_by_label("From").fill(first)
    page.get_by_label("To", exact=True).fill(last)
    page.get_by_role("button", name="Show dates").click()
    until(page, "location.search.includes('zoom=')")
    zoom = page.evaluate("new URLSearchParams(location.search).get('zoom')")
    page.get_by_role("link", name="EMC map").click()
    until(page, f"location.pathname === '/past/emc' && location.search.includes('{zoom}')")
    until(page, "document.querySelector('#emc-words')?.innerText.includes('would settle')")
    page.locator(".pick-dates summary").click()
    page.get_by_label("From").fill(last)
    page.get_by_label("To", exact=True).fill(first)
    page.get_by_role("button", name="Show dates").click()
    until(page, "document.querySelector('#emc-dates-fault')?.innerText.includes('before From')")


@pytest.mark.parametrize(("name", "theme"), [("past", "night"), ("calendar", "day")])
def test_the_picture_and_the_page_are_files_that_open(year, visit, name, theme):
    seen = visit("phone", theme)
    page = opened(seen, year, name)
    with page.expect_download() as got:
        page.get_by_role("button", name="Save picture (PNG)").click()
    assert got.value.suggested_filename.startswith("front-bench_")
    assert got.value.suggested_filename.endswith(".png")
    size, pixels = png(got.value.path().read_bytes())
    assert size == (2800, 1600)
    assert pixels[1:4] == b"\xff\xff\xff"  # white, whatever the theme
    assert len(set(pixels)) > 100  # letters and curves
    with page.expect_download() as got:
        page.get_by_role("button", name="Save page (PDF)").click()
    sheet, *_ = pypdf.PdfReader(got.value.path()).pages
    text = sheet.extract_text()
    assert text.startswith("Front bench: ")
    assert "Front bench, " in text
    assert seen.logged == []


# The climate record and the psychrometric chart


def opened_record(seen, board):
    seen.page.goto(board.url + "/past/climate?place=front-bench")
    seen.page.wait_for_selector("#climate-words .sections section")
    seen.page.wait_for_selector("#climate-plot .scatterlayer .trace")
    seen.settled()
    return seen.page


def test_the_record_of_a_year_fits_and_another_place_and_year_are_a_tap_away(year, visit):
    seen = visit("wall")
    page = opened_record(seen, year)
    wide = "e => e.scrollWidth > e.clientWidth + 1"
    for size in ("wall", "desk", "phone"):
        seen.resize(size)
        cut = page.evaluate(
            f"[...document.querySelectorAll('.climate .scroll, .classes li')].filter({wide}).length"
        )
        assert cut == 0, size
    assert seen.faults(year) == []  # with a year's tables and a damp spell
    assert page.locator("header nav a[aria-current]").inner_text() == "Past"
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


def test_the_psychrometric_chart_is_quiet_and_follows_its_place_and_span(year, visit):
    seen = visit("phone")
    page = seen.page
    page.goto(year.url + "/past/psychrometric?place=front-bench")
    page.wait_for_selector("#psychrometric-plot .scatterlayer .trace")
    words = "document.querySelector('#psychrometric-words').innerText"
    until(page, f"{words}.startsWith('Front bench: ')")
    seen.settled()
    day = page.evaluate(words)
    page.get_by_label("Month").check()
    until(page, f"{words}.startsWith('Front bench: ') && {words} !== {day!r}")
    page.get_by_label("Outdoors").check()
    until(page, f"{words}.startsWith('Outdoors: ')")
    page.get_by_role("button", name="Earlier").click()
    until(page, "document.querySelectorAll('#psychrometric-plot .scatterlayer .trace').length > 9")
    assert seen.logged == []
