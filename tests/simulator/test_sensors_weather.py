"""The demo's weather: the packaged year, and how it is laid over any calendar."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from importlib import resources
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.clock import to_ms
from monitor.science.air import vapour_pressure
from monitor.science.saturation import saturation_vapour_pressure
from sensors.simulator.weather import HOURS, ZonedYear

UTC_ZONE = ZoneInfo("UTC")
BERLIN = ZoneInfo("Europe/Berlin")


def ms(*date: int) -> int:
    return to_ms(datetime(*date, tzinfo=UTC))


def rh_pct(temp_c, pressure_pa):
    return 100 * pressure_pa / saturation_vapour_pressure(temp_c)


@pytest.fixture(scope="module")
def rows():
    text = resources.files("data").joinpath("demo/outdoor_year.csv").read_text(encoding="ascii")
    return list(csv.DictReader(text.splitlines()))


def test_the_weather_file_has_each_hour_of_a_common_year_once_and_in_order(rows):
    hours = [datetime(2023, 1, 1) + timedelta(hours=h) for h in range(HOURS)]
    found = [(int(r["month"]), int(r["day"]), int(r["hour"])) for r in rows]
    assert found == [(h.month, h.day, h.hour) for h in hours]


def test_the_weather_file_spans_what_its_source_spans(rows):
    # Source: read from the TMY3 file itself, apart from its conversion.
    ranges = {
        name: (min(float(r[name]) for r in rows), max(float(r[name]) for r in rows))
        for name in ("temp_c", "dew_point_c", "pressure_pa")
    }
    assert ranges == {
        "temp_c": (-16.7, 35.6),
        "dew_point_c": (-23.9, 25.0),
        "pressure_pa": (96_500, 100_700),
    }
    temp_c = np.array([float(r["temp_c"]) for r in rows])
    dew_point_c = np.array([float(r["dew_point_c"]) for r in rows])
    rh = rh_pct(temp_c, vapour_pressure(dew_point_c, 100.0))
    # The source's own, coarser RH column has 11 to 100 %, see data/SOURCES.md.
    assert 11 < rh.min() < 15
    assert rh.max() == pytest.approx(100, abs=1e-6)
    assert all(0 <= float(r["wind_m_s"]) <= 20 for r in rows)


def test_on_the_hour_the_weather_is_that_of_the_file(rows):
    weather = ZonedYear(UTC_ZONE).at(np.array([ms(2023, 7, 20, 15), ms(2030, 11, 2, 4)]))
    picked = [
        rows[(datetime(2023, *d) - datetime(2023, 1, 1)) // timedelta(hours=1)]
        for d in ((7, 20, 15), (11, 2, 4))
    ]
    for name in ("temp_c", "dew_point_c", "wind_m_s"):
        assert getattr(weather, name).tolist() == [float(r[name]) for r in picked]


def test_weather_goes_by_standard_time_also_in_summer():
    in_utc, in_berlin = ZonedYear(UTC_ZONE), ZonedYear(BERLIN)
    for month in (1, 7):
        there = in_berlin.at(np.array([ms(2025, month, 9, 11)]))
        assert there == in_utc.at(np.array([ms(2025, month, 9, 12)]))


@pytest.mark.parametrize(
    ("start", "days"),
    [((2023, 12, 31), 2), ((2024, 12, 31), 2), ((2024, 2, 28), 3), ((2023, 2, 28), 2)],
)
def test_weather_has_no_step_at_new_year_nor_around_29_february(start, days):
    ts_ms = ms(*start) + 60_000 * np.arange(days * 1440)
    weather = ZonedYear(UTC_ZONE).at(ts_ms)
    # Ours: what the hours of these days have; a step would be of kelvins in one minute.
    assert np.abs(np.diff(weather.temp_c)).max() < 4.5 / 60
    assert np.abs(np.diff(weather.dew_point_c)).max() < 6 / 60


def test_a_leap_year_is_the_common_year_with_one_day_more():
    year = ZonedYear(UTC_ZONE)
    hours = 3_600_000 * np.arange(24 * 300)
    common, leap = (year.at(ms(y, 3, 1) + hours) for y in (2023, 2024))
    assert np.array_equal(common.temp_c, leap.temp_c)
    day = 3_600_000 * np.arange(24)
    before, extra, after = (year.at(ms(2024, *d) + day).temp_c for d in ((2, 28), (2, 29), (3, 1)))
    assert (np.minimum(before, after) - 1e-9 <= extra).all()
    assert (extra <= np.maximum(before, after) + 1e-9).all()


BERLIN_YEAR = ZonedYear(BERLIN)


@given(st.integers(ms(1990, 1, 1), ms(2060, 1, 1)))
def test_outdoor_air_is_never_above_saturation_and_never_out_of_range(ts_ms):
    weather = BERLIN_YEAR.at(np.array([ts_ms]))
    assert -24 < weather.dew_point_c[0] <= weather.temp_c[0] + 1e-9 < 36
    assert weather.wind_m_s[0] >= 0
    assert 96_000 < weather.pressure_pa[0] < 101_000
