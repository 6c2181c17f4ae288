"""The board in a real Chromium, served as the service serves it: what nothing else can show."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path

import dashboard_fixtures as shop_air
import pytest
from conftest import free_port

from monitor.clock import now_ms
from monitor.records import Quantity, Reading, Refusal, Series
from monitor.store import Writer

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ROOT = Path(__file__).parent.parent
AXE = ROOT / "tests/vendor/axe.min.js"
DAY = 86_400_000
SIZES = {"wall": (1920, 1080), "desk": (1280, 800), "tall": (1080, 1920), "phone": (390, 844)}
PAGES = ("/", "/past", "/probes")
READY = {"/": ".place", "/past": ".scatterlayer .trace", "/probes": "tbody tr"}
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

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium: apt-get install chromium"),
    pytest.mark.skipif(
        importlib.util.find_spec("playwright") is None,
        reason="no playwright: pip install playwright",
    ),
]


@contextlib.contextmanager
def served(folder: Path, port: int):
    """The board as a process of its own; it must end by itself on SIGTERM."""
    child = subprocess.Popen(
        [sys.executable, "-m", "dashboard", "--data", str(folder)],
        cwd=ROOT,
        stderr=subprocess.DEVNULL,
    )
    try:
        until = time.monotonic() + 60
        while True:
            with contextlib.suppress(OSError):
                urllib.request.urlopen(f"http://127.0.0.1:{port}/here", timeout=2).close()
                break
            assert child.poll() is None
            assert time.monotonic() < until
            time.sleep(0.05)
        yield child
    finally:
        if child.poll() is None:
            child.send_signal(signal.SIGTERM)
        code = child.wait(30)
    assert code == 0


def until(page, expression: str, seconds: float = 30.0) -> None:
    """Wait until an expression holds; the content policy forbids the page's own waiting."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, expression
        page.wait_for_timeout(50)


class Board:
    """A running board with its store; a thread keeps its pulse beating."""

    def __init__(self, folder: Path, config: str = shop_air.CONFIG) -> None:
        self.port = free_port()
        self.settings = shop_air.settings_in(folder, port=self.port, config=config)
        self.writer = Writer(self.settings.store_path)
        self.url = f"http://127.0.0.1:{self.port}"
        self._ended = threading.Event()
        self._heart = threading.Thread(target=self._beat)

    def _beat(self) -> None:
        while not self._ended.is_set():
            shop_air.beat(self.settings)
            self._ended.wait(1.0)

    def __enter__(self) -> Board:
        self._heart.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._heart.join()
        self.writer.close()


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


@pytest.fixture(scope="module")
def chromium():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-quic",
                  "--disable-background-networking", "--disable-component-update", "--disable-sync"],
        )  # fmt: skip
        yield browser
        browser.close()


class Visit:
    """A page open in the browser, with what it logged and asked for."""

    def __init__(self, chromium, size="wall", theme="auto", **context) -> None:
        width, height = SIZES[size]
        self.context = chromium.new_context(viewport={"width": width, "height": height}, **context)
        self.context.add_init_script(f"localStorage.setItem('benchweather.theme', '{theme}')")
        self.page = self.context.new_page()
        self.logged: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.logged.append(message.text))
        self.page.on("pageerror", lambda error: self.logged.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))

    def open(self, board: Board, path: str):
        self.page.goto(board.url + path)
        self.page.wait_for_selector(READY[path.split("?")[0]])
        return self.page


@pytest.fixture
def visit(chromium):
    opened: list[Visit] = []

    def make(*args, **kwargs) -> Visit:
        opened.append(Visit(chromium, *args, **kwargs))
        return opened[-1]

    yield make
    for one in opened:
        one.context.close()


@pytest.mark.parametrize("size", ["wall", "phone"])
@pytest.mark.parametrize("path", PAGES)
def test_a_page_opens_with_an_empty_console_and_asks_no_other_host(board, visit, path, size):
    seen = visit(size)
    page = seen.open(board, path)
    page.wait_for_timeout(1500)
    assert seen.logged == []
    assert [url for url in seen.asked if not url.startswith((board.url, "data:", "blob:"))] == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert page.evaluate("document.fonts.check('600 20px \"Atkinson Hyperlegible Next\"')")


