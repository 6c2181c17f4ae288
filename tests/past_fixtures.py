"""A shop with forty days of air at three places, for tests of Past that read only."""

from __future__ import annotations

import dashboard_fixtures as shop_air
import pytest

from dashboard.data.shop import ShopData
from monitor.core.clock import now_ms
from monitor.store import Writer

DAY = 86_400_000


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """Its settings, and its board's client."""
    settings = shop_air.settings_in(tmp_path_factory.mktemp("filled"))
    writer, now = Writer(settings.store_path), now_ms()
    for place in shop_air.PLACES:
        gap = (now - 20 * DAY, now - 15 * DAY) if place == "front-bench" else None
        shop_air.fill(writer, place, now - 40 * DAY, now, 600_000, gap=gap)
    writer.close()
    return settings, shop_air.board_client(settings)


@pytest.fixture
def full(filled):
    shop_air.beat(filled[0])
    return ShopData(filled[0])


@pytest.fixture
def client(filled, full):
    return filled[1]
