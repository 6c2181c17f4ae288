"""Readings that count for nothing: voided ones, and those dated ahead of the clock."""

from __future__ import annotations

import contextlib
import io

import numpy as np
import pytest
from dashboard_fixtures import settings_in

from monitor.air.current import air_now
from monitor.air.latest_air import recent
from monitor.air.place_means import means, places
from monitor.alerting.observations import ServiceTroubles, observe, snapshot
from monitor.commands import Commands, Journal
from monitor.core.clock import AHEAD_MAX_MS, EVER_MS
from monitor.core.errors import Rejected
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.alerts.rule_registry import in_use
from monitor.domain.places import AirLimits
from monitor.readings import export
from monitor.sensor_care.calibration import JarWatch
from monitor.sensor_care.health import health
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader, Writer

MIN, HOUR = 60_000, 3_600_000
NOW = 1_780_000_000_000 // HOUR * HOUR
IN_2039 = 2_180_000_000_000
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY


class Shop:
    def __init__(self, folder):
        self.settings = settings_in(folder)
        self.writer = Writer(self.settings.store_path)
        self.reader = Reader(self.settings.store_path)
        self.commands = Commands(self.writer, look=JarWatch(self.reader, self.settings))

    def hears(self, place, sensor, start, end, rh, step=MIN):
        self.writer.write(
            [
                Reading(Series(place, sensor, q), at, value)
                for at in range(start, end, step)
                for q, value in ((T, 20.0), (RH, rh))
            ]
        )

    def do(self, do, sensor="loft/a", **request):
        return self.commands.carry_out(
            {"about": "sensor", "do": do, "sensor": sensor, "by": "Ina", **request}, NOW
        )

    def air(self, place="loft", now=NOW):
        airs = air_now(recent(self.reader, self.settings, now), self.settings, now)
        return next((one for one in airs if one.place.id == place), None)

    def close(self):
        self.reader.close()
        self.writer.close()


@pytest.fixture
def shop(tmp_path):
    with contextlib.closing(Shop(tmp_path)) as one:
        one.hears("loft", "a", NOW - 6 * HOUR, NOW, 40.0)
        yield one


@pytest.mark.parametrize("ahead_ms", [HOUR, IN_2039 - NOW])
def test_a_stored_reading_dated_ahead_never_leads_its_place(shop, ahead_ms):
    shop.hears("loft", "a", NOW + ahead_ms, NOW + ahead_ms + 10 * MIN, 90.0)
    air = shop.air()
    assert (air.rh_pct, air.heard_ms, air.old) == (40.0, NOW - MIN, False)
    assert shop.reader.ahead(NOW) == [("loft/a", 20, NOW + ahead_ms, NOW + ahead_ms + 9 * MIN)]


def test_a_sensor_that_falls_silent_is_found_however_far_ahead_its_readings_are(shop):
    shop.hears("loft", "a", IN_2039, IN_2039 + 10 * MIN, 90.0)
    later = NOW + 3 * HOUR
    assert shop.air(now=later).old
    (found,) = [one for one in health(shop.reader, shop.settings, later) if one.sensor == "a"]
    assert [str(f.fault) for f in found.found][:1] == ["silent"]
    rules = in_use(AirLimits(), {})
    sight = snapshot(
        shop.reader, shop.settings, Journal(shop.reader), [], [], ServiceTroubles(), later
    )
    silent = [
        seen.value
        for rule in rules.values()
        if rule.quantity == "silent_s"
        for seen in observe([rule], sight)[rule.id]
    ]
    assert silent == [pytest.approx((later - NOW + MIN) / 1000)] * len(silent)
    assert silent


def test_a_sensor_clock_within_the_tolerance_is_never_silent_for_less_than_nothing(shop):
    shop.hears("loft", "a", NOW + AHEAD_MAX_MS - MIN, NOW + AHEAD_MAX_MS, 41.0)
    assert shop.air().rh_pct == 41.0
    sight = snapshot(
        shop.reader, shop.settings, Journal(shop.reader), [], [], ServiceTroubles(), NOW
    )
    rule = next(r for r in in_use(AirLimits(), {}).values() if r.quantity == "silent_s")
    assert [seen.value for seen in observe([rule], sight)[rule.id]] == [0.0]


