"""The page of several shops in a real Chromium, with shops on a server and one that is away."""

from __future__ import annotations

import contextlib
from pathlib import Path

import browser_fixtures as browser
import dashboard_fixtures as shop_air
from browser_fixtures import Board, opened

from monitor.core.clock import now_ms
from monitor.domain.shop_state import Matter, ShopState
from monitor.store import Writer, shop_states

pytestmark = browser.pytestmark

FINDER = (Path(__file__).parents[1] / "text_finder.js").read_text(encoding="utf-8")
DRY = Matter(urgency=3, label="Front bench", name="Very dry", value=27.0, unit="%", began_ms=0)
NAMES = ("Quay", "Violin, viola, cello and bass repair at the old rope works, Marrowick", "Mill")


def test_shops_of_a_group_can_be_read_and_found_at_every_size(postgresql_server, tmp_path, visit):
    config = shop_air.CONFIG
    for i, name in enumerate(NAMES):
        url, alerts = postgresql_server.address(), {3: 1, 1: 2} if i == 1 else {}
        state = ShopState(
            name=name,
            made_ms=now_ms(),
            places=1 + 3_000 * i,
            waits=12,
            ready=3,
            alerts=alerts,
            matters=(DRY,) if alerts else (),
        )
        with contextlib.closing(Writer(url)) as writer, writer.connection.transaction() as run:
            shop_states.keep(run, state)
        config += (
            f'[[shops]]\nid = "shop-{i}"\nurl = "{url}"\nboard = "https://shop-{i}.invalid"\n'
        )
    config += '[[shops]]\nid = "away"\nurl = "postgresql://board@127.0.0.1:9/none"\n'
    with Board(tmp_path, config) as board, browser.served(tmp_path, board.port):
        seen = visit("desk", locale="en-GB", timezone_id="Europe/Paris")
        page = opened(seen, board, "/shops")
        page.reload()  # the stores are read in the background, from the first question on
        page.wait_for_selector("#shops tbody tr", timeout=60_000)
        rows = page.locator("#shops tbody tr")
        assert rows.count() == 4
        assert "away" in rows.first.inner_text()  # what is not known comes before the gravest
        assert NAMES[1] in rows.nth(1).inner_text()
        assert "Front bench: Very dry, 27 %" in rows.nth(1).inner_text()
        assert seen.faults_at(("wall", "desk", "phone"), board, "#shops a") == []
        for size in ("wall", "phone"):
            seen.resize(size)
            assert page.evaluate(FINDER) == []
        page.get_by_label("Search by shop, place or alert").fill("very DRY")
        page.locator("#shops tbody tr").nth(1).wait_for(state="detached")
        assert NAMES[1] in rows.first.inner_text()
