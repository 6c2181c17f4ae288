"""Health of sensors: each fault injected into invented air, found again, and nothing found without."""

from __future__ import annotations

import contextlib
import functools

import dashboard_fixtures as shop_air
import numpy as np
import pytest
from dashboard_fixtures import settings_in

from dashboard.data.shop import ShopData
from dashboard.sensors.page import content
from monitor.air.latest_air import recent
from monitor.air.place_means import means
from monitor.alerting.sensor_states import moved_on
from monitor.commands import Commands
from monitor.core.measurements import Quantity, Reading, Refusal, Series
from monitor.science.sensor_health import (
    Pair,
    SensorFault,
    findings,
    jumps,
    median_difference,
    noise,
    score,
    unreliable,
)
from monitor.sensor_care.calibration import JarWatch
from monitor.sensor_care.health import health, left, sentence
from monitor.store import Reader, Writer

MIN, HOUR, DAY = 60_000, 3_600_000, 86_400_000
NOW = 1_780_000_000_000 // HOUR * HOUR
WEEK = 7 * DAY
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
ROW = [("ts_ms", "i8"), ("n", "i8"), ("low", "f8"), ("mean", "f8"), ("high", "f8")]
SHOWN = 60
"""Weeks of invented air, each somewhere else in the years."""


def rows_of(ts, values):
    """Ten-minute rollups as the store makes them."""
    bucket = ts // 600_000 * 600_000
    starts, first, n = np.unique(bucket, return_index=True, return_counts=True)
    found = np.zeros(len(starts), ROW)
    found["ts_ms"], found["n"] = starts, n
    found["low"] = np.minimum.reduceat(values, first)
    found["high"] = np.maximum.reduceat(values, first)
    found["mean"] = np.add.reduceat(values, first) / n
    return found


def told(week, place="front-bench", noise_seed=0):
    """A week of readings each two minutes: times, temperatures, humidities."""
    end = NOW - week * 11 * DAY
    ts = np.arange(end - WEEK, end, 2 * MIN)
    temp, rh = shop_air.air(place, ts)
    rng = np.random.default_rng([week, noise_seed])
    temp, rh = temp + rng.normal(0, 0.03, len(ts)), rh + rng.normal(0, 0.25, len(ts))
    return ts, temp.round(2), np.clip(rh, 0, 100).round(1)


def pair(ts, temp, rh):
    return Pair(rows_of(ts, rh), rows_of(ts, temp), 2.0, 0.3)


def stuck(rng, ts, temp, rh):
    rh[ts >= ts[-1] - 7 * HOUR] = rh[ts >= ts[-1] - 7 * HOUR][0]


def saturated(rng, ts, temp, rh):
    rh[ts >= ts[-1] - 4 * HOUR] = 99.9


def off(rng, ts, temp, rh):
    rh += rng.choice([-5.0, 5.0])


def noisy(rng, ts, temp, rh):
    rh += rng.normal(0, 2.0, len(ts))


def jumping(rng, ts, temp, rh):
    rh[rng.choice(np.arange(len(ts) - 700, len(ts), 40), 6, replace=False)] += 25.0


def noisy_heat(rng, ts, temp, rh):
    temp += rng.normal(0, 0.8, len(ts))


INJECTED = {
    SensorFault.STUCK: stuck,
    SensorFault.SATURATED: saturated,
    SensorFault.DISAGREES: off,
    SensorFault.NOISY: noisy,
    SensorFault.JUMPS: jumping,
}


@functools.cache
def sound_pairs(week, place="front-bench"):
    """Two sound sensors beside the one that is looked at."""
    return [pair(*told(week, place, seed)) for seed in (1, 2)]


def rate(fault, inject, weeks=SHOWN):
    """In which share of weeks a fault is found in a sensor beside two sound ones, and in which
    share anything is found that was not put there."""
    found, other = 0, 0
    for week in range(weeks):
        ts, temp, rh = told(week)
        beside = sound_pairs(week)
        if inject is not None:
            inject(np.random.default_rng([week, 9]), ts, temp, rh)
        said = {finding.fault for finding in findings(pair(ts, temp, rh), beside)}
        found += fault in said
        other += bool(said - {fault})
    return found / weeks, other / weeks


