"""A full bench behind the board, and an answer on a wait as the board gets it."""

from __future__ import annotations

import contextlib
import shutil
from datetime import datetime
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air
import pytest

from dashboard.data.journal import CachedJournal
from dashboard.data.shop import ShopData
from dashboard.data.waits import WaitQueries
from monitor.core.clock import now_ms, to_ms
from monitor.science.quantiles import QuantileRange
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import Readiness, WaitState
from monitor.store import Writer

HOUR, DAY = 3_600_000, 86_400_000
PARIS = ZoneInfo("Europe/Paris")
NOON = to_ms(datetime(2026, 11, 25, 12, 0, tzinfo=PARIS))


def readiness(**more):
    plain = Readiness(
        WaitState.WAITING,
        NOON + 4 * HOUR + 40 * 60_000,
        NOON + 4 * HOUR,
        NOON + 5 * HOUR + 30 * 60_000,
        None,
        NOON,
        NOON + 5 * DAY,
        QuantileRange(0.2, 0.3, 0.4),
        0.0,
        0.0,
        1.0,
        Hold.NONE,
        None,
        False,
        False,
        0.0,
        0.0,
        False,
        {"basis": 0.8, "outlook": 0.2},
    )
    return plain._replace(**more)


@pytest.fixture(scope="module")
def five_days(tmp_path_factory):
    """A store with the air of the bench, and the same store with its waits and their ids."""
    folder = tmp_path_factory.mktemp("bench")
    settings = shop_air.settings_in(folder, config=shop_air.BENCH)
    now = now_ms()
    with contextlib.closing(Writer(settings.store_path)) as writer:
        for place in shop_air.PLACES:
            shop_air.fill(writer, place, now - 5 * DAY, now, 600_000)
        shop_air.damp(writer, "cellar", now)
    full = folder / "full.sqlite3"
    shutil.copy(settings.store_path, full)
    with contextlib.closing(Writer(full)) as writer:
        ids = shop_air.full_bench(shop_air.commanded(writer, settings), now_ms())
    return settings.store_path, full, ids


@pytest.fixture
def settings(tmp_path):
    return shop_air.settings_in(tmp_path, config=shop_air.BENCH)


@pytest.fixture
def commands(settings, five_days, request):
    """The commands of a bench without waits, or of the full one for a test that wants their `ids`."""
    bare, full, _ = five_days
    shutil.copy(full if "ids" in request.fixturenames else bare, settings.store_path)
    shop_air.beat(settings)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        yield shop_air.commanded(writer, settings)


@pytest.fixture
def ids(commands, five_days):
    return list(five_days[2])


@pytest.fixture
def book(settings):
    shop = ShopData(settings)
    return WaitQueries(shop, CachedJournal(shop))


@pytest.fixture
def client(settings):
    return shop_air.board_client(settings)
