"""Simulated shops: the same readings whatever is asked, believable air, and each in the store once."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from conftest import ROOT, benchweather, until

from monitor.core.clock import now_ms, to_ms
from monitor.core.measurements import MEASURES, Quantity, Series
from monitor.mqtt.client import Address, Subscription
from monitor.readings import replay
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.readings.payload.senml import Senml
from monitor.science.air import vapour_pressure
from monitor.store import Reader, Writer
from sensors.simulator import habits, room, shops, simulate
from sensors.simulator.messages import messages
from sensors.simulator.random_shop import random_shops
from sensors.simulator.shops import PLACES, Shops
from sensors.simulator.time_grid import GRID_MS
from sensors.simulator.weather import ZonedYear

BERLIN = ZoneInfo("Europe/Berlin")
T, RH, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE
DAY_MS = 86_400_000


def ms(*date: int) -> int:
    return to_ms(datetime(*date, tzinfo=UTC))


@pytest.fixture
def soon(monkeypatch):
    """Rooms that are stepped from two days before, not four weeks, to save time."""
    monkeypatch.setattr(shops, "SPIN_UP_MS", 2 * DAY_MS)


def read(made, start, end):
    """Times, and values by quantity, of all blocks as one."""
    blocks = list(made.blocks(start, end))
    values = {q: np.concatenate([b.values[q][1] for b in blocks]) for q in blocks[0].values}
    return np.concatenate([b.ts_ms for b in blocks]), values


def by_series(made, ts_ms, values):
    """The same as (times, values) of each series."""
    outdoors = [i for i, one in enumerate(made.sensors) if PLACES[one.where].name == "outdoors"]
    which = {T: range(len(made.sensors)), RH: range(len(made.sensors)), P: outdoors}
    return {
        Series(made.sensors[i].place, made.sensors[i].name, quantity): (ts_ms[:, i], column)
        for quantity, each in values.items()
        for i, column in zip(which[quantity], each.T, strict=True)
    }


PERIOD = 600_000


@pytest.mark.slow
@pytest.mark.usefixtures("soon")
def test_the_same_seed_reads_the_same_whatever_stretch_company_and_block(monkeypatch):
    ts_ms, values = read(Shops(7, BERLIN, 3, 4, PERIOD), ms(2025, 3, 31, 18), ms(2025, 4, 1, 12))
    assert ts_ms.shape == (6 * 18, 12)
    for company, small in ((3, False), (1, True)):
        if small:
            monkeypatch.setattr(shops, "VALUES_AT_ONCE", 50)
            monkeypatch.setattr(shops, "STEPS_AT_ONCE", 100)
        made = Shops(7, BERLIN, company, 4, PERIOD)
        part_ms, part = read(made, ms(2025, 4, 1, 3), ms(2025, 4, 1, 6))
        rows = slice(6 * 9, 6 * 12)
        assert np.array_equal(part_ms, ts_ms[rows, : 4 * company])
        for quantity, each in part.items():
            assert np.array_equal(each, values[quantity][rows, : each.shape[1]])


@pytest.mark.usefixtures("soon")
def test_sensors_read_what_can_be_believed_each_at_a_moment_of_its_own():
    made = Shops(3, BERLIN, 12, 6, 10_000)
    start = ms(2026, 2, 1)
    ts_ms, values = read(made, start, start + 600_000)
    assert (np.diff(ts_ms, axis=0) == 10_000).all()
    assert ((ts_ms[0] >= start) & (ts_ms[0] < start + 10_000)).all()
    assert len(set(ts_ms[0])) > 60
    assert made.values_each_period == sum(each.shape[1] for each in values.values()) == 12 * 13
    for quantity, each in values.items():
        measure = MEASURES[quantity]
        assert np.isfinite(each).all()
        assert measure.low <= each.min() <= each.max() <= measure.high
    coarse = [i for i, column in enumerate(values[RH].T) if not (2 * column % 1).any()]
    assert 5 < len(coarse) < 60  # those that know halves or whole per cents only
    named = {(one.shop, PLACES[one.where].name) for one in made.sensors}
    assert len(named) == 3 * 12
    assert len({one.name for one in made.sensors}) == 72


@pytest.mark.slow
@pytest.mark.usefixtures("soon")
def test_another_seed_is_another_shop_and_shops_differ():
    span = ms(2025, 2, 3), ms(2025, 2, 5)
    (_, a), (_, b) = (read(Shops(seed, BERLIN, 2, 3, PERIOD), *span) for seed in (1, 2))
    for one, other in ((a[RH][:, 0], b[RH][:, 0]), (a[RH][:, 0], a[RH][:, 3])):
        assert np.abs(one - other).mean() > 1
    assert np.abs(a[P][:, 0] - a[P][:, 1]).mean() > 100


def driven(seed, start, days):
    ts_ms = start + GRID_MS * np.arange(days * DAY_MS // GRID_MS)
    outdoors = ZonedYear(BERLIN).at(ts_ms + GRID_MS)
    if isinstance(seed, tuple):
        columns = (np.repeat(one[:, None], len(seed), axis=1) for one in outdoors)
        outdoors = type(outdoors)(*columns)
    pressure = vapour_pressure(outdoors.dew_point_c, 100.0)
    return habits.drive(seed, BERLIN, ts_ms, outdoors, pressure)


@pytest.mark.slow
def test_many_shops_are_stepped_as_one_is():
    # Independent: the same lines in plain floats. Tolerance: ours; the libraries' exp and log may
    # differ in the last bit, and a thermostat may then switch a step apart.
    start = ms(2025, 3, 28)  # over the change of clocks
    together = driven((7, 8), start, 5)
    both = room.run(together, GRID_MS / 1000)
    for i, seed in enumerate((7, 8)):
        alone = driven(seed, start, 5)
        for one, other in zip(alone, together, strict=True):
            assert np.array_equal(one, other[:, i])
        run = room.run(alone, GRID_MS / 1000)
        apart = np.abs(run.vapour_pressure_pa - both.vapour_pressure_pa[:, :, i])
        assert np.quantile(apart, 0.99) < 1e-6
        assert np.quantile(np.abs(run.temp_c - both.temp_c[:, :, i]), 0.99) < 1e-9


STEADY = {"outdoor_c": 5.0, "outdoor_pa": 700.0, "set_c": 20.0, "gains_w": 300.0}


def steady(shop, **changes):
    """RH at the bench [%] after three days without change, of 40 drawn shops."""
    shape = 3 * DAY_MS // GRID_MS, 40
    still = {name: np.zeros(shape) for name in room.RoomDrive._fields}
    held = {name: np.full(shape, value) for name, value in (STEADY | changes).items()}
    run = room.run(room.RoomDrive(**(still | held)), GRID_MS / 1000, shop.rooms, shop.fittings)
    saturated = room.saturation_pa(run.temp_c[-1, 0], room.MANY)
    return 100 * run.vapour_pressure_pa[-1, 0] / saturated


@pytest.mark.slow
def test_cold_outdoors_dries_heated_air_and_people_glue_pots_and_wind_tell():
    shop = random_shops(tuple(range(40)))
    usual = steady(shop)
    assert (steady(shop, outdoor_c=-10.0, outdoor_pa=230.0) < usual - 5).all()
    people = steady(shop, sources_g_h=habits.PERSON_G_H + habits.GLUE_POT_G_H)
    assert (people > usual + 1).all()
    assert (steady(shop, sources_g_h=65.0, wind_m_s=8.0) < steady(shop, sources_g_h=65.0)).all()


@pytest.mark.usefixtures("soon")
def test_messages_are_the_same_readings_in_order_and_in_packs():
    made = Shops(5, BERLIN, 2, 4, 10_000)
    start, now = ms(2026, 2, 1), ms(2026, 2, 1) + 900_000

    def told(to_send):
        sent = list(to_send)
        readings = [
            reading
            for one in sent
            for reading in Senml(*one.topic.split("/")[1:])(one.payload, now + DAY_MS).readings
        ]
        assert sum(one.readings for one in sent) == len(readings)
        return sent, readings

    span = {"start_ms": start, "end_ms": start + 1_800_000}
    in_order, one_by_one = told(messages(made, **span, in_order=True))
    times = [one.measured_ms for one in in_order]
    assert times == sorted(times)
    assert len(in_order) == 8 * 180
    mixed, packed = told(messages(made, **span, in_order=False, clock=lambda: now))
    assert sorted(packed) == sorted(one_by_one)
    packs = [one for one in mixed if one.readings > 3]
    assert 8 <= len(packs) < 40
    assert max(one.readings for one in packs) <= replay.AT_ONCE
    later = [one for one in mixed if one.measured_ms > now]
    assert [one.readings for one in later] == [
        3 if one.topic.split("/")[1].endswith("outdoors") else 2 for one in later
    ]


# Sending


class Scripted:
    """Stands for a publisher whose broker acknowledges at once; notes when what was sent, and calls
    `after` for each."""

    def __init__(self, after=lambda: None):
        self.sent, self._after = [], after

    def publish(self, topic, payload):
        self.sent.append((now_ms(), topic, payload))
        self._after()
        return lambda wait_s: None


@pytest.mark.slow
def test_nothing_is_sent_before_its_time_and_a_stop_ends_it():
    def stops_later():
        if len(publisher.sent) == 16:
            threading.Timer(0.2, stop.set).start()

    stop, begun, publisher = threading.Event(), now_ms(), Scripted(stops_later)
    due = [begun + 50 * i for i in range(-10, 6)]
    messages = (
        replay.RecordedMessage(at, f"benchweather/b/{i}", b"", 2)
        for i, at in enumerate([*due, begun + 3_600_000])
    )
    acknowledged = []
    sent = replay.send(publisher, messages, acknowledged.append, in_time=True, stop=stop)
    assert sent == sum(acknowledged) == 2 * len(publisher.sent)
    for (at, _, _), wanted in zip(publisher.sent, due, strict=True):
        assert at >= wanted - 2  # ours: two clocks, rounded to a millisecond each


@pytest.mark.slow
def test_a_pace_is_kept_from_the_first_message_on_however_long_it_took_to_make():
    def slow():
        time.sleep(0.3)
        for i in range(4):
            yield replay.RecordedMessage(ms(2026, 2, 1) + 60_000 * i, "benchweather/b/a", b"", 2)

    publisher = Scripted()
    replay.send(publisher, slow(), lambda _: None, pace=600)
    times = [at for at, _, _ in publisher.sent]
    assert times[-1] - times[0] >= 300 - 5  # ours: a clock in whole milliseconds


WRONG = [
    ([], "Name the broker"),
    (["--broker", "http://x"], "must be mqtt://host:port"),
    (["--broker", "mqtt://x", "--user", "x"], "must be given together"),
    (["--shops", "101", "--sensors", "100"], "10100 sensors: at most 10000 in all"),
    (["--broker", "mqtt://x", "--pace", "0"], "must be above 0"),
    (["--broker", "mqtt://x", "--from", "soon"], "must be a day or time"),
    (["--broker", "mqtt://x", "--from", "2019-12-01"], "must not be before 2020"),
    (["--broker", "mqtt://x", "--from", "2126-01-01"], "is in the future"),
    (["--broker", "mqtt://x", "--from", "2026-01-02", "--to", "2026-01-01"], "No whole period of"),
]


def command(*arguments):
    """The command as it runs once it has taken the process's place."""
    return benchweather(*arguments, app=simulate.app)


