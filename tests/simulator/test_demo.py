"""The demo as it stands when its board opens: faults, alerts, work and an outlook, all through the real
paths."""

from __future__ import annotations

import contextlib
import subprocess
import urllib.request

import numpy as np
import pytest
from conftest import RunningService, until

from monitor.commands import Journal
from monitor.core.clock import EVER_MS, now_ms
from monitor.core.measurements import Quantity
from monitor.domain.opening_hours import is_open
from monitor.domain.wait import Feel
from monitor.outlook import files
from monitor.science.sensor_health import SensorFault
from monitor.sensor_care.health import health
from monitor.settings import load
from monitor.store import Reader
from sensors.demo import __main__ as demo
from sensors.demo import past_days, repairs
from sensors.demo.shop import BENCH, CORNER, SERIES, DemoShop
from sensors.demo.troubles import HOUR_MS, SILENT_H, is_sent, more_readings
from sensors.demo.weather import DemoWeather

DAY_MS = 24 * HOUR_MS

pytestmark = [pytest.mark.slow, pytest.mark.broker, pytest.mark.real_clock, pytest.mark.real_start]


@pytest.fixture(scope="module")
def started_demo(tmp_path_factory):
    """The demo from its first start on, as a user starts it; with its outlooks and its progress of
    learning when the board opens."""
    service = RunningService(tmp_path_factory.mktemp("demo") / "shop", demo=True, fork=False)
    service.before = "from monitor.service import supervisor; supervisor.OUTLOOK_AFTER_S = 5"
    try:
        service.start()
        settings = load(data=service.data, demo=True, environ={})
        looks = [files.look(settings, place, now_ms()) for place in (BENCH, CORNER)]
        yield service, looks, files.progress(settings)
    finally:
        service.clear()


@pytest.fixture(scope="module")
def shop(started_demo):
    """What the demo's first start left, once it has ended."""
    service = started_demo[0]
    settings = load(data=service.data, demo=True, environ={})
    with contextlib.closing(Reader(settings.store_path)) as reader:
        until(lambda: reader.tallies()["messages"] >= 3)
        service.stop()
        yield settings, reader, Journal(reader), demo.first_start(settings.data, 0)


def test_the_demo_fills_a_year_and_goes_on_live_through_the_broker(started_demo):
    service = started_demo[0]
    with contextlib.closing(Reader(service.store)) as reader:
        assert reader.tallies()["readings"] > 7 * 365 * 144 * 0.99  # oftener of late
        until(lambda: reader.tallies()["messages"] >= 3)
        latest = {item.reading.series[::2]: item.reading for item in reader.latest(EVER_MS)}
        outdoors = reader.series()[latest["outdoors", Quantity.TEMPERATURE].series]
        asked = now_ms()
        until(lambda: reader.span(outdoors)[1] > asked, what="a reading of after the question")
        first, last = reader.span(outdoors)
    assert {place for place, _ in latest} == {"front-bench", "varnish-corner", "outdoors"}
    assert last - first > 364 * DAY_MS
    url = f"http://127.0.0.1:{service.board_port}/"
    with urllib.request.urlopen(url, timeout=60) as answer:
        assert answer.status == 200
    outlook = ["pgrep", "-P", str(service.pid), "-f", "monitor.outlook"]
    until(
        lambda: subprocess.run(outlook, capture_output=True).stdout,
        what="the outlook's process starts",
    )
    service.stop()


def test_an_alert_is_open_and_one_has_ended(shop):
    alerts = shop[2].alerts.values()
    assert {"battery-low", "sensor-stuck"} <= {one.rule for one in alerts if one.open}
    assert [one.subject for one in alerts if one.rule == "sensor-silent"] == [f"{CORNER}/vc-1"]
    assert all(not one.open for one in alerts if one.rule == "sensor-silent")


def test_a_sensor_is_stuck_and_a_battery_is_low(shop):
    settings, reader, _, started = shop
    found = {one.sensor: {f.fault for f in one.found} for one in health(reader, settings, started)}
    assert found["fb-2"] == {SensorFault.STUCK}
    assert found["out-1"] == {SensorFault.BATTERY}
    assert found["fb-1"] == set()
    assert found["vc-1"] == {SensorFault.REFUSED}  # the garbled message


def test_there_is_an_outlook_as_soon_as_the_board_opens(started_demo, shop):
    _, looks, learning = started_demo
    assert all(look.made_ms >= shop[3] for look in looks)
    assert learning is None


def test_no_instrument_is_open_and_strung_up(shop):
    journal = shop[2]
    opened = {one.reference for one in journal.instruments.values() if one.open_now}
    assert opened
    settling = {one.instrument for one in journal.waits.values() if one.kind["id"] == "settling"}
    assert settling
    assert not opened & settling
    for name in {one.instrument for one in journal.waits.values() if one.open}:
        at = {one.place for one in journal.waits.values() if one.open and one.instrument == name}
        assert len(at) == 1, name  # nothing is in two places


