"""Readings by hand: typed, stored like any other, and known to be old and sparse."""

from __future__ import annotations

import contextlib

import numpy as np
import pytest
from command_server import make_command_server, opened, six_days

from monitor.air.current import air_now
from monitor.air.last_day import LastDay
from monitor.air.latest_air import recent
from monitor.alerting.sensor_states import sensor_states
from monitor.core.clock import now_ms
from monitor.core.errors import BadPayload, Rejected
from monitor.core.formats import in_reader_unit
from monitor.core.measurements import BY_HAND, Quantity, Reading, Series
from monitor.domain.hand_reading import HELD_MS, LastReading, doubts, widened
from monitor.outlook.place_air import AirSource, PlaceAirs
from monitor.readings.hand_readings import StoredHandReadings
from monitor.readings.payload import Contract
from monitor.science.waits.air_log import AirCoverage
from monitor.sensor_care.health import health
from monitor.store import Reader
from monitor.store.journal import events_about

__all__ = ["make_command_server", "six_days"]
HOUR_MS, MINUTE_MS = 3_600_000, 60_000
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY


@pytest.fixture
def shop(make_command_server):
    """A shop without a sensor and without a place in its settings."""
    one = make_command_server()
    one.start()
    return one


def do(shop, what, **fields):
    asked = {"about": "reading", "do": what, "place": "bench", "by": "Anna", **fields}
    return shop.commands.carry_out(asked, now_ms())


def read(shop, **fields):
    return do(shop, "read", **{"temp_c": 21.5, "rh_pct": 43.0, **fields})


def airs(shop, at_ms=None):
    at_ms = at_ms or now_ms()
    with contextlib.closing(Reader(shop.store)) as reader:
        return {
            a.place.id: a
            for a in air_now(recent(reader, shop.settings, at_ms), shop.settings, at_ms)
        }


def test_a_shop_without_a_sensor_has_air_from_the_first_typed_reading(shop):
    read(shop)
    air = airs(shop)["bench"]
    assert (air.temp_c, air.rh_pct, air.by_hand, air.old) == (21.5, 43.0, True, False)
    with contextlib.closing(Reader(shop.store)) as reader:
        (event,), _ = events_about(reader.connection, "reading")
    assert (event.by, event.body["rh_pct"]) == ("Anna", 43.0)


def test_a_reading_by_hand_is_old_after_four_hours_and_less_sure_until_then(shop):
    read(shop)
    now = now_ms()
    fresh, later = airs(shop)["bench"], airs(shop, now + HELD_MS - MINUTE_MS)["bench"]
    assert not later.old
    assert airs(shop, now + HELD_MS + MINUTE_MS)["bench"].old
    assert later.u_moisture_pct > 1.5 * fresh.u_moisture_pct
    assert widened(0.3, 2.0, 0) == (0.3, 2.0)


@pytest.mark.parametrize(
    ("fields", "fault"),
    [
        ({"rh_pct": 101}, "rh_pct"),
        ({"rh_pct": -1}, "rh_pct"),
        ({"temp_c": 86}, "temp_c"),
        ({"temp_c": "warm"}, "temp_c"),
        ({"place": "a/b"}, "place"),
        ({"place": ""}, "place"),
        ({"place": "<b>x"}, "letters, digits and - _"),
        ({"at_ms": 0}, "at"),
    ],
)
def test_what_no_hygrometer_can_show_is_rejected(shop, fields, fault):
    with pytest.raises(Rejected, match=fault):
        read(shop, **fields)
    with pytest.raises(Rejected, match="at"):
        read(shop, at_ms=now_ms() + HOUR_MS)
    with pytest.raises(Rejected):
        do(shop, "read", rh_pct=43)
    assert not airs(shop)


def test_a_mistyped_reading_is_withdrawn_and_the_one_before_counts_again(shop):
    read(shop, at_ms=now_ms() - HOUR_MS)
    read(shop, rh_pct=93.0, at_ms=now_ms() - MINUTE_MS, sure=True)
    assert airs(shop)["bench"].rh_pct == 93.0
    do(shop, "withdraw")
    assert airs(shop)["bench"].rh_pct == 43.0
    do(shop, "withdraw")
    with pytest.raises(Rejected, match="no reading by hand"):
        do(shop, "withdraw")


