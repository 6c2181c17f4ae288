"""One Chromium for all tests of this folder, visitors who are kept from test to test, and a shop
that has something on every page, for looking only."""

from __future__ import annotations

import collections
from collections.abc import Callable, Iterator

import alert_fixtures
import browser_fixtures as browser
import coming_fixtures
import dashboard_fixtures as shop_air
import pytest
import wood_fixtures
from browser_fixtures import DAY, Board, Visit

from monitor.core.clock import now_ms
from monitor.core.measurements import Refusal

HOUR = 3_600_000


@pytest.fixture(scope="package")
def driver() -> Iterator[object]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        yield driver


@pytest.fixture(scope="package")
def chromium(driver) -> Iterator[object]:
    with browser.launched(driver, browser.CHROMIUM) as started:
        yield started


@pytest.fixture(scope="package")
def visitors() -> dict[object, list[Visit]]:
    """Visitors that no test has at present, by their browser and what is special about them."""
    return collections.defaultdict(list)


@pytest.fixture
def visit(chromium, visitors) -> Iterator[Callable[..., Visit]]:
    """Makes visitors. One of an earlier test may come again, who has forgotten all but the scripts:
    a page costs half as much as with a new one."""
    out: list[tuple[object, Visit]] = []

    def make(size: str = "wall", theme: str = "auto", **context: object) -> Visit:
        kind = (chromium, theme, repr(context))
        kept = visitors[kind]
        seen = kept.pop() if kept else Visit(chromium, size, theme, **context)
        seen.begin(size)
        out.append((kind, seen))
        return seen

    yield make
    for kind, seen in out:
        seen.forget()
        visitors[kind].append(seen)


def fill(board: Board) -> None:
    """An outlook, alerts, a full bench and its glue, instruments, a repair and rejected
    messages."""
    settings, writer, now = board.settings, board.writer, now_ms()
    coming_fixtures.fill(settings, writer, now)
    shop_air.fill(writer, "varnish-room", now - 3 * DAY, now, 120_000)
    shop_air.damp(writer, "cellar", now)
    commands = alert_fixtures.commanded(writer, settings)
    shop_air.full_bench(commands, now)
    cleat = {"do": "open", "kind": "cleat", "place": "front-bench", "start_ms": now - 5 * HOUR}
    (old,) = commands.carry_out(cleat, now)["waits"]
    commands.carry_out({"do": "release", "wait": old, "feel": "right"}, now)
    glue = {"about": "glue", "do": "mix", "kind": "hide", "name": "jar A", "strength": "192 g"}
    commands.carry_out(glue, now)
    wood_fixtures.register_guests(commands)
    repair = {"about": "repair", "do": "take in", "instrument": "VA-2 viola"}
    commands.carry_out(repair | {"template": "top-cracks", "promised_ms": now + 9 * DAY}, now)
    odd = Refusal(now, "attic/" + "thing" * 20, b'{"temperature": 21}', 19, "no rule")
    broken = Refusal(now, "shop/" + "long-topic/" * 8, b"{" * 90, 90, "no")
    writer.write([], refusals=[odd, broken])
    alert_fixtures.run_cycles(settings, writer, now - HOUR, now, HOUR)
    coming_fixtures.look(settings, now)
    shop_air.keep_plan(settings, now)


@pytest.fixture(scope="package")
def full(tmp_path_factory) -> Iterator[Board]:
    folder = tmp_path_factory.mktemp("full")
    with Board(folder, alert_fixtures.CONFIG) as board:
        fill(board)
        with browser.served(folder, board.port):
            yield board
