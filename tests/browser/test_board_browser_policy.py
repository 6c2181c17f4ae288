"""The content policy in a real Chromium: no page of the board breaks it."""

from __future__ import annotations

import browser_fixtures as browser
import dashboard_fixtures as shop_air
import pytest
from browser_fixtures import DAY, Board, served

from monitor.core.clock import now_ms

PAGES = (
    *("/", "/bench", "/bench/finished", "/bench/glue", "/bench/kinds", "/bench/kind/cleat"),
    *("/bench/ready-by", "/bench/wait/WAIT", "/wood", "/wood/left", "/wood/new", "/coming"),
    *("/alerts", "/alerts/rules", "/past", "/past/climate", "/clients", "/sensors"),
    *("/sensors/front-bench/fb-1", "/help", "/help/network", "/sign-in"),
)
NOTE = """document.addEventListener("securitypolicyviolation", event => console.log(
  `policy: ${event.effectiveDirective} ${event.blockedURI} ${event.sourceFile} ${event.sample}`))"""

pytestmark = browser.pytestmark
chromium, visit = browser.chromium, browser.visit  # fixtures


@pytest.fixture(scope="module")
def board(tmp_path_factory):
    folder = tmp_path_factory.mktemp("policy")
    with Board(folder) as board:
        now = now_ms()
        for place in shop_air.PLACES:
            shop_air.fill(board.writer, place, now - 3 * DAY, now, 300_000)
        commands = shop_air.commanded(board.writer, board.settings)
        opened = {"do": "open", "kind": "cleat", "place": "front-bench"}
        (board.wait,) = commands.carry_out(opened, now)["waits"]
        with served(folder, board.port):
            yield board


def test_no_page_breaks_its_policy(board, visit):
    """Pages with their plots, menus and a sheet; then what the policy must stop is stopped."""
    seen, found = visit("desk"), []
    seen.context.add_init_script(NOTE)
    for path in PAGES:
        browser.opened(seen, board, path.replace("WAIT", board.wait))
        found += [(path, line) for line in seen.logged if "policy" in line.lower()]
        seen.logged.clear()
    assert not found
    page = browser.opened(seen, board, "/past")
    page.wait_for_selector(".scatterlayer .trace")
    page.hover(".plot .nsewdrag")
    seen.settled()
    assert not [line for line in seen.logged if "policy" in line.lower()]
    page.evaluate(
        """document.body.insertAdjacentHTML("beforeend",
             "<img src=x onerror='window.broken = 1'><style>body { color: red }</style>");
           const script = document.createElement("script");
           script.textContent = "window.broken = 2";
           document.body.append(script);"""
    )
    seen.settled()
    assert page.evaluate("window.broken") is None
    stopped = " ".join(line for line in seen.logged if line.startswith("policy: "))
    for directive in ("script-src-attr", "script-src-elem", "style-src-elem"):
        assert directive in stopped