@pytest.mark.parametrize("theme", ["day", "night", "contrast"])
@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing_in_any_theme(board, visit, path, theme):
    for size in ("wall", "phone"):
        page = visit(size, theme).open(board, path)
        page.wait_for_timeout(300)
        page.evaluate(AXE.read_text(encoding="utf-8"))
        found = page.evaluate(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21aa', 'wcag22aa', "
            "'best-practice']})"
        )
        faults = [
            (v["id"], [n["html"][:120] for n in v["nodes"][:3]]) for v in found["violations"]
        ]
        assert faults == [], (size, theme)
        assert len(found["passes"]) > 10


@pytest.mark.parametrize("size", ["wall", "desk", "tall"])
@pytest.mark.parametrize("shop", ["board", "five"])
def test_nothing_scrolls_or_is_cut_on_the_wall(request, visit, shop, size):
    page = visit(size).open(request.getfixturevalue(shop), "/")
    page.wait_for_timeout(600)
    cut = page.evaluate("""() => {
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
      return out; }""")
    assert not cut, "\n".join(cut)


@pytest.mark.parametrize("shop", ["board", "five"])
def test_figures_can_be_read_from_three_metres(request, visit, shop):
    page = visit("wall").open(request.getfixturevalue(shop), "/")
    sizes = page.evaluate(
        "[...document.querySelectorAll('.rh .number, .temp .number')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert len(sizes) >= 6
    assert min(sizes) >= 96
    headline = page.evaluate("parseFloat(getComputedStyle(document.querySelector('h1')).fontSize)")
    assert headline >= 48


def test_a_commit_shows_and_ages_grow_by_themselves(board, visit):
    page = visit("wall").open(board, "/")
    page.wait_for_timeout(1500)
    now = now_ms()
    pair = ((Quantity.TEMPERATURE, 23.4), (Quantity.HUMIDITY, 71.0))
    board.writer.write([Reading(Series("front-bench", "fb-1", q), now, v) for q, v in pair])
    page.wait_for_selector("text='71'")
    age = page.locator(".heard").first
    first = json.dumps(age.inner_text())
    until(page, f"document.querySelector('.heard').innerText !== {first}")


def test_the_theme_is_kept_and_follows_the_screen_by_default(board, visit):
    page = visit("wall", color_scheme="dark").open(board, "/")
    theme = "document.documentElement.dataset.theme"
    assert page.evaluate(theme) == "night"
    page.get_by_label("Contrast").check()
    until(page, f"{theme} === 'contrast'")
    assert page.evaluate("localStorage.getItem('benchweather.theme')") == "contrast"


def test_dragging_zooms_to_finer_data_and_a_double_click_goes_back(board, visit):
    page = visit("wall").open(board, "/past")
    page.wait_for_timeout(600)
    shown = page.locator(".shown")
    whole = shown.inner_text()
    box = page.locator(".nsewdrag").first.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.4, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, y, steps=5)
    page.mouse.up()
    until(page, f"document.querySelector('.shown').innerText !== {json.dumps(whole)}")
    assert "zoom=" in page.evaluate("location.search")
    span = page.evaluate(
        "(r => r[1] - r[0])(document.querySelector('.js-plotly-plot').layout.xaxis.range)"
    )
    assert span == pytest.approx(0.2 * DAY, rel=0.05)
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, y)
    until(page, "!location.search.includes('zoom=')")


def test_past_is_worked_by_the_keyboard_alone(board, visit):
    page = visit("wall").open(board, "/past")
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
    page = visit("wall").open(board, "/past?places=outdoors&quantity=dew_point&span=hour")
    assert page.get_by_label("Dew point").is_checked()
    assert "Outdoors, last hour" in page.locator(".summary").inner_text()


def test_what_a_sensor_sent_is_never_markup(board, visit):
    seen = visit("wall")
    page = seen.open(board, "/probes")
    assert "<script>alert(1)</script>" in page.locator("main").inner_text()
    assert page.locator("main script, main img").count() == 0
    assert seen.logged == []


def test_a_lost_board_is_told_and_a_new_one_reloads_the_page(tmp_path, visit):
    with Board(tmp_path) as board:
        now = now_ms()
        shop_air.fill(board.writer, "front-bench", now - DAY, now, 600_000)
        with served(tmp_path, board.port):
            page = visit("wall").open(board, "/")
            page.wait_for_timeout(1500)
            page.evaluate("window.before = true")
        page.wait_for_selector("#lost:not([hidden])")
        assert "The board has lost the service since" in page.locator("#lost").inner_text()
        with served(tmp_path, board.port):
            page.wait_for_event("load", timeout=30_000)
            assert page.evaluate("window.before === undefined")
            page.wait_for_selector(".place")
            assert page.locator("#lost").is_hidden()