def test_what_cannot_be_simulated_is_told_in_a_line(tmp_path):
    for arguments, why in WRONG:
        done = command(*arguments, "--data", str(tmp_path))
        assert (done.returncode, done.stderr.count("\n")) == (2, 1), (arguments, done.stderr)
        assert why in done.stderr


@pytest.mark.slow
def test_the_command_takes_the_place_of_the_command_line():
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "sensor", "simulate", "--places", "--sensors", "2"],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert '[[places]]\nid = "sim1-bench"\nkind = "bench"\nvolume_m3 = ' in done.stdout
    assert 'id = "sim1-varnish"\nkind = "varnish"' in done.stdout


@pytest.mark.broker
@pytest.mark.usefixtures("soon")
def test_what_is_sent_through_mosquitto_is_in_the_store_exactly_once(mosquitto, tmp_path):
    (tmp_path / "benchweather.toml").write_text('[shop]\ntime_zone = "Europe/Berlin"\n')
    writer = Writer(tmp_path / "readings.sqlite3")
    subscription = Subscription(
        Address("127.0.0.1", mosquitto.port), ["benchweather/+/+"], "simulated"
    )
    ingest = Ingest(subscription, Contract(), writer)
    ingest.start()
    until(lambda: subscription.connected, what="the ingest is connected")
    span = ["--from", "2026-02-01T00:00+00:00", "--to", "2026-02-01T00:30+00:00"]
    to = ["--broker", mosquitto.url, "--shops", "3", "--seed", "5", "--data", str(tmp_path)]
    with contextlib.closing(Reader(tmp_path / "readings.sqlite3")) as reader:
        for number, more in ((1, []), (2, ["--pace", "1e6"])):
            done = command(*span, *to, *more)
            assert done.returncode == 0, done.stderr
            assert f"{3 * 9 * 180} readings in " in done.stdout
            until(
                lambda n=number: (
                    sum(map(reader.tallies().get, ("readings", "repeats"))) == n * 3 * 9 * 180
                ),
                what="all have come",
            )
        assert reader.tallies()["readings"] == 3 * 9 * 180
        assert reader.tallies()["refused"] == 0
        made = Shops(5, BERLIN, 3, 4)
        sent = by_series(made, *read(made, ms(2026, 2, 1), ms(2026, 2, 1, 0, 30)))
        assert sent.keys() == reader.series().keys()
        for series, (ts_ms, values) in sent.items():
            held_ms, held = reader.raw_values(series, 0, 2**53)
            assert np.array_equal(held_ms, ts_ms)
            assert np.array_equal(held, values)
    ingest.stop(60)
    writer.close()
