"""The board's questions to a real store: gaps, thinning, what is derived, and a store in trouble."""

from __future__ import annotations

import dashboard_fixtures as shop_air
import numpy as np
import pytest

from dashboard.data import histories, thinning
from dashboard.data import sensors as data_sensors
from dashboard.data.histories import POINTS_MAX
from dashboard.data.shop import ShopData
from monitor.air.current import air_now
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.core.measurements import Quantity, Reading, Refusal, Series
from monitor.domain.air_assessment import AirState
from monitor.science.air import dew_point
from monitor.store import Writer

HOUR, DAY = 3_600_000, 86_400_000
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY


@pytest.fixture
def settings(tmp_path):
    return shop_air.settings_in(tmp_path)


@pytest.fixture
def writer(settings):
    writer = Writer(settings.store_path)
    yield writer
    writer.close()


@pytest.fixture
def shop(settings, writer):
    return ShopData(settings)


def bench(settings):
    return settings.places[0]


def known(points):
    return points[~np.isnan(points["mean"])]


def put(writer, sensor, at_ms, quantity, values, place="front-bench"):
    series = Series(place, sensor, quantity)
    pairs = zip(np.asarray(at_ms).tolist(), np.asarray(values, float).tolist(), strict=True)
    writer.write([Reading(series, ms, value) for ms, value in pairs])


def test_few_readings_are_shown_as_they_are(shop, writer, settings):
    at = 1_790_000_000_000 + 10_000 * np.arange(300)
    values = 45 + np.sin(np.arange(300))
    put(writer, "p", at, RH, values)
    found = histories.history(shop, bench(settings), "humidity", int(at[0]), int(at[-1]) + 1)
    assert found.source == "readings"
    assert found.width_ms == 0
    np.testing.assert_array_equal(found.points["at_ms"], at)
    np.testing.assert_allclose(found.points["mean"], values)


@pytest.mark.slow
def test_a_gap_stays_a_gap_whatever_the_thinning(shop, writer, settings):
    start = now_ms() - 90 * DAY
    gap = (start + 40 * DAY, start + 43 * DAY)
    shop_air.fill(writer, "front-bench", start, start + 90 * DAY, 300_000, gap=gap)
    for span in (DAY, 20 * DAY, 90 * DAY):
        begin = gap[0] - span // 2 if span < 90 * DAY else start
        found = histories.history(
            shop, bench(settings), "humidity", begin, begin + max(span, 4 * DAY)
        )
        breaks = found.points["at_ms"][np.isnan(found.points["mean"])]
        assert len(breaks) == 1
        assert gap[0] - DAY < breaks[0] < gap[1]


def test_extremes_and_mean_survive_thinning_and_points_are_bounded(shop, writer, settings):
    start = now_ms() - 2 * DAY
    at = start + 10_000 * np.arange(17_000)
    values = 45 + np.random.default_rng(3).normal(0, 1, len(at))
    values[9_000], values[12_000] = 12.0, 88.0
    put(writer, "p", at, RH, values)
    found = histories.history(shop, bench(settings), "humidity", start, start + 2 * DAY)
    assert found.source == "readings"
    points = known(found.points)
    assert len(points) <= POINTS_MAX
    assert points["low"].min() == 12.0
    assert points["high"].max() == 88.0
    assert np.average(points["mean"], weights=points["n"]) == pytest.approx(values.mean())
    assert points["n"].sum() == len(at)


@pytest.mark.slow
def test_the_source_follows_from_how_many_rows_there_are(shop, writer, settings):
    end = now_ms()
    shop_air.fill(writer, "front-bench", end - 200 * DAY, end, 60_000)
    for days, source in ((1, "readings"), (20, "10-minute means"), (200, "hourly means")):
        found = histories.history(shop, bench(settings), "dew_point", end - days * DAY, end)
        assert found.source == source
        assert 0 < len(found.points) <= POINTS_MAX + 2
        assert known(found.points)["mean"].max() < 30


