"""Sensors and its pages: readings with a wrong time, taken in, dismissed, voided and restored."""

from __future__ import annotations

import contextlib
import functools

import dashboard_fixtures as shop_air
import pytest
from board_requests import HERE, do, said

from dashboard.data import sensors as data_sensors
from dashboard.data.shop import ShopData
from dashboard.sensors import page as sensors_page
from dashboard.sensors import sensor_page
from monitor.commands import Commands
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.core.steady_clock import SteadyClock
from monitor.readings.aside import AsideMessages
from monitor.readings.newcomers import Newcomers
from monitor.readings.payload import Contract
from monitor.sensor_care.calibration import JarWatch
from monitor.store import Reader, Writer, newcomers
from monitor.store.aside import AsideMessage
from monitor.store.newcomers import WaitingMessage


@pytest.fixture
def settings(tmp_path):
    return shop_air.settings_in(tmp_path)


@pytest.fixture
def writer(settings):
    with contextlib.closing(Writer(settings.store_path)) as one:
        now = now_ms()
        one.write(
            [
                Reading(Series("front-bench", "fb-1", q), now - 60_000 * i, v)
                for i in range(30)
                for q, v in ((Quantity.TEMPERATURE, 20.0), (Quantity.HUMIDITY, 45.0))
            ]
        )
        yield one


def test_sensors_shows_what_is_kept_aside_and_what_is_dated_ahead(settings, writer):
    full, now, far_ms = ShopData(settings), now_ms(), 13 * 365 * 86_400_000
    ahead = Reading(Series("front-bench", "fb-1", Quantity.HUMIDITY), now + far_ms, 90.0)
    kept = AsideMessage(now + far_ms, now, "loft/a1", "benchweather/loft/a1", b"[]", 2)
    assert "Readings with a wrong time" not in said(sensors_page.content(full))
    writer.write([ahead], messages_aside=[kept])
    for may in (False, True):
        text = said(sensors_page.content(full, writer=may))
        assert "loft/a1: 2 readings kept aside." in text
        assert "fb-1: stored readings dated ahead of the clock, 1 in all. The last is of" in text
        assert ("Take in with corrected times" in text) is may
        assert ("Void them" in text) is may


def test_new_names_that_wait_are_listed_and_admitted_or_refused_by_taps(settings, writer):
    full, now = ShopData(settings), now_ms()
    assert "New places" not in said(sensors_page.content(full))
    waiting = dict.fromkeys(("loft", "evil<b>", "bench/s9"), (now, newcomers.WAITING))
    with writer.connection.transaction() as run:
        newcomers.note(run, waiting, {"loft": 3})
        newcomers.keep(run, [WaitingMessage("loft", now, "benchweather/loft/1", b"[]", 1)])
    for may in (False, True):
        text = said(sensors_page.content(full, writer=may))
        assert "Messages kept: 1. Not kept: 3." in text
        assert ("Admit" in text.replace("Admit only", "").replace("admit them", "")) is may
    with contextlib.closing(Reader(settings.store_path)) as reader:
        keeper = Newcomers(writer)
        with shop_air.command_link(settings, Commands(writer, newcomers=keeper)):
            tap = functools.partial(do, shop_air.board_client(settings), about="newcomer")
            assert tap(do="admit", newcomer="loft")[0] == 200
            assert tap(do="admit", newcomer="nobody")[0] == 409
            assert tap(do="admit")[0] == 409
            assert tap(do="refuse", every="yes")[0] == 200
        states = {one.name: one.state for one in newcomers.every(reader)}
    assert states == {"loft": "admitted", "evil<b>": "refused", "bench/s9": "refused"}
    assert "2 refused" in said(sensors_page.content(full))


def test_sensors_shows_what_the_broker_refused_as_text_only(settings, writer):
    full = ShopData(settings)
    assert "Rejected by the broker" not in said(sensors_page.content(full))
    log = settings.broker_log_path
    log.parent.mkdir()
    # As the embedded broker writes it; tests/readings/test_broker.py reads its own.
    stamp, at = "[9] 2026/12/09 09:29:59.784385 [ERR]", "192.168.1.7:5 - mid:1"
    lines = [
        f'{stamp} {at} - "attic.1" - invalid character in client ID "attic.1"',
        f'{stamp} {at} - "attic.1" - unable to connect: no such thing',
        f'{stamp} {at} - "\x1b[2J" - Publish Violation - Subject "other.a//b"',
        "not a line of the log",
    ]
    log.write_text("\n".join(lines))
    text = said(sensors_page.content(full))
    assert "Rejected by the broker" in text
    assert "attic.1  from 192.168.1.7 Its client id has a '.'" in text
    assert "may not publish on other/a.b: the message was acknowledged and dropped." in text
    assert "\x1b" not in text


def test_taps_take_in_dismiss_and_void(settings, writer):
    now, far_ms = now_ms(), 13 * 365 * 86_400_000
    pack = b'[{"n":"humidity","u":"%RH","v":46}]'
    ahead = Reading(Series("front-bench", "fb-1", Quantity.HUMIDITY), now + far_ms, 90.0)
    writer.write(
        [ahead],
        messages_aside=[
            AsideMessage(
                now + far_ms + i, now + i, f"loft/a{n}", f"benchweather/loft/a{n}", pack, 1
            )
            for n in (1, 2)
            for i in (0, 1)
        ],
    )
    with contextlib.closing(Reader(settings.store_path)) as reader:
        keeper = AsideMessages(writer, Contract(), SteadyClock())
        commands = Commands(writer, look=JarWatch(reader, settings), aside=keeper)
        with shop_air.command_link(settings, commands):
            client = shop_air.board_client(settings)

            tap = functools.partial(do, client)
            dated = {"about": "aside", "do": "take", "sensor": "loft/a1", "as_dated": "yes"}
            code, found = tap(**dated)
            assert (code, "ahead of the clock" in found["refused"]) == (409, True)
            assert tap(about="aside", do="take", sensor="loft/a1")[0] == 200
            assert tap(about="aside", do="dismiss", sensor="loft/a2")[0] == 200
            assert full_of(reader, "loft") == {"a1": 2}
            void = {"about": "sensor", "do": "void-readings", "sensor": "front-bench/fb-1"}
            assert tap(**void, from_ms=str(now + far_ms), why="dated ahead")[0] == 200
            assert reader.ahead(now) == []
            code, found = tap(**void, form={"from": "", "until": "", "why": ""})
            assert (code, "why" in found["fields"]) == (409, True)
            assert tap(**void, form={"from": "", "until": "", "why": "in the sun"})[0] == 200
            undo = void | {"do": "restore-readings", "number": "2"}
            assert tap(**undo)[0] == 200
            assert tap(**void, all="yes", form={"why": "hostile"})[0] == 200
            assert "front-bench" not in {series.place for series in reader.series()}
            words = said(sensors_page.content(ShopData(settings)))
            assert "Removed front-bench/fb-1" in words
            page = client.get("/sensors/front-bench/fb-1", headers=HERE)
            assert page.status_code == 200
            one = data_sensors.sensor_details(ShopData(settings), "front-bench/fb-1")
            words = said(sensor_page.history(one, ShopData(settings)))
            assert "Void 2 of readings undone" in words
            assert "from the first reading until" in words


def full_of(reader, place):
    """Number of readings of each sensor at a place."""
    return {
        series.sensor: len(reader.readings(i, 0, 2**50)[0])
        for series, i in reader.series().items()
        if series.place == place
    }
