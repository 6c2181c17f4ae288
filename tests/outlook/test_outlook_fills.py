"""Weighed fills tell a room's air change, and without them nothing is other than it was.

Rooms are those of `tests/rooms`, which is not the fitted model and knows its own air change.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rooms import csv_files
from rooms.catalogue import shops

from monitor.outlook.evaluation import files
from monitor.science.outlook import vapour_balance
from monitor.science.outlook.room_fit import Runs, fit_room, starts_of
from monitor.science.outlook.room_model import SCALE_SD, prepared_log, room_description
from monitor.science.outlook.shop_model import launch, learn
from monitor.science.outlook.weighed_fills import (
    FEWEST_FILLS,
    Fills,
    Intervals,
    calibrated_by_fills,
)
from monitor.science.outlook.what_if import Change, change_effect, water_to_hold

DAYS = 40
TUNING = 9
"""A room of those the outlook was tuned on, with a humidifier."""
NOBODY = Fills(np.array([]), np.array([]))


@pytest.fixture(scope="module")
def made():
    return shops((TUNING,), 24 * (DAYS + 2))[0]


@pytest.fixture(scope="module")
def material(made, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pinned")
    csv_files.write(made, folder, 0, DAYS)
    return files.read(folder / "log.csv", folder / "forecasts.csv")


@pytest.fixture(scope="module")
def ready(material):
    return prepared_log(material.hours, material.issues)


@pytest.fixture(scope="module")
def shop(ready, material):
    return learn(ready, material.issues, 24 * DAYS - 1)


@pytest.fixture(scope="module")
def fills(made):
    at = np.flatnonzero(made.filled_g > 0)
    return Fills(made.ts_ms[at] / 3.6e6, made.filled_g[at] / 1000)


@pytest.fixture(scope="module")
def told(shop, ready, fills, made):
    room, why = calibrated_by_fills(shop.room, ready, 24 * DAYS - 1, [fills], made.spec.volume_m3)
    assert why == ""
    return room


@pytest.mark.slow
def test_fills_find_the_true_air_change_that_rh_missed(told, shop, made, ready):
    """Tolerance: what the rooms of DEVELOPERS were off at most, 0.31 as ln."""
    true = made.change_h[6 * 24 : 6 * 24 * DAYS].mean()
    stop = 24 * DAYS - 1
    wet = Runs.of(ready, starts_of(stop)[1], stop, told.offset_h).wet
    fitted = vapour_balance.air_change(shop.room.water.mean[None], wet).mean()
    assert abs(np.log(true / fitted)) > 0.6
    assert abs(np.log(true / told.pinned.air_change_h)) < 0.31
    assert told.scaled[1] == told.pinned.sd < 0.8 * SCALE_SD
    found = room_description(told)["air_change_h"]
    assert found.known
    assert found.low < true < found.high
    assert found.high / found.low < 3.2


@pytest.mark.slow
def test_what_a_litre_does_is_then_told_in_a_narrower_range(told, shop, ready, material):
    start = launch(shop, ready, material.issues, 24 * DAYS - 1, 60, 3)
    by = Change(water_l_day=2.0, volume_m3=77.0)
    wide, narrow = (change_effect(room, start, by).rh_pct[:, 71] for room in (shop.room, told))
    spreads = [np.quantile(x, 0.9) / np.quantile(x, 0.1) for x in (wide, narrow)]
    assert spreads[1] < 0.8 * spreads[0]
    assert narrow.mean() < wide.mean()  # more air is changed than was fitted: a litre does less
    rh = np.full((4, 120), 30.0)
    before, after = (water_to_hold(room, start, rh, 32.0, 77.0, 12) for room in (shop.room, told))
    assert after.middle > before.middle
    assert after.high / after.low < 0.75 * before.high / before.low


@pytest.mark.slow
def test_without_fills_nothing_is_other_than_it_was(shop, ready, fills, made):
    volume, stop = made.spec.volume_m3, 24 * DAYS - 1
    few = Fills(fills.at_h[:FEWEST_FILLS], fills.litres[:FEWEST_FILLS])
    unmeasured = Fills(fills.at_h, np.full(len(fills.at_h), np.nan))
    for tanks, told in (
        ([], ""),
        ([NOBODY], ""),
        ([unmeasured], ""),
        ([few], "1 of the 5 times"),
        ([fills, NOBODY], "0 of the 5 times"),
    ):
        room, why = calibrated_by_fills(shop.room, ready, stop, tanks, volume)
        assert room is shop.room
        assert why.startswith(told)
        assert bool(why) is bool(told)
    refused = replace(shop.room, refused="too short")
    assert calibrated_by_fills(refused, ready, stop, [fills], volume)[0] is refused
    assert shop.room.scaled == (shop.room.vapour, 0.6)
    assert not room_description(shop.room)["air_change_h"].known


@pytest.mark.slow
def test_the_first_fit_and_what_it_foretells_stay_as_they_were(told, shop):
    assert told.water is shop.room.water
    assert told.heat is shop.room.heat
    assert told.refused == shop.room.refused == ""


@pytest.mark.slow
def test_nothing_rests_on_fills_that_came_later(shop, ready, fills, made, told):
    later = Fills(
        np.concatenate([fills.at_h, fills.at_h[-1:] + 400 + 24 * np.arange(9)]),
        np.concatenate([fills.litres, np.full(9, 40.0)]),
    )
    again, _ = calibrated_by_fills(shop.room, ready, 24 * DAYS - 1, [later], made.spec.volume_m3)
    assert again.pinned.air_change_h == told.pinned.air_change_h


@pytest.mark.slow
def test_litres_that_the_log_contradicts_are_not_believed(shop, ready, fills, made):
    absurd = Fills(fills.at_h, 30 * fills.litres)
    room, why = calibrated_by_fills(shop.room, ready, 24 * DAYS - 1, [absurd], made.spec.volume_m3)
    assert room is shop.room
    assert "not believed" in why


def test_water_is_spread_from_fill_to_fill():
    fills = Fills(
        np.array([100.0, 124.0, 126.0, 150.0, 400.0, 410.0, 420.0]),
        np.array([9.0, 1.0, 2.0, np.nan, 5.0, 1.0, 0.5]),
    )
    found = Intervals.of(fills)
    assert found.from_h.tolist() == [
        100,
        400,
        410,
    ]  # 124 and 126 are one; 150 not measured, 400 late
    assert found.until_h.tolist() == [124, 410, 420]
    assert found.litres_h == pytest.approx([3 / 24, 0.1, 0.05])
    given = found.hourly(np.arange(95, 430))
    assert np.nansum(given) == pytest.approx(4.5)
    assert np.isnan(given[:6]).all()
    assert given[6] == pytest.approx(3 / 24)


@pytest.mark.slow
def test_a_shorter_log_than_a_fit_wants_pins_nothing(ready, fills, made):
    room = fit_room(ready, 24 * 5)
    assert calibrated_by_fills(room, ready, 24 * 5, [fills], made.spec.volume_m3)[0] is room