@pytest.mark.parametrize("fault", INJECTED)
def test_what_was_broken_is_found(fault):
    found, _ = rate(fault, INJECTED[fault])
    assert found >= 0.95


@pytest.mark.slow
@pytest.mark.parametrize("place", list(shop_air.PLACES))
def test_a_sound_sensor_has_nothing_in_nearly_all_weeks(place):
    wrong = 0
    for week in range(SHOWN):
        beside = sound_pairs(week, place)
        said = findings(pair(*told(week, place)), beside, outdoors=place == "outdoors")
        wrong += bool(said)
    assert wrong <= 0.02 * SHOWN


def test_noisy_temperature_is_told_as_such():
    ts, temp, rh = told(0)
    noisy_heat(np.random.default_rng(0), ts, temp, rh)
    (found,) = findings(pair(ts, temp, rh))
    assert (found.fault, found.warm) == (SensorFault.NOISY, True)
    assert found.amount == pytest.approx(0.8, rel=0.1)


@pytest.mark.parametrize("n", [2, 5, 10, 60, 600])
def test_noise_is_the_standard_deviation_whatever_the_pace(n):
    # Independent: drawn from a normal distribution. Tolerance: ours, the sampling of 2,000 ranges.
    rng = np.random.default_rng(n)
    ts = np.repeat(np.arange(2_000) * 600_000, n)
    assert noise(rows_of(ts, rng.normal(50, 0.7, len(ts)))) == pytest.approx(0.7, rel=0.08)


def test_noise_of_single_readings_is_not_known():
    ts = np.arange(200) * 600_000
    assert np.isnan(noise(rows_of(ts, np.full(200, 50.0))))


def test_of_three_the_odd_one_is_found_and_of_two_both_disagree():
    ts, temp, rh = told(3)
    a, b, c = (pair(ts, temp, rh + by) for by in (0.0, 0.5, 6.0))
    assert findings(a, [b, c]) == findings(b, [a, c]) == []
    assert [one.fault for one in findings(c, [a, b])] == [SensorFault.DISAGREES]
    assert findings(a, [c])[0].amount == pytest.approx(-6.0, abs=0.01)
    assert findings(c, [a])[0].amount == pytest.approx(6.0, abs=0.01)


def test_few_common_rows_compare_nothing():
    ts, _, rh = told(3)
    early, late = rows_of(ts[:2000], rh[:2000]), rows_of(ts[1800:], rh[1800:])
    assert np.isnan(median_difference(early, late))


def test_rows_of_a_stuck_or_saturated_stretch_are_unfit_and_no_others():
    ts, _, rh = told(5)
    rows = rows_of(ts, rh)
    rows["low"][100:140] = rows["mean"][100:140] = rows["high"][100:140] = 44.0
    rows["low"][300:320] = rows["high"][300:320] = 99.5
    rows["low"][400:420] = rows["high"][400:420] = 44.0  # too short to be told
    assert list(np.flatnonzero(unreliable(rows))) == [*range(100, 140), *range(300, 320)]
    assert list(unreliable(rows[:0])) == []


def test_a_gap_ends_a_standstill():
    rows = rows_of(np.r_[np.arange(20), np.arange(100, 120)] * 600_000, np.full(40, 50.0))
    assert not unreliable(rows).any()


def test_a_breath_is_no_fault_and_its_count_is_right():
    ts, temp, rh = told(7)
    rh[-100] += 30.0
    assert jumps(rows_of(ts, rh), 10.0) == 1
    assert findings(pair(ts, temp, rh)) == []