def test_a_derived_quantity_agrees_with_the_formula_reading_by_reading(shop, writer, settings):
    at = 1_790_000_000_000 + 60_000 * np.arange(200)
    temp, rh = 20 + np.arange(200) / 100, 40 + np.arange(200) / 20
    put(writer, "p", at, T, temp)
    put(writer, "p", at, RH, rh)
    found = histories.history(shop, bench(settings), "dew_point", int(at[0]), int(at[-1]) + 1)
    np.testing.assert_allclose(found.points["mean"], dew_point(temp, rh))


def test_temperature_and_rh_of_different_times_are_paired_if_they_are_near(shop, writer, settings):
    at = 1_790_000_000_000 + 60_000 * np.arange(100)
    put(writer, "p", at, T, np.full(100, 20.0))
    put(writer, "p", at[:50] + 7_000, RH, np.full(50, 50.0))
    found = histories.history(shop, bench(settings), "dew_point", int(at[0]), int(at[-1]) + 1)
    assert 50 <= len(found.points) <= 52
    assert found.points["mean"] == pytest.approx(float(dew_point(20.0, 50.0)))


def test_two_sensors_that_measure_one_each_give_no_dew_point(shop, writer, settings):
    at = 1_790_000_000_000 + 60_000 * np.arange(10)
    put(writer, "a", at, T, np.full(10, 20.0))
    put(writer, "b", at, RH, np.full(10, 50.0))
    assert not len(
        histories.history(shop, bench(settings), "dew_point", int(at[0]), int(at[-1]) + 1).points
    )
    assert histories.quantities(shop)["front-bench"] == {"temperature", "humidity"}


def test_a_second_sensor_counts_where_the_first_has_a_gap(shop, writer, settings):
    at = 1_790_000_000_000 + 60_000 * np.arange(100)
    put(writer, "a", at[:40], RH, np.full(40, 40.0))
    put(writer, "b", at, RH, np.full(100, 60.0))
    points = histories.history(
        shop, bench(settings), "humidity", int(at[0]), int(at[-1]) + 1
    ).points
    assert (points["mean"][:40] == 40).all()
    assert (points["mean"][42:] == 60).all()
    assert (np.diff(points["at_ms"]) > 0).all()


def test_an_unknown_quantity_is_a_key_error_and_an_empty_span_no_points(shop, writer, settings):
    with pytest.raises(KeyError):
        histories.history(shop, bench(settings), "goodness", 0, 1)
    assert not len(histories.history(shop, bench(settings), "humidity", 0, 1).points)


def test_the_air_now_has_values_uncertainty_and_verdict(shop, writer, settings):
    now = now_ms()
    for place, shift in (("front-bench", -22.0), ("outdoors", 0.0)):
        shop_air.fill(writer, place, now - DAY, now + 1, 60_000, shift_pct=shift)
    dry, varnish, outdoors = air_now(shop.recent(), settings, now)
    assert dry.assessment.state == AirState.DRY
    assert dry.heard_ms is not None
    assert not dry.old
    assert dry.dew_point_c == pytest.approx(float(dew_point(dry.temp_c, dry.rh_pct)))
    assert 0.2 < dry.u_dew_point_k < 3
    assert 0.1 < dry.u_moisture_pct < 1
    assert 140 <= len(dry.trace.at_ms) <= 146
    assert varnish.heard_ms is None
    assert varnish.assessment.state == AirState.UNKNOWN
    assert outdoors.assessment.sentence == ""
    assert 5 < outdoors.heated_rh_pct < 60


def test_a_place_with_an_old_sensor_and_a_new_one_shows_the_new_one(shop, writer, settings):
    now = now_ms()
    for sensor, age, value in (("a", DAY, 30.0), ("b", 1000, 55.0)):
        put(writer, sensor, [now - age], T, [20.0])
        put(writer, sensor, [now - age], RH, [value])
    first = air_now(shop.recent(), settings, now)[0]
    assert first.rh_pct == 55.0
    assert not first.old


