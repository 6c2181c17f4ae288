"""A real Chromium for the tests of the board: boards that are served, visits, and what every page
must keep to."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import shutil
import signal
import ssl
import threading
import time
import urllib.request
from collections.abc import Iterable
from pathlib import Path

import dashboard_fixtures as shop_air
import pytest
from conftest import free_port
from process_host import forked

from monitor.people.board_keys import make_board_keys, open_code
from monitor.store import Writer
from monitor.store.secret_files import FolderFiles

SHELL = "chromium-headless-shell"
"""The same engine without what draws a browser's windows: a page costs a third less processor time."""
CHROMIUM = next(filter(None, map(shutil.which, (SHELL, "chromium", "chromium-browser"))), None)
ROOT = Path(__file__).parent.parent
AXE = ROOT / "tests/vendor/axe.min.js"
DAY = 86_400_000
SIZES = {"wall": (1920, 1080), "desk": (1280, 800), "tall": (1080, 1920), "phone": (390, 844)}
RULES = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]
RUN = """async rules => {
  const told = await axe.run(document, {runOnly: rules, resultTypes: ["violations"], selectors: false});
  return [told.violations, told.passes.length]; }"""
"""Run axe. To describe all that is right, and paths to it, would take as long as the looking."""
TAPS = ("main button", "main .tap", "main summary", "main nav a")
SMALL = """taps => [...document.querySelectorAll(taps)].filter(e => e.offsetParent)
  .map(e => [e.innerText || e.name, e.getBoundingClientRect()])
  .filter(([, b]) => b.height < 48 || b.width < 40)
  .map(([t, b]) => `small: ${t} ${b.width} x ${b.height}`)"""

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium: apt-get install chromium"),
    pytest.mark.skipif(
        importlib.util.find_spec("playwright") is None,
        reason="no playwright: pip install playwright",
    ),
]


BOARD = """import sys; from dashboard import __main__ as board
board.PATIENCE = 0; sys.exit(board.main())"""
"""`python -m dashboard` at the tests' own priority: behind other work it would hardly ever run."""


@contextlib.contextmanager
def served(
    folder: Path, port: int, *, before: str = "", tls: ssl.SSLContext | None = None, log=None
):
    """The board as a process of its own, split off from one that has its modules loaded; it must end
    by itself on SIGTERM.

    `before`: statements run first; `tls`: a client's trust in its certificate; `log`: a file.
    """
    with Path(os.devnull).open("w") as nowhere:
        arguments = ["dashboard", "--data", str(folder)]
        child = forked(f"{before}\n{BOARD}", arguments, dict(os.environ), log or nowhere)
    url = f"http{'s' if tls else ''}://127.0.0.1:{port}/here"
    try:
        until = time.monotonic() + 60
        while True:
            with contextlib.suppress(OSError):
                urllib.request.urlopen(url, timeout=2, context=tls).close()
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


def until(page, expression: str, seconds: float = 30.0) -> object:
    """Wait until an expression holds; the content policy forbids the page's own waiting. Returns its
    value: asked for again, it may be another, for the page may have been drawn anew."""
    end = time.monotonic() + seconds
    while not (found := _answer(page, expression)):
        assert time.monotonic() < end, expression
        page.wait_for_timeout(100)
    return found


ON_ITS_WAY = ("context was destroyed", "of null")
"""Errors of an expression while the page goes to another, or before what it names is there."""


def _answer(page, expression: str) -> object:
    from playwright.sync_api import Error

    try:
        return page.evaluate(expression)
    except Error as exc:
        if not any(words in str(exc) for words in ON_ITS_WAY):
            raise
        return False


def holds(page, field: str, value: str) -> None:
    """Wait until a field holds a value: what a page fills in, it draws a moment later."""
    until(page, f"document.getElementById({field!r})?.value === {value!r}")


class Board:
    """A running board with its store; a thread keeps its heartbeat fresh."""

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


@contextlib.contextmanager
def launched(driver, program):
    """The browser, started without windows."""
    browser = driver.chromium.launch(
        executable_path=program,
        args=[
            *([] if program == CHROMIUM else ["--headless=new"]),
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-quic",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--host-resolver-rules=MAP *.test 127.0.0.1",
        ],
    )
    yield browser
    browser.close()


