"""One shop on either engine: its alerts, waits, instruments, plan and pages are the same on both."""

from __future__ import annotations

import contextlib
import json
import shutil

import alert_fixtures
import dashboard_fixtures as shop_air
import pytest
import wood_fixtures
from board_requests import ask_page, draw_view

from monitor.core import clock
from monitor.core.clock import now_ms
from monitor.settings import load
from monitor.store import Writer, copying
from monitor.store.connection import opened

DAY = 86_400_000
PAGES = (
    "/",
    "/bench",
    "/bench/wait/1",
    "/bench/glue",
    "/bench/finished",
    "/wood",
    "/wood/vn-1",
    "/coming",
    "/plan",
    "/alerts",
    "/alerts/1",
    "/past",
    "/clients",
    "/sensors",
    "/sensors/front-bench/p-1",
)


@pytest.fixture(scope="module")
def both(tmp_path_factory, postgresql_server):
    """Settings of a shop whose store is a file, and of the same shop in a database."""
    folder = tmp_path_factory.mktemp("both")
    ours = shop_air.settings_in(folder / "file", config=alert_fixtures.CONFIG)
    now = now_ms()
    with contextlib.closing(Writer(ours.store_path)) as writer:
        for place in ("front-bench", "outdoors"):
            shop_air.fill(writer, place, now - 3 * DAY, now, 600_000)
        shop_air.damp(writer, "cellar", now, days=1)
        commands = shop_air.commanded(writer, ours)
        shop_air.full_bench(commands, now)
        wood_fixtures.register_guests(commands)
    shop_air.beat(ours)
    shutil.copytree(folder / "file", folder / "database")
    (folder / "database" / ours.store_path.name).unlink()
    environ = {"BENCHWEATHER_STORE__URL": postgresql_server.address()}
    theirs = load(data=folder / "database", environ=environ)
    with (
        contextlib.closing(opened(ours.store_path, read_only=True)) as source,
        contextlib.closing(opened(theirs.store_address, read_only=False)) as target,
    ):
        copying.copy(source, target)
    for one in (ours, theirs):
        with contextlib.closing(Writer(one.store_address)) as writer:
            alert_fixtures.run_cycles(one, writer, now, now, 1)
        shop_air.keep_plan(one, now)
    return ours, theirs


@pytest.fixture(autouse=True)
def still(monkeypatch):
    """The clock stands still, so that both are asked at the same time."""
    now_ns = clock.time_ns()
    monkeypatch.setattr(clock, "time_ns", lambda: now_ns)


@pytest.mark.slow
def test_the_rules_find_and_tell_the_same(both):
    found = []
    for one in both:
        with contextlib.closing(opened(one.store_address, read_only=True)) as store:
            found.append(
                {
                    table: sorted(map(repr, store.rows(f"SELECT * FROM {table}")))
                    for table in ("event", "latch", "notice", "outbox", "tally")
                }
            )
    assert found[0]["event"][-1] != found[0]["event"][0]
    assert any("'alert'" in row for row in found[0]["event"])
    assert found[0] == found[1]


@pytest.mark.slow
def test_every_page_says_the_same(both):
    clients = [shop_air.board_client(one) for one in both]
    for path in PAGES:
        ours, theirs = (json.loads(ask_page(client, path).data) for client in clients)
        assert "store cannot be read" not in json.dumps(ours)
        assert ours == theirs, path


@pytest.mark.slow
def test_plots_of_past_are_the_same(both):
    clients = [shop_air.board_client(one) for one in both]
    for quantity, span in (("humidity", "day"), ("dew_point", "week")):
        asked = {
            "past-places": ["front-bench", "cellar"],
            "past-quantity": quantity,
            "past-span": span,
        }
        ours, theirs = (draw_view(client, "past", asked).data for client in clients)
        assert ours == theirs
        assert b"Front bench" in ours