def test_waits_are_dated_when_they_happened_and_their_expected_times_are_sane(shop):
    _, _, journal, started = shop
    waits = list(journal.waits.values())
    assert len(waits) == len(past_days.JOBS)
    for wait in waits:
        assert wait.events[0].recorded_ms == wait.started_ms < started
        low, middle, high = wait.foreseen_ms
        assert wait.started_ms < low <= middle <= high < wait.started_ms + 8 * DAY_MS
        assert wait.expected_air.start_ms <= wait.started_ms
    finished = [one for one in waits if not one.open]
    assert len(finished) >= 5
    assert {one.feel for one in finished} == {Feel.RIGHT, Feel.SOFT, Feel.LONG_BEFORE}
    assert all(one.equivalent_s > 0 for one in finished)
    stages = [
        (started - one.started_ms) / (one.foreseen_ms[1] - one.started_ms)
        for one in waits
        if one.open
    ]
    assert min(stages) < 0.4
    assert max(stages) > 0.8  # near its end, at any hour of the day


def test_repairs_are_under_way_and_their_waits_belong_to_their_steps(shop):
    settings, _, journal, started = shop
    found = journal.repairs.values()
    assert len(found) == len(repairs.REPAIRS)
    steps = [step for one in found for step in one.steps]
    waits = {step.wait for step in steps if step.wait}
    assert len(waits) >= 12
    for step in steps:
        if step.wait:
            assert step.finished is not journal.waits[step.wait].open, step.label
    assert any(one.consents_awaited for one in found)
    promised = [one.promised_ms for one in found if one.promised_ms]
    assert min(promised) > started
    hours = settings.hours.model_dump()
    for at_ms in promised:  # at a closing time
        assert is_open(hours, settings.zone, at_ms - 1)
        assert not is_open(hours, settings.zone, at_ms)


def test_a_second_start_goes_on_where_the_first_ended(shop):
    settings, _, journal, started = shop
    assert demo.first_start(settings.data, started + 5 * DAY_MS) == started
    before = len(journal.waits), len(journal.alerts)
    new = demo.backfill(settings, started + HOUR_MS)
    assert 0 < new < 13 * (len(SERIES) + 4)
    journal.refresh()
    assert (len(journal.waits), len(journal.alerts)) == before


def test_a_damaged_note_of_the_start_is_replaced(tmp_path):
    for content in (b"", b"{}", b"[1]", b'{"started_ms": "x"}', b"\xff"):
        (tmp_path / demo.START_FILE).write_bytes(content)
        assert demo.first_start(tmp_path, 77) == 77
        assert demo.first_start(tmp_path, 78) == 77


@pytest.mark.parametrize("month", [1, 4, 7, 10])
def test_dry_air_comes_within_three_days_of_the_first_start(month):
    """Whatever the season, RH at the bench falls below 35 % for hours."""
    settings = load(data=None, demo=True, environ={"BENCHWEATHER_DATA": "unused"})
    started = int(np.datetime64(f"2026-{month:02}-15T15:00", "ms").astype(np.int64))
    weather = DemoWeather(settings.zone, started)
    ahead = DemoShop(demo.SEED, settings.zone, weather).readings(
        started, started + 84 * HOUR_MS, HOUR_MS
    )[1]
    for series, value in ahead.items():
        if series.place in (BENCH, CORNER) and series.quantity == "humidity":
            assert value[0] > 38
            assert (value < 35).sum() >= 3


def test_the_faults_begin_when_they_should():
    settings = load(data=None, demo=True, environ={"BENCHWEATHER_DATA": "unused"})
    started = 1_795_600_000_000
    shop = DemoShop(demo.SEED, settings.zone, DemoWeather(settings.zone, started))
    ts_ms = np.arange(started - 2 * DAY_MS, started, 600_000)
    found = {
        f"{one.sensor} {one.quantity}": v for one, v in more_readings(shop, ts_ms, started).items()
    }
    rh = found["fb-2 humidity"]
    assert len(np.unique(rh[-50:])) == 1
    assert len(np.unique(rh[:50])) > 10
    assert found["out-1 battery"][-1] == 11
    assert found["vc-1 battery"].min() > 90
    silent = next(one for one in SERIES if one.sensor == "vc-1")
    missing = ts_ms[~is_sent(silent, ts_ms, started)]
    assert (started - missing.min()) / HOUR_MS == pytest.approx(SILENT_H[0], abs=0.2)
    assert (started - missing.max()) / HOUR_MS == pytest.approx(SILENT_H[1], abs=0.2)
    assert is_sent(SERIES[0], ts_ms, started).all()