REDRAWN_MS = 450
"""A plot is drawn anew 0.4 s after the last change of its page's size."""
ASKED_MS = 5000
"""A question stands so long on its button."""
TIME = f"""{{
  const real = performance.now.bind(performance), wait = setTimeout.bind(window);
  let later = 0, held = [];
  performance.now = () => real() + later;
  window.setTimeout = (act, ms, ...more) => {{
    if (ms !== {ASKED_MS}) return wait(act, ms, ...more);
    held.push({{ act, at: later + ms }});
  }};
  window.letPass = ms => {{
    later += ms;
    const due = held.filter(one => one.at <= later);
    held = held.filter(one => one.at > later);
    for (const one of due) one.act();
  }}; }}"""
"""Lets the time pass in which the board takes a tap for a stray one, and in which a question stands:
on a busy machine that would be over before it is answered."""


GO = """path => {
  history.pushState({}, "", path);
  dispatchEvent(new PopStateEvent("popstate"));
  const start = document.body.insertBefore(document.createElement("span"), document.body.firstChild);
  start.tabIndex = -1; start.focus(); start.remove(); scrollTo(0, 0); }"""
"""To another page as by the key Back, and with the keyboard to its beginning, as if it were loaded."""

PAUSE_MS = """() => {
  if (!window.store) return 200;
  const {appLifecycle, callbacks: {stored, completed, ...open}} = window.store.getState();
  return appLifecycle === "HYDRATED" && !Object.values(open).some(one => one.length) && 50; }"""
"""For how long a page must ask for nothing to be at rest; false while a callback of Dash waits, runs or
brings something. A page that is not Dash's does not say, so it is given longer."""
DRAWN = """new Promise(done => requestAnimationFrame(() => requestAnimationFrame(
  () => requestIdleCallback(() => done(true)))))"""


