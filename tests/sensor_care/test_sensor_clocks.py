"""Clocks of senders, told from how late their messages come: invented links, with backlogs sent
slowly and fast, and clocks that are right or wrong."""

from __future__ import annotations

import contextlib
import dataclasses
import functools

import numpy as np
import pytest
from dashboard_fixtures import settings_in

from dashboard.data.shop import ShopData
from dashboard.sensors.page import content
from monitor.air.latest_air import recent
from monitor.air.place_means import means
from monitor.air.unreliable_readings import doubtful
from monitor.commands import Commands
from monitor.core.measurements import Quantity, Series
from monitor.core.steady_clock import SteadyClock
from monitor.mqtt.client import Arrival
from monitor.readings.batch import BatchReader
from monitor.readings.payload import Contract
from monitor.science.sensor_clock import misdated, overlapping, slow_s, wrong_clock_hours
from monitor.science.sensor_health import SensorFault
from monitor.sensor_care.calibration import JarWatch
from monitor.sensor_care.health import health, sentence
from monitor.store import Reader, Writer

MIN, HOUR, DAY = 60_000, 3_600_000, 86_400_000
NOW = 1_780_000_000_000 // HOUR * HOUR
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
WEEKS = 20


def hours_of(arrived_ms, measured_ms):
    """What the store keeps of messages, one reading each."""
    hour, place = np.unique(arrived_ms // HOUR * HOUR, return_inverse=True)
    found = np.zeros(len(hour), [("hour_ms", "i8"), ("least_s", "f8")])
    found["hour_ms"], found["least_s"] = hour, np.inf
    np.minimum.at(found["least_s"], place, (arrived_ms - measured_ms) / 1000)
    return found


@functools.cache
def link(week, *, period_ms=10 * MIN, outages=4, longest_h=48.0, daily=False, pace=(1.5, 200)):
    """A week of a sender that keeps what it cannot send: times measured and arrived.

    Messages take 0.3 s in the median, now and then half a minute. While the link is away they wait;
    then they come in order, `pace` times as fast as they were measured. `daily`: there is a
    link for a quarter of an hour a day only.
    """
    rng = np.random.default_rng([week, 17])
    measured = np.arange(NOW - 7 * DAY + rng.integers(period_ms), NOW, period_ms)
    if daily:
        starts = NOW - 7 * DAY + np.arange(7) * DAY + rng.integers(HOUR, 20 * HOUR, 7)
        away = [(a + 15 * MIN, b) for a, b in zip(starts, [*starts[1:], NOW + DAY], strict=True)]
        away.insert(0, (0, starts[0]))
    else:
        starts = np.sort(rng.integers(NOW - 7 * DAY, NOW, outages))
        lasts = rng.uniform(0.2, longest_h, outages) * HOUR
        away = list(zip(starts, starts + lasts.astype(int), strict=True))
    apart = period_ms / np.exp(rng.uniform(*np.log(pace)))
    delay = rng.lognormal(np.log(300), 1.5, len(measured))
    arrived, last = [], 0.0
    for at, late in zip(measured, delay, strict=True):
        ready = max(at + late, last + apart)
        for start, end in away:
            if start <= ready < end:
                ready = float(end)
        arrived.append(ready)
        last = ready
    arrived = np.array(arrived).astype(np.int64)
    return measured[arrived < NOW], arrived[arrived < NOW]


SLOW = {
    "six minutes": lambda ts: 360_000,
    "a time zone": lambda ts: HOUR,
    "never set since 2024": lambda ts: NOW - 1_704_067_200_000,
    "losing 20 s a day from 400 s on": lambda ts: 400_000 + 20 * (ts - NOW + 7 * DAY) // 86_400,
}
FAST = {"two minutes": lambda ts: -120_000}


def rate(shift, weeks=WEEKS, **kind):
    """In which share of weeks the clock is said to be wrong at any hour, at the end, and then by how
    much too much or too little at most. [s]"""
    ever, last, error = 0, 0, 0.0
    for week in range(weeks):
        measured, arrived = link(week, **kind)
        told = measured - shift(measured)
        hours = hours_of(arrived, told)
        ever += wrong_clock_hours(hours).any()
        if by := slow_s(hours):
            last += 1
            error = max(error, abs(by - float(shift(measured[-1])) / 1000))
    return ever / weeks, last / weeks, error


@pytest.mark.parametrize("kind", [{}, {"outages": 0}, {"period_ms": 30 * MIN}, {"daily": True}])
def test_no_backlog_is_taken_for_a_slow_clock(kind):
    assert rate(lambda ts: 0, **kind)[:2] == (0, 0)


@pytest.mark.parametrize("shift", [*SLOW.values(), *FAST.values()], ids=[*SLOW, *FAST])
def test_a_wrong_clock_is_found_and_by_how_much(shift):
    ever, last, error = rate(shift, longest_h=8.0)
    assert ever == 1
    assert last >= 0.8  # the rest are in an outage, or in what it left, when the week ends
    assert error < 120


def test_clocks_a_little_off_are_left_alone():
    assert rate(lambda ts: 240_000)[0] == 0
    assert rate(lambda ts: -45_000)[0] == 0


def test_a_clock_is_found_in_its_third_hour_and_forgotten_in_its_first_good_one():
    hours = np.zeros(6, [("hour_ms", "i8"), ("least_s", "f8")])
    hours["hour_ms"] = NOW + np.arange(6) * HOUR
    hours["least_s"] = [0.3, 3600.2, 3600.1, 3600.4, 3600.2, 0.2]
    assert [slow_s(hours[:n]) for n in range(7)] == [0, 0, 0, 0, 3600.1, 3600.1, 0]
    assert list(wrong_clock_hours(hours)) == [False, True, True, True, True, False]
    spans = misdated(hours)
    assert spans.shape == (4, 2)
    assert spans[0, 0] == NOW + HOUR - 3_600_200
    starts = NOW + np.arange(-3, 8) * HOUR
    assert list(overlapping(starts, 3600, spans)) == [0, 0, 1, 1, 1, 1, 1, 0, 0, 0, 0]
    assert not overlapping(starts, 3600, misdated(hours[:0])).any()


def message(sensor, at_ms, received_ms, *, retained=False):
    rh = {"a": 61, "b": 60}[sensor] + np.sin(received_ms / HOUR)
    payload = f'[{{"bt":{at_ms / 1000},"n":"temperature","u":"Cel","v":20}},'
    payload += '{"t":-60,"n":"temperature","u":"Cel","v":20},'
    payload += f'{{"n":"humidity","u":"%RH","v":{rh:.2f}}}]'
    return Arrival(
        1,
        0,
        0,
        f"benchweather/front-bench/{sensor}",
        payload.encode(),
        retained,
        False,
        received_ms,
    )


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """Two sensors at one bench for a day, as the ingest takes them: the first by name an hour slow
    for its last 8 hours."""
    settings = settings_in(tmp_path)
    with (
        contextlib.closing(Writer(settings.store_path)) as writer,
        contextlib.closing(Reader(settings.store_path)) as reader,
    ):
        clock = SteadyClock()
        batches = BatchReader(Contract(), writer, clock)
        for hour in range(NOW - DAY, NOW, HOUR):
            slow = HOUR if hour >= NOW - 8 * HOUR else 0
            batch = batches.read(
                [
                    one
                    for at in range(hour, hour + HOUR, 5 * MIN)
                    for one in (
                        message("a", at - slow, at + 200),
                        message("b", at, at + 200),
                        message("b", at - 3 * DAY, at + 200, retained=True),
                    )
                ],
                clock.moment(),
                0,
            )
            for _ in range(2):  # as after a store that could not be written
                writer.write(batch.readings, lateness=batch.lateness)
        monkeypatch.setattr("monitor.core.clock.time_ns", lambda: NOW * 1_000_000)
        yield settings, reader, writer


def test_the_least_lateness_of_each_hour_is_kept_over_writers(shop):
    settings, reader, writer = shop
    hours = reader.lateness("front-bench", "b", NOW - DAY)
    assert len(hours) == 24
    assert set(hours["least_s"]) == {0.2}
    with contextlib.closing(Writer(settings.store_path)) as other:
        for late in (5_000, 100, 300):
            other.write([], lateness={("front-bench", "b", NOW - HOUR): late})
    writer.write([], lateness={("front-bench", "b", NOW - HOUR): 150})
    assert list(reader.lateness("front-bench", "b", NOW - 2 * HOUR)["least_s"]) == [0.2, 0.1]


def test_the_store_is_told_once_a_minute_and_again_if_it_could_not_be_written(shop):
    *_, writer = shop
    clock = SteadyClock()
    batches = BatchReader(Contract(), writer, clock)

    def lateness(ago_ms, at):
        return batches.read([message("b", at - ago_ms, at)], clock.moment(), 0).lateness

    hour = ("front-bench", "b", NOW)
    for at in (0, 9_000):
        assert lateness(700, NOW + at) == {hour: 700}  # nothing was stored yet
    batches.lateness.stored()
    assert lateness(300, NOW + 20_000) == {}
    assert lateness(500, NOW + 70_000) == {hour: 300}


def test_a_slow_clock_is_told_and_not_taken_for_silence(shop):
    settings, reader, _ = shop
    by_name = {one.sensor: one for one in health(reader, settings, NOW)}
    (found,) = by_name["a"].found
    assert (found.fault, round(found.amount)) == (SensorFault.CLOCK, 3600)
    assert by_name["a"].score == 40
    assert by_name["b"].found == []
    said = "Its clock is 60 min slow, or it sends that late."
    assert sentence(found).startswith(said)
    assert said in str(content(ShopData(settings)))
    assert sentence(found._replace(amount=-120)).startswith("Its clock is 2 min fast.")


def test_means_and_the_present_come_from_the_sensor_whose_clock_is_right(shop):
    settings, reader, _ = shop
    read = means(reader, "front-bench", NOW - DAY, NOW)
    b_says = 60 + np.sin((read.ts_ms + 150_000) / HOUR)  # the mean of two readings
    wrong = read.ts_ms >= NOW - 9 * HOUR
    assert np.abs(read.rh_pct - b_says)[wrong].max() < 0.1
    assert np.abs(read.rh_pct - b_says - 1)[:-1][~wrong[1:]].max() < 0.1
    board = settings.board.model_copy(update={"stale_after_s": 7_200.0})
    patient = dataclasses.replace(settings, board=board)
    (one,) = [o for o in recent(reader, patient, NOW) if o.place.id == "front-bench"]
    assert one.sensor == "b"


def test_a_wrong_clock_is_found_where_the_sensor_stands_whatever_its_topic_says(shop):
    settings, reader, writer = shop
    Commands(writer, look=JarWatch(reader, settings)).carry_out(
        {
            "about": "sensor",
            "do": "move",
            "sensor": "front-bench/a",
            "place": "clients-home",
            "at_ms": NOW - 12 * HOUR,
        },
        NOW,
    )
    series = reader.series()[Series("clients-home", "a", RH)]
    rows = reader.rollups(series, 600, NOW - DAY, NOW)
    bad = rows["ts_ms"][doubtful(reader, "clients-home", "a", rows)]
    assert bad.min() == NOW - 9 * HOUR - 10 * MIN
    assert bad.max() == NOW - HOUR - 10 * MIN
    (one,) = [o for o in health(reader, settings, NOW) if o.place.id == "clients-home"]
    assert [found.fault for found in one.found] == [SensorFault.CLOCK]


if __name__ == "__main__":  # the figures of DEVELOPERS.md
    kinds = {
        "outages to 2 days": {},
        "a link 15 min a day": {"daily": True},
        "sent at 1.05 to 1.5 times": {"pace": (1.05, 1.5)},
        "at 1 to 1.05 times": {"pace": (1, 1.05)},
    }
    for name, kind in kinds.items():
        print(f"right, {name}: told wrong in {rate(lambda ts: 0, 200, **kind)[0]:.3f} of weeks")
    losing = {
        f"losing {share} %, from 400 s on": lambda ts, s=share: (
            400_000 + (s / 100 * (ts - NOW + 7 * DAY)).astype(int)
        )
        for share in (1, 1.5, 2)
    }
    for name, shift in (SLOW | FAST | losing).items():
        ever, last, error = rate(shift, 200, longest_h=8.0)
        print(f"{name}: ever {ever:.3f}, at the end {last:.3f}, off by at most {error:.0f} s")
