"""Past over a time whose readings were cleared: means with their lowest and highest."""

from __future__ import annotations

import contextlib

import numpy as np
from dashboard_fixtures import settings_in

from dashboard.data import histories
from dashboard.data.histories import SOURCES
from dashboard.data.shop import ShopData
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.places import Place
from monitor.store import TEN_MINUTES_S, Writer, retention

HOUR = 3_600_000


def test_an_old_day_shows_the_kept_means_and_a_new_one_its_readings(tmp_path):
    settings = settings_in(tmp_path)
    now = now_ms() - now_ms() % HOUR
    old = now - 3 * retention.YEAR_MS
    old -= old % HOUR
    series = [Series("front-bench", "a1", q) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)]
    with contextlib.closing(Writer(settings.store_path)) as writer:
        for first in (old, now - 200 * HOUR, now - 6 * HOUR):
            for one in series:
                values = [45 + i % 7 for i in range(360)]
                writer.write([Reading(one, first + 60_000 * i, v) for i, v in enumerate(values)])
        cleared = retention.clear_due(writer, dict.fromkeys(Quantity, 2), now, float("inf"))
    assert cleared == 720
    shop, bench = ShopData(settings), Place(id="front-bench")
    for quantity in ("humidity", "dew_point"):
        before = histories.history(shop, bench, quantity, old, old + 6 * HOUR)
        assert before.source == SOURCES[TEN_MINUTES_S]
        known = before.points[~np.isnan(before.points["mean"])]
        assert len(known) == 36
        if quantity == "humidity":
            assert (known["low"].min(), known["high"].max()) == (45, 51)
    after = histories.history(shop, bench, "humidity", now - 6 * HOUR, now)
    assert after.source == SOURCES[0]
    rows, total = histories.stored(shop, [bench], "humidity", old, old + 6 * HOUR)
    assert (len(rows[0].at_ms), total) == (36, 360)


def test_dew_point_shows_means_also_while_only_humidity_is_cleared_yet(tmp_path):
    settings, now = settings_in(tmp_path), now_ms()
    old = now - 3 * retention.YEAR_MS
    old -= old % HOUR
    with contextlib.closing(Writer(settings.store_path)) as writer:
        for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
            series = Series("front-bench", "a1", quantity)
            at = [*range(old, old + 6 * HOUR, 60_000), now - 200 * HOUR, now]
            writer.write([Reading(series, one, 20.0) for one in at])
        assert retention.clear_due(writer, {Quantity.HUMIDITY: 2}, now, float("inf")) == 360
    found = histories.history(
        ShopData(settings), Place(id="front-bench"), "dew_point", old, old + 6 * HOUR
    )
    assert np.count_nonzero(~np.isnan(found.points["mean"])) == 36