def test_voided_readings_are_out_of_every_figure_and_undone_they_are_back(shop):
    shop.hears("loft", "a", NOW - 125 * MIN, NOW - 65 * MIN, 99.0, step=MIN // 2)  # between them
    reader = shop.reader
    series_id = reader.series()[Series("loft", "a", RH)]
    start, end = NOW - 125 * MIN, NOW - 65 * MIN

    def figures():
        ts, values = reader.readings(series_id, NOW - 6 * HOUR, NOW)
        rolled = [
            reader.rollups(series_id, p, NOW - 6 * HOUR, NOW) for p in (TEN_MINUTES_S, HOUR_S)
        ]
        air = means(reader, "loft", NOW - 6 * HOUR, NOW)
        return ts, values, rolled, air

    before = figures()
    assert before[1].max() == 99.0
    shop.do("void-readings", from_ms=start, until_ms=end, why="held over a kettle")
    ts, values, rolled, air = figures()
    assert not ((ts >= start) & (ts < end)).any()
    assert set(values) == {40.0}
    assert [set(rows["high"]) for rows in rolled] == [{40.0}, {40.0}]
    assert [rows["n"].sum() for rows in rolled] == [len(ts)] * 2
    assert set(air.rh_pct) == {40.0}
    raw, _ = reader.raw_values(Series("loft", "a", RH), start, end)
    assert not len(raw)
    (void,) = reader.histories()["loft/a"].voids
    assert (void.number, void.why, void.undone) == (1, "held over a kettle", False)
    assert [e.by for e in reader.histories()["loft/a"].events] == ["Ina"]
    shop.do("restore-readings", number=1)
    after = figures()
    assert np.array_equal(after[1], before[1])
    assert all(np.array_equal(a, b) for a, b in zip(after[2], before[2], strict=True))


def test_voiding_what_lies_ahead_takes_it_off_the_list_and_keeps_the_place(shop):
    shop.hears("loft", "a", IN_2039, IN_2039 + HOUR, 90.0)
    shop.do("void-readings", from_ms=NOW + HOUR, until_ms=EVER_MS, why="dated ahead")
    assert shop.reader.ahead(NOW) == []
    assert shop.air().rh_pct == 40.0
    assert shop.air(now=IN_2039 + HOUR).heard_ms == NOW - MIN  # also when that time has come


def test_a_place_whose_readings_are_all_voided_is_gone_until_that_is_undone(shop):
    shop.hears("typo", "a", NOW - HOUR, NOW, 12.0)
    shop.do("void-readings", "typo/a", until_ms=EVER_MS, why="mistyped")
    assert "typo" not in {place.id for place in places(shop.reader, shop.settings)}
    assert shop.air("typo") is None
    assert {one.place.id for one in health(shop.reader, shop.settings, NOW)} == {"loft"}
    shop.hears("typo", "a", NOW, NOW + MIN, 12.0)
    assert shop.air("typo") is None
    shop.do("restore-readings", "typo/a", number=1)
    assert shop.air("typo").rh_pct == 12.0


def test_a_void_is_refused_without_a_reason_or_twice_or_backwards_or_unknown(shop):
    for request in ({"why": ""}, {"why": "x", "from_ms": NOW, "until_ms": NOW}, {}):
        with pytest.raises(Rejected):
            shop.do("void-readings", **request)
    shop.do("void-readings", why="x")
    with pytest.raises(Rejected, match="already void"):
        shop.do("void-readings", why="x", from_ms=NOW - HOUR, until_ms=NOW)
    for number in (0, 2):
        with pytest.raises(Rejected, match="one of 1"):
            shop.do("restore-readings", number=number)


def test_the_raw_export_marks_what_is_voided_and_reading_it_again_leaves_it_out(shop, tmp_path):
    whole = {"start_ms": NOW - HOUR, "end_ms": NOW}
    text = io.StringIO()
    export.write_csv(export.raw_tables(shop.reader, **whole), text)
    assert "voided" not in text.getvalue()
    shop.do("void-readings", from_ms=NOW - 10 * MIN, why="a kettle, near")
    with (tmp_path / "raw.csv").open("w", encoding="utf-8") as file:
        rows = export.write_csv(export.raw_tables(shop.reader, **whole), file)
    lines = (tmp_path / "raw.csv").read_text(encoding="utf-8").splitlines()
    assert rows == 60
    assert lines[0].endswith(",voided")
    assert [line.endswith('"a kettle, near"') for line in lines[1:]] == 50 * [False] + 10 * [True]
    ts_ms, _ = export.read_raw(tmp_path / "raw.csv")[Series("loft", "a", RH)]
    assert (len(ts_ms), ts_ms.max()) == (50, NOW - 11 * MIN)
    (table,) = export.tables(shop.reader, **whole)
    assert len(table) == 50