def test_a_second_reading_of_the_same_moment_is_not_lost_in_silence(shop):
    at = now_ms() - HOUR_MS
    read(shop, at_ms=at)
    with pytest.raises(Rejected, match="withdraw it"):
        read(shop, at_ms=at, rh_pct=50)


def test_a_place_that_is_not_known_is_rejected_where_places_are(make_command_server, six_days):
    shop = opened(make_command_server(), six_days)
    with pytest.raises(Rejected, match="place"):
        read(shop, place="cellar")
    read(shop, place="rack")


def test_a_sensor_that_sends_comes_before_a_reading_by_hand(make_command_server, six_days):
    shop = opened(make_command_server(), six_days)
    sensor = Series("bench", "zz", RH), Series("bench", "zz", T)
    now = now_ms()
    shop.writer.write([Reading(one, now, v) for one, v in zip(sensor, (60.0, 20.0), strict=True)])
    read(shop, at_ms=now, sure=True)
    assert airs(shop, now)["bench"].rh_pct == 60.0
    air = airs(shop, now + HOUR_MS)["bench"]  # the sensor is silent by then
    assert (air.rh_pct, air.by_hand, air.old) == (43.0, True, False)


def test_nobody_looks_for_the_radio_of_a_hygrometer_that_is_read_by_hand(shop):
    read(shop, at_ms=now_ms() - 30 * HOUR_MS)
    with contextlib.closing(Reader(shop.store)) as reader:
        (found,) = health(reader, shop.settings, now_ms())
        (seen,) = sensor_states(LastDay(reader, now_ms()), shop.settings)
    assert (found.sensor, found.found, found.score) == (BY_HAND, [], 100)
    assert now_ms() - seen.heard_ms < MINUTE_MS
    assert np.isnan(seen.unchanged_s)


def test_a_message_cannot_pass_for_a_reading_by_hand():
    with pytest.raises(BadPayload, match="person"):
        Contract().decode("benchweather/bench/by-hand", b'[{"n":"humidity","u":"%RH","v":46}]', 1)


def test_a_wait_counts_the_air_for_four_hours_and_knows_nothing_after(shop):
    now = now_ms() // (10 * MINUTE_MS) * 10 * MINUTE_MS  # the log has an hour's ten minutes
    read(shop, at_ms=now - 9 * HOUR_MS)
    with contextlib.closing(Reader(shop.store)) as reader:
        log = PlaceAirs(reader, now, {}, settings=shop.settings).log("bench")
        after = log.cut(now - 9 * HOUR_MS + 11 * MINUTE_MS, now)
        hours = {k: after.seconds[after.known == k].sum() / 3600 for k in AirCoverage}
        assert hours[AirCoverage.AIR] == pytest.approx(3.8, abs=0.2)
        assert hours[AirCoverage.GAP] == pytest.approx(5.0, abs=0.2)
        assert PlaceAirs(reader, now, {}, settings=shop.settings).source("bench") is AirSource.NONE
    read(shop, at_ms=now - HOUR_MS)
    with contextlib.closing(Reader(shop.store)) as reader:
        place = PlaceAirs(reader, now, {}, settings=shop.settings)
        assert place.source("bench") is AirSource.PRESENT
        assert place.sensor_error("bench", shop.settings).u_rh_pct > 5


def test_a_reading_a_day_shows_no_daily_pattern(shop):
    now = now_ms()
    rows = [
        Reading(Series("bench", BY_HAND, q), now - HOUR_MS - day * 24 * HOUR_MS, v)
        for day in range(20)
        for q, v in ((T, 20.0), (RH, 40.0 + day))
    ]
    shop.writer.write(rows)
    with contextlib.closing(Reader(shop.store)) as reader:
        assert (
            PlaceAirs(reader, now, {}, settings=shop.settings).source("bench") is AirSource.PRESENT
        )


def test_it_is_typed_at_the_command_line_too(shop):
    shop.environment["COLUMNS"] = "200"
    done = shop.command("sensor", "read", "bench", "--temp", "70F", "--rh", "43%")
    assert done.returncode == 0, done.stderr
    assert airs(shop)["bench"].temp_c == pytest.approx(21.11, abs=0.01)
    assert "by hand, 0 s ago" in shop.command("now").stdout
    bad = shop.command("sensor", "read", "bench", "--temp", "21", "--rh", "143")
    assert bad.returncode == 1
    assert "0 to 100" in bad.stderr
    assert shop.command("sensor", "withdraw", "bench").returncode == 0
    assert "bench" not in airs(shop) or airs(shop)["bench"].heard_ms is None


