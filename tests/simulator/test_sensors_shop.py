"""The demo's readings: believable, reproducible, and live ones continue the back-fill."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.clock import from_ms, to_ms
from monitor.core.measurements import MEASURES, Quantity
from monitor.science.saturation import saturation_vapour_pressure
from sensors.demo.shop import BENCH, CORNER, OUTDOORS, SERIES, DemoShop
from sensors.simulator import room
from sensors.simulator.random_numbers import normal, uniform
from sensors.simulator.sensor_error import SENSOR_ERRORS

BERLIN = ZoneInfo("Europe/Berlin")
SEED = 7


def ms(*date: int) -> int:
    return to_ms(datetime(*date, tzinfo=UTC))


def rh_pct(temp_c, pressure_pa):
    return 100 * pressure_pa / saturation_vapour_pressure(temp_c)


@pytest.fixture(scope="module")
def year():
    shop = DemoShop(SEED, BERLIN)
    ts_ms, values = shop.readings(ms(2024, 6, 1), ms(2025, 6, 1))
    return shop, ts_ms, values


def picked(values, place, quantity):
    return next(v for s, v in values.items() if (s.place, s.quantity) == (place, quantity))


def months(ts_ms):
    return ts_ms.astype("datetime64[ms]").astype("datetime64[M]").astype(int) % 12 + 1


@pytest.mark.slow
def test_a_year_of_readings_can_be_believed_and_is_rounded(year):
    _, ts_ms, values = year
    assert ts_ms.size == 365 * 288
    assert set(values) == set(SERIES)
    for series, value in values.items():
        measure = MEASURES[series.quantity]
        assert value.shape == ts_ms.shape
        assert np.isfinite(value).all()
        assert measure.low <= value.min() < value.max() <= measure.high
        digits = SENSOR_ERRORS[series.quantity].digits
        assert np.array_equal(value, np.round(value, digits))
        if series.quantity is Quantity.HUMIDITY:
            assert value.min() >= 1
            assert value.max() <= 100


@pytest.mark.slow
def test_the_year_looks_like_a_shop(year):
    _, ts_ms, values = year
    month = months(ts_ms)
    rh = picked(values, BENCH, Quantity.HUMIDITY)
    # Ours: the picture the demo must give. Dry snaps in January, damp spells in July.
    assert 10 < np.quantile(rh[month == 1], 0.05) < 30
    assert 35 < np.median(rh[month == 1]) < 45
    assert 45 < np.median(rh[month == 4]) < 55
    assert 55 < np.median(rh[month == 7]) < 70
    assert 65 < np.quantile(rh[month == 7], 0.9) < 78
    warmer = picked(values, CORNER, Quantity.TEMPERATURE) - picked(
        values, BENCH, Quantity.TEMPERATURE
    )
    drier = picked(values, CORNER, Quantity.HUMIDITY) - rh
    assert 0.2 < warmer.mean() < 2
    assert -8 < drier.mean() < -1


@pytest.mark.slow
def test_the_heater_saws_by_day_and_night_and_humidity_mirrors_it(year):
    shop, ts_ms, _ = year
    january = ts_ms[months(ts_ms) == 1]
    air = shop.air(january)
    temp_c = air.temp_c[BENCH]
    rh = rh_pct(temp_c, air.vapour_pressure_pa[BENCH])
    local_h = np.array([from_ms(int(t)).astimezone(BERLIN).hour for t in january])
    weekday = np.array([from_ms(int(t)).astimezone(BERLIN).weekday() for t in january])
    late = january > ms(2025, 1, 6)
    noon = temp_c[late & (local_h == 11) & (weekday < 5)]
    night = temp_c[late & (local_h == 5)]
    assert np.median(noon) == pytest.approx(20, abs=0.3)
    assert 15 < np.median(night) < 17
    quiet = (local_h < 5)[1:]
    both = np.corrcoef(np.diff(temp_c)[quiet], np.diff(rh)[quiet])
    assert both[0, 1] < -0.8


@pytest.mark.slow
@pytest.mark.parametrize(
    "instant",
    [
        (2024, 6, 1),
        (2024, 7, 14, 13, 35),
        (2024, 12, 31, 23, 55),
        (2025, 1, 1),
        (2025, 3, 30, 1, 0),
        (2025, 3, 31, 23, 55),
        (2025, 4, 1, 0, 5),
    ],
)
def test_a_live_reading_is_the_back_filled_one(year, instant):
    _, ts_ms, values = year
    i = int(np.searchsorted(ts_ms, ms(*instant)))
    live = DemoShop(SEED, BERLIN).at(ms(*instant))
    assert [r.series for r in live] == list(SERIES)
    assert all(r.ts_ms == ts_ms[i] for r in live)
    assert [r.value for r in live] == [values[r.series][i] for r in live]


@pytest.mark.slow
def test_ten_second_readings_join_the_back_fill_without_a_step(year):
    shop, ts_ms, values = year
    end = int(ts_ms[-1])
    for quantity, step in ((Quantity.TEMPERATURE, 0.05), (Quantity.HUMIDITY, 0.5)):
        for place in (BENCH, CORNER):
            before = picked(values, place, quantity)[-1]
            after = [
                r.value
                for t in range(end, end + 60_000, 10_000)
                for r in shop.at(t)
                if (r.series.place, r.series.quantity) == (place, quantity)
            ]
            assert after[0] == before
            # Between two grid points the air moves on a line; the rest is noise of six readings.
            noise = 4.5 * SENSOR_ERRORS[quantity].noise
            assert np.ptp(after) < 2 * noise + step


@pytest.mark.slow
def test_readings_do_not_depend_on_what_was_asked_before():
    late_first, early_first = DemoShop(SEED, BERLIN), DemoShop(SEED, BERLIN)
    spans = [(ms(2025, 2, 3, 8), ms(2025, 2, 3, 9)), (ms(2025, 4, 2), ms(2025, 4, 3))]
    forward = [early_first.readings(*span, 10_000)[1] for span in spans]
    backward = [late_first.readings(*span, 10_000)[1] for span in reversed(spans)][::-1]
    for a, b in zip(forward, backward, strict=True):
        assert all(np.array_equal(a[s], b[s]) for s in SERIES)


@pytest.mark.slow
def test_quarters_join_within_the_swing_of_the_thermostat():
    shop = DemoShop(SEED, BERLIN)
    for turn in ((2024, 7, 1), (2024, 10, 1), (2025, 1, 1), (2025, 4, 1), (2025, 7, 1)):
        at = ms(*turn)
        air = shop.air(np.array([at - 1, at]))
        for place in (BENCH, CORNER):
            temp_c, pressure_pa = air.temp_c[place], air.vapour_pressure_pa[place]
            assert abs(temp_c[1] - temp_c[0]) < 2 * room.HEATER_BAND_K
            assert abs(np.diff(rh_pct(temp_c, pressure_pa))[0]) < 1.0


def test_no_time_gives_no_readings():
    ts_ms, values = DemoShop(SEED, BERLIN).readings(ms(2025, 2, 3), ms(2025, 2, 3))
    assert ts_ms.size == 0
    assert all(values[series].size == 0 for series in SERIES)


@pytest.mark.slow
def test_another_seed_is_another_shop_in_the_same_weather():
    span = (ms(2025, 2, 3), ms(2025, 2, 8))
    a, b = (DemoShop(seed, BERLIN).readings(*span)[1] for seed in (1, 2))
    bench = np.abs(picked(a, BENCH, Quantity.HUMIDITY) - picked(b, BENCH, Quantity.HUMIDITY))
    assert bench.mean() > 0.5
    outdoor_a, outdoor_b = (picked(v, OUTDOORS, Quantity.TEMPERATURE) for v in (a, b))
    assert 0 < np.abs(outdoor_a - outdoor_b).mean() < 0.7


@pytest.mark.slow
def test_sensors_are_wrong_as_much_as_stated(year):
    shop, ts_ms, values = year
    temp_c = shop.air(ts_ms).temp_c[BENCH]
    wrong = picked(values, BENCH, Quantity.TEMPERATURE) - temp_c
    error = SENSOR_ERRORS[Quantity.TEMPERATURE]
    assert np.diff(wrong).std() / np.sqrt(2) == pytest.approx(error.noise, rel=0.03)
    assert np.abs(wrong).max() < error.offset + error.drift + 6 * error.noise


# Chance


@settings(max_examples=20)
@given(st.integers(0, 2**32), st.integers(0, 2**42))
def test_draws_are_even_independent_and_reproducible(seed, start):
    counter = start + 300_000 * np.arange(20_000)
    drawn = uniform(seed, "a", counter)
    assert drawn.min() >= 0
    assert drawn.max() < 1
    expected = drawn.size / 20
    counts = np.bincount((20 * drawn).astype(int), minlength=20)
    assert ((counts - expected) ** 2 / expected).sum() < 70  # chi² of 19: p about 1e-7
    other = uniform(seed, "b", counter)
    for x, y in ((drawn[1:], drawn[:-1]), (drawn, other)):
        assert abs(np.corrcoef(x, y)[0, 1]) < 6 / np.sqrt(drawn.size)
    assert np.array_equal(drawn[100:101], uniform(seed, "a", int(counter[100])))


def test_noise_is_normal():
    drawn = normal(SEED, "noise", np.arange(200_000))
    assert drawn.mean() == pytest.approx(0, abs=0.01)
    assert drawn.std() == pytest.approx(1, abs=0.01)
    for sigmas, share in ((1, 0.6827), (2, 0.9545), (3, 0.9973)):
        assert (np.abs(drawn) < sigmas).mean() == pytest.approx(share, abs=0.005)
