"""Instruments in the shop behind the board."""

from __future__ import annotations

import contextlib
import shutil
from datetime import datetime
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air
import pytest

from dashboard.data.journal import CachedJournal
from dashboard.data.shop import ShopData
from dashboard.data.wood import WoodQueries
from monitor.core.clock import now_ms, to_ms
from monitor.store import Writer

HOUR, DAY = 3_600_000, 86_400_000
PARIS = ZoneInfo("Europe/Paris")
NOON = to_ms(datetime(2026, 11, 25, 12, 0, tzinfo=PARIS))


def ask(commands, do, **request):
    asked = {"about": "instrument", "do": do, "by": "Ina"} | request
    return commands.carry_out(asked, now_ms())["instrument"]


def register_guests(commands):
    """One at rest, opened; a dry one; one whose home is not known; one in a loft without a sensor."""
    now = now_ms()
    about = {"place": "front-bench", "arrived_ms": now - 20 * DAY}
    ids = [
        ask(
            commands,
            "register",
            reference="VN-1",
            kind="violin",
            home_rh_pct=50,
            open=True,
            due_ms=now + 3 * DAY,
            **about,
        ),
        ask(commands, "register", reference="VA-2 viola", kind="viola", home_rh_pct=75, **about),
        ask(commands, "register", reference="VC-3", kind="cello", **about),
        ask(commands, "register", reference="DB-4", kind="bass", place="loft", home_rh_pct=50),
    ]
    ask(commands, "close", instrument=ids[0], at_ms=now - 4 * DAY)
    ask(commands, "open", instrument=ids[0], at_ms=now - 2 * DAY)
    commands.carry_out(
        {
            "do": "open",
            "kind": "cleat",
            "place": "front-bench",
            "by": "Ina",
            "instrument": "va-2 VIOLA",
            "what": "cleat by the bar",
            "start_ms": now - 3 * HOUR,
        },
        now,
    )
    return ids


@pytest.fixture(scope="module")
def three_weeks(tmp_path_factory):
    """A store with the air of the shop, and the same store with its instruments and their ids."""
    folder = tmp_path_factory.mktemp("wood")
    settings = shop_air.settings_in(folder, config=shop_air.BENCH)
    now = now_ms()
    with contextlib.closing(Writer(settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now - 22 * DAY, now, 600_000, steady_pct=49.0)
        shop_air.damp(writer, "cellar", now)
    full = folder / "full.sqlite3"
    shutil.copy(settings.store_path, full)
    with contextlib.closing(Writer(full)) as writer:
        ids = register_guests(shop_air.commanded(writer, settings))
    return settings.store_path, full, ids


@pytest.fixture
def settings(tmp_path):
    return shop_air.settings_in(tmp_path, config=shop_air.BENCH)


@pytest.fixture
def commands(settings, three_weeks, request):
    """The commands of an empty shop, or of one with instruments for a test that wants `guests`."""
    bare, full, _ = three_weeks
    shutil.copy(full if "guests" in request.fixturenames else bare, settings.store_path)
    shop_air.beat(settings)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        yield shop_air.commanded(writer, settings)


@pytest.fixture
def guests(commands, three_weeks):
    return list(three_weeks[2])


@pytest.fixture
def book(settings):
    shop = ShopData(settings)
    return WoodQueries(shop, CachedJournal(shop))


@pytest.fixture
def shop(settings):
    return ShopData(settings)


@pytest.fixture
def client(settings):
    return shop_air.board_client(settings)