def test_the_rest_is_told_gravest_first_and_costs_points():
    ts, temp, rh = told(7)
    found = findings(pair(ts, temp, rh), silent_s=900, stale_s=300, battery_pct=10, refused=2)
    assert [one.fault for one in found] == [
        SensorFault.SILENT,
        SensorFault.REFUSED,
        SensorFault.BATTERY,
    ]
    assert score(found) == 0
    assert score(found[1:]) == 60
    assert score([]) == 100
    assert [sentence(one) for one in found] == [
        "Silent for 15 min. Check its power and radio.",
        "2 of its messages were rejected in the last day. See “Rejected messages” on Sensors.",
        "Battery at 10 %. Change it.",
    ]


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """Two sensors at one bench for a day, the first by name stuck for its last 8 hours."""
    settings = settings_in(tmp_path)
    with (
        contextlib.closing(Writer(settings.store_path)) as writer,
        contextlib.closing(Reader(settings.store_path)) as reader,
    ):
        for at in range(NOW - DAY, NOW, 5 * MIN):
            moves = 45 + 3 * np.sin(at / HOUR)
            still = moves if at < NOW - 8 * HOUR else 61.0
            for name, value in (("a", still), ("b", moves + 0.2)):
                writer.write(
                    [
                        Reading(Series("front-bench", name, T), at, 20.0),
                        Reading(Series("front-bench", name, RH), at, value),
                    ]
                )
        refusal = Refusal(NOW - HOUR, "benchweather/front-bench/b", b"x", 1, "no number")
        writer.write([], refusals=[refusal])
        monkeypatch.setattr("monitor.core.clock.time_ns", lambda: NOW * 1_000_000)
        yield settings, reader


def test_means_and_the_present_come_from_the_sensor_that_is_not_stuck(shop):
    settings, reader = shop
    read = means(reader, "front-bench", NOW - DAY, NOW)
    assert read.rh_pct.max() < 50
    (one,) = [one for one in recent(reader, settings, NOW) if one.place.id == "front-bench"]
    assert one.sensor == "b"


def test_a_sensor_that_was_carried_elsewhere_is_not_silent_where_it_stood(shop):
    settings, reader = shop
    with contextlib.closing(Writer(settings.store_path)) as writer:
        commands = Commands(writer, look=JarWatch(reader, settings))
        for place, hours in (("clients-home", 5), ("front-bench", 2)):
            commands.carry_out(
                {
                    "about": "sensor",
                    "do": "move",
                    "sensor": "front-bench/b",
                    "place": place,
                    "at_ms": NOW - hours * HOUR,
                },
                NOW,
            )
    assert Series("clients-home", "b", RH) in reader.series()
    assert ("clients-home", "b") not in {
        (o.place.id, o.sensor) for o in health(reader, settings, NOW)
    }
    assert left(reader, NOW) == {("b", "clients-home"): NOW - 2 * HOUR}
    assert moved_on(
        reader, {("b", "clients-home"): NOW - 2 * HOUR - MIN, ("b", "front-bench"): NOW}, NOW
    )


def test_a_stuck_sensor_that_stands_alone_is_still_read(tmp_path):
    settings = settings_in(tmp_path)
    with (
        contextlib.closing(Writer(settings.store_path)) as writer,
        contextlib.closing(Reader(settings.store_path)) as reader,
    ):
        for at in range(NOW - DAY, NOW, 5 * MIN):
            writer.write(
                [
                    Reading(Series("front-bench", "a", T), at, 20.0),
                    Reading(Series("front-bench", "a", RH), at, 50.0),
                ]
            )
        assert len(means(reader, "front-bench", NOW - DAY, NOW).ts_ms) == 144


def test_the_page_says_score_and_what_is_wrong(shop):
    settings, reader = shop
    by_name = {one.sensor: one for one in health(reader, settings, NOW)}
    assert [one.fault for one in by_name["a"].found] == [SensorFault.STUCK]
    assert [one.fault for one in by_name["b"].found] == [SensorFault.REFUSED]
    shown = str(content(ShopData(settings)))
    assert "0 of 100" in shown
    assert "Its humidity reading has not changed for 8 h" in shown
    assert "80 of 100" in shown


if __name__ == "__main__":  # the figures of DEVELOPERS.md
    for fault, inject in INJECTED.items():
        found, other = rate(fault, inject, 200)
        print(f"{fault}: found in {found:.3f} of weeks, something else in {other:.3f}")
    print(f"sound: something found in {rate(None, None, 200)[1]:.3f} of weeks")