def test_supersaturated_and_impossible_readings_do_not_break_the_page(shop, writer, settings):
    now = now_ms()
    for place, rh in (("front-bench", 104.0), ("varnish-room", 0.0)):
        put(writer, "p", [now], T, [20.0], place)
        put(writer, "p", [now], RH, [rh], place)
    damp, dry, _ = air_now(shop.recent(), settings, now)
    assert damp.extrapolated
    assert damp.dew_point_c == pytest.approx(20.0, abs=1e-6)
    assert np.isnan(dry.dew_point_c)


def test_the_token_changes_with_a_commit_and_with_trouble_and_not_otherwise(
    shop, writer, settings
):
    shop_air.beat(settings)
    first = shop.change_token()
    assert shop.change_token() == first
    put(writer, "p", [now_ms()], T, [20.0])
    second = shop.change_token()
    assert second != first
    assert shop.change_token() == second
    shop_air.beat(settings, broker_trouble="no answer")
    assert shop.change_token() != second


def test_the_token_changes_when_a_sensor_goes_quiet(shop, writer, settings, monkeypatch):
    put(writer, "p", [now_ms()], T, [20.0])
    shop_air.beat(settings)
    first = shop.change_token()
    later = now_ms() + 400_000
    monkeypatch.setattr("dashboard.data.shop.now_ms", lambda: later)
    assert shop.change_token() != first


def test_a_late_heartbeat_is_a_service_that_is_gone(shop, settings):
    assert shop.service_state().gone
    shop_air.beat(settings)
    assert not shop.service_state().gone
    shop_air.beat(settings, beat_ms=now_ms() - 60_000)
    assert shop.service_state().gone


def test_sensors_counts_and_refusals_are_as_stored(shop, writer, settings):
    now = now_ms()
    shop_air.fill(writer, "front-bench", now - DAY, now, 600_000)
    writer.write([], refusals=[Refusal(now, "x/y", b"\xff\x00", 2, "no")])
    (probe,) = shop.sensors()
    assert probe.sensor == "fb-1"
    assert now - probe.heard_ms < 600_001
    (count,) = data_sensors.in_a_day(shop, [probe])
    assert 140 <= count <= 150
    assert shop.counts()["refused"] == 1
    assert shop.refused(5)[0].payload == b"\xff\x00"


def test_a_store_that_does_not_exist_yet_is_unavailable(settings):
    with pytest.raises(StoreUnavailable, match="no store yet"):
        ShopData(settings).recent()
    assert "StoreMissing" in ShopData(settings).change_token()


def test_a_damaged_store_is_a_fault_and_a_mended_one_is_read_again(settings):
    settings.store_path.write_bytes(b"no database at all, but long enough to be looked at" * 40)
    shop = ShopData(settings)
    with pytest.raises(StoreFault):
        shop.recent()
    assert "StoreFault" in shop.change_token()
    settings.store_path.unlink()
    Writer(settings.store_path).close()
    assert len(shop.recent()) == 3
    assert "Fault" not in shop.change_token()


def test_a_store_put_in_the_place_of_another_is_noticed(shop, writer, settings, tmp_path):
    put(writer, "p", [now_ms()], T, [20.0])
    assert shop.sensors()
    before = shop.change_token()
    other = tmp_path / "other.sqlite3"
    Writer(other).close()
    other.replace(settings.store_path)
    for end in ("-wal", "-shm"):
        (tmp_path / f"readings.sqlite3{end}").unlink(missing_ok=True)
    assert shop.sensors() == []
    assert shop.change_token() != before


def test_thinning_never_gives_more_points_than_asked_for():
    rng = np.random.default_rng(5)
    for n in (0, 1, 799, 801, 5_000):
        at = np.sort(rng.choice(10_000_000, n, replace=False)) * 1000
        table, _ = thinning.thinned(thinning.points(at, rng.normal(size=n)), 10_000_000_000, 800)
        assert len(table) <= 801
        assert table["n"].sum() == n