class Visit:
    """A page open in the browser, with what it logged and asked for."""

    def __init__(self, chromium, size="wall", theme="auto", **context) -> None:
        width, height = SIZES[size]
        self.context = chromium.new_context(
            **{"viewport": {"width": width, "height": height}, "locale": "en-US"} | context
        )
        self.context.add_init_script(f"localStorage.setItem('benchweather.theme', '{theme}')")
        self.context.add_init_script(TIME)
        self.page = self.context.new_page()
        self.logged: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.logged.append(message.text))
        self.page.on("pageerror", lambda error: self.logged.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self._open: set[object] = set()
        self.page.on("request", lambda request: self._open.add(request))
        self.page.on("requestfinished", lambda request: self._open.discard(request))
        self.page.on("requestfailed", lambda request: self._open.discard(request))

    def go_on(self, path: str) -> None:
        """From a page to another without loading it, until the first of its content has come."""
        asked = f'"value":"{path}"'
        with self.page.expect_response(lambda one: asked in (one.request.post_data or "")):
            self.page.evaluate(GO, path)

    def settled(self) -> None:
        """Wait until nothing is asked for any more, and what came is drawn.

        What a busy page draws can ask for more, so it is looked again after the drawing.
        """
        end = time.monotonic() + 60
        while True:
            asked, pause_ms = len(self.asked), not self._open and _answer(self.page, PAUSE_MS)
            self.page.wait_for_timeout(pause_ms or 50)
            quiet = pause_ms and asked == len(self.asked) and _answer(self.page, DRAWN)
            if quiet and _answer(self.page, PAUSE_MS) and asked == len(self.asked):
                return
            assert time.monotonic() < end, [request.url for request in self._open]

    def drawn(self) -> None:
        """Wait until the page is drawn as it is now, and has nothing more to do."""
        self.page.evaluate(DRAWN)

    def rest(self) -> None:
        """As a hand does between two taps: what the last one brought is there, time has passed."""
        self.settled()
        self.let_pass()

    def let_pass(self, ms: int = 2000) -> None:
        """Let the time pass in which a second tap would be a stray one."""
        self.page.evaluate("ms => letPass(ms)", ms)

    def begin(self, size: str) -> None:
        """Nothing logged or asked for yet, at this size."""
        self.logged.clear()
        self.asked.clear()
        width, height = SIZES[size]
        self.page.set_viewport_size({"width": width, "height": height})

    def forget(self) -> None:
        """Keep nothing of the boards that were visited but their scripts and pictures."""
        from playwright.sync_api import Error

        self.context.set_offline(False)
        self.page.emulate_media(media="null")
        line = self.context.new_cdp_session(self.page)
        for site in {"/".join(url.split("/")[:3]) for url in self.asked if url.startswith("http")}:
            with contextlib.suppress(Error):  # it has ended
                self.page.goto(f"{site}/here")  # a short answer, by the same process
                # The protocol's clearing alone can come before what a busy page wrote last.
                self.page.evaluate("localStorage.clear(); sessionStorage.clear()")
            line.send("Storage.clearDataForOrigin", {"origin": site, "storageTypes": "all"})
        line.detach()
        self.context.clear_cookies()

    def resize(self, size: str | tuple[int, int]) -> None:
        """Give the page another size, and wait until its plots are drawn anew."""
        width, height = SIZES[size] if isinstance(size, str) else size
        self.page.set_viewport_size({"width": width, "height": height})
        self.drawn()
        if self.page.locator(".js-plotly-plot").count():  # by the page's clock, which may be late
            self.page.evaluate(f"new Promise(done => setTimeout(done, {REDRAWN_MS}))")
            self.settled()
        if self._open:  # such as a font that no text had before
            self.settled()

    def faults_at(self, sizes: Iterable[str], board, reach: str = "") -> list[object]:
        """`faults` of the page at each of these sizes."""
        found = []
        for size in sizes:
            self.resize(size)
            found += [(size, fault) for fault in self.faults(board, reach)]
        return found

    def faults(self, board, reach: str = "") -> list[object]:
        """All that is wrong with the page as it stands, of what every page must keep to.

        Quiet (nothing logged, no other host asked for), within the screen, as the accessibility
        rules have it, all folds open, and on the phone each tap wide and high enough for a thumb:
        buttons, links that are taps, and what `reach` selects. The folds are left open.
        """
        page, found = self.page, [("logged", line) for line in self.logged]
        own = (board.url, "data:", "blob:")
        found += [("asked", url) for url in self.asked if not url.startswith(own)]
        page.evaluate(
            "for (const fold of document.querySelectorAll('main details')) fold.open = true"
        )
        if page.evaluate("document.documentElement.scrollWidth > window.innerWidth"):
            found.append("wider than the screen")
        if page.viewport_size["width"] < 600:
            found += page.evaluate(SMALL, ", ".join([*TAPS, *filter(None, [reach])]))
        return found + self.inaccessible()

    def inaccessible(self) -> list[object]:
        """What axe finds by all its rules: on the phone in the dark theme, else in the page's own.

        That every theme has enough contrast follows from the tokens: `test_dashboard_contrast`.
        """
        page = self.page
        if not page.evaluate("'axe' in window"):
            page.evaluate(AXE.read_text(encoding="utf-8"))
        kept = page.evaluate("document.documentElement.dataset.theme")
        theme = "night" if page.viewport_size["width"] < 600 else kept
        if theme != kept:
            page.evaluate(f"boardTheme.apply('{theme}')")
        broken, passed = page.evaluate(RUN, RULES)
        found: list[object] = [
            (theme, v["id"], [f"{n['html'][:160]} {n['failureSummary']}" for n in v["nodes"][:3]])
            for v in broken
        ]
        if passed < 10:
            found.append((theme, "too little was looked at"))
        if theme != kept:
            page.evaluate(f"boardTheme.apply('{kept}')")
        return found


def tap_twice(seen: Visit, first, again) -> None:
    """Tap a button and the question in its place, which a redraw leaves there."""
    first.tap()
    seen.let_pass()
    again.tap()


def let_change(context, url: str, data: Path) -> None:
    """Open the link that `benchweather board` prints, as the browser of the shop's computer does."""
    code = open_code(make_board_keys(FolderFiles(data)), time.time())
    assert context.request.get(f"{url}/open/{code}").ok


def opened(seen: Visit, board: Board, path: str):
    let_change(seen.context, board.url, board.settings.data)
    seen.page.goto(board.url + path)
    until(seen.page, "document.querySelector('main')?.innerText.trim()")
    seen.settled()
    return seen.page