@pytest.mark.parametrize(
    ("fields", "asked"),
    [
        ({"rh_pct": 44}, "44 % is 10 points below the last reading, 54 %, 40 minutes earlier."),
        ({"temp_c": 12}, "12.0 °C is far from the last reading, 20.0 °C, 40 minutes earlier."),
        ({"temp_c": -6.667}, "−6.7 °C is very cold for a room. −6.7 °C is far from"),
        ({"rh_pct": 5}, "5 % is very dry for a room. 5 % is 49 points below"),
        ({"rh_pct": 49, "temp_c": 22}, None),
        ({"rh_pct": 61.4}, None),
    ],
)
def test_a_reading_that_looks_mistyped_is_asked_back_once_and_never_refused(shop, fields, asked):
    usual = {"temp_c": 20.0, "rh_pct": 54.0}
    read(shop, **usual, at_ms=now_ms() - 40 * MINUTE_MS)
    if asked is None:
        read(shop, **{**usual, **fields})
        return
    with pytest.raises(Rejected) as caught:
        read(shop, **{**usual, **fields})
    (fault,) = caught.value.faults
    assert fault.field == "sure"
    assert fault.problem.startswith(asked)
    assert fault.problem.endswith("Keep it?")
    if "temp_c" in fields:  # as it was typed
        assert f"{1.8 * fields['temp_c'] + 32:.0f} °F" in in_reader_unit(fault.problem, "F")
    assert airs(shop)["bench"].rh_pct == 54.0
    read(shop, **{**usual, **fields}, sure=True)
    with contextlib.closing(Reader(shop.store)) as reader:
        newest = events_about(reader.connection, "reading")[0][-1]
    assert newest.body["sure"].startswith(asked)


def test_a_place_whose_air_swings_is_asked_about_less():
    last = LastReading(0, 20.0, 54.0)
    assert doubts(20.0, 44.0, HOUR_MS, last, indoors=True)
    assert not doubts(20.0, 44.0, HOUR_MS, last._replace(rh_sd_pct=4.0), indoors=True)
    assert not doubts(20.0, 44.0, 25 * HOUR_MS, last, indoors=True)  # too old to compare with
    assert not doubts(-7.0, 95.0, HOUR_MS, None, indoors=False)


def test_the_spread_of_a_place_is_that_of_its_last_week(shop):
    now = now_ms()
    rows = [
        Reading(Series("bench", "s1", q), now - hour * HOUR_MS, value)
        for hour in range(48)
        for q, value in ((T, 20.0), (RH, 50.0 + 5 * (-1) ** hour))
    ]
    shop.writer.write(rows)
    with contextlib.closing(Reader(shop.store)) as reader:
        kept = StoredHandReadings(reader, shop.writer, ["yard"])
        last = kept.last_before("bench", now)
        assert (last.at_ms, last.rh_pct) == (now, 55.0)
        assert (last.temp_sd_k, last.rh_sd_pct) == (0.0, pytest.approx(5.0))
        assert kept.is_indoors("bench")
        assert not kept.is_indoors("yard")
        assert kept.last_before("nowhere", now) is None


def test_the_command_line_asks_back_too(shop):
    read(shop, temp_c=20.0, rh_pct=54.0, at_ms=now_ms() - 40 * MINUTE_MS)
    asked = shop.command("sensor", "read", "bench", "--temp", "20C", "--rh", "44")
    assert asked.returncode == 1
    assert "44 % is 10 points below the last reading" in asked.stdout + asked.stderr
    assert airs(shop)["bench"].rh_pct == 54.0
    kept = shop.command("sensor", "read", "bench", "--temp", "20C", "--rh", "44", "--yes")
    assert kept.returncode == 0, kept.stderr
    assert airs(shop)["bench"].rh_pct == 44.0


def test_degrees_fahrenheit_typed_as_celsius_are_not_stored(shop):
    """At 68 °C a coat would be ready at once."""
    with pytest.raises(Rejected, match="°F"):
        read(shop, temp_c=68.0)
    assert "bench" not in airs(shop)
