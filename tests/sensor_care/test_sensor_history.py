"""Sensors' histories, and series read through them: at the place of then, corrected, out of the jar."""

from __future__ import annotations

import contextlib
import csv
import io

import numpy as np
import pandas as pd
import pytest
from dashboard_fixtures import settings_in

from monitor.commands import Commands
from monitor.core.clock import EVER_MS
from monitor.core.errors import MonitorError, Rejected
from monitor.core.measurements import Quantity, Reading, Series
from monitor.readings import export
from monitor.science.calibration.settling import SettlingStage
from monitor.sensor_care.calibration import JarWatch, settled
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader, Writer

MIN, HOUR = 60_000, 3_600_000
NOW = 1_780_000_000_000 // HOUR * HOUR
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY


class Shop:
    def __init__(self, folder):
        self.settings = settings_in(folder)
        self.writer = Writer(self.settings.store_path)
        self.reader = Reader(self.settings.store_path)
        self.commands = Commands(self.writer, look=JarWatch(self.reader, self.settings))

    def hears(self, place, sensor, start, end, rh, temp=20.0, step=MIN):
        for at in range(start, end, step):
            value = rh(at) if callable(rh) else rh
            self.writer.write(
                [
                    Reading(Series(place, sensor, T), at, temp),
                    Reading(Series(place, sensor, RH), at, value),
                ]
            )

    def do(self, do, at, sensor="bench/a", **request):
        return self.commands.carry_out(
            {"about": "sensor", "do": do, "sensor": sensor, "by": "Ina", **request}, at
        )

    def id(self, place, sensor, quantity=RH):
        return self.reader.series()[Series(place, sensor, quantity)]

    def close(self):
        self.reader.close()
        self.writer.close()


@pytest.fixture
def shop(tmp_path):
    with contextlib.closing(Shop(tmp_path)) as one:
        yield one


def calibrated(shop, at=NOW):
    """Carried through with two jars. The sensor reads 0.95 x + 2 of the truth x. Ends at + 6 h."""
    shop.hears("bench", "a", at - HOUR, at, 50.0)
    for salt, truth in (("MgCl2", 33.07), ("NaCl", 75.48)):
        shop.do("seal", at, salt=salt)
        shop.hears("bench", "a", at, at + 2 * HOUR, 0.95 * truth + 2)
        at += 2 * HOUR
        shop.do("take", at)
    shop.do("back", at)
    shop.do("fit", at)
    shop.hears("bench", "a", at, at + 2 * HOUR, 50.0)
    return at


def test_a_calibration_is_carried_through_and_corrects_what_comes_after(shop):
    fitted_at = calibrated(shop)
    end = fitted_at + 2 * HOUR
    truth = (50.0 - 2) / 0.95
    ts, values = shop.reader.readings(shop.id("bench", "a"), NOW - HOUR, end)
    assert ts.max() == end - MIN
    assert not ((ts >= NOW) & (ts < fitted_at)).any()  # in the jar it tells nothing of the bench
    assert values[ts < NOW] == pytest.approx(50.0)
    assert values[ts >= fitted_at] == pytest.approx(truth, abs=0.02)
    _, told = shop.reader.raw_values(Series("bench", "a", RH), fitted_at, end)
    assert set(told) == {50.0}  # what it sent is as it was
    (latest,) = [one for one in shop.reader.latest(EVER_MS) if one.reading.series.quantity is RH]
    assert latest.reading.value == pytest.approx(truth, abs=0.02)
    history = shop.reader.histories()["bench/a"]
    assert history.corrections[0].by == "Ina"
    assert history.proved_ms() == fitted_at
    u = shop.reader.uncertainty(latest.series_id, truth, end)
    assert 0.5 < u < 1.5
    year = shop.reader.uncertainty(latest.series_id, truth, end + 365 * 24 * HOUR)
    assert year**2 == pytest.approx(u**2 + 0.5**2, rel=0.01)


@pytest.mark.parametrize("period", [TEN_MINUTES_S, HOUR_S])
def test_rollups_are_those_of_the_corrected_readings_also_where_a_piece_begins(shop, period):
    start = NOW + 17 * MIN
    rng = np.random.default_rng(5)
    shop.hears("bench", "a", NOW - 3 * HOUR, NOW + 3 * HOUR, lambda _: 50 + rng.normal(0, 3))
    shop.do("compare", start, value=47.0, u=1.0)
    shop.do("fit", start)
    shop.do("move", start + 41 * MIN, place="loft")
    reader, step = shop.reader, 1000 * period
    for place in ("bench", "loft"):
        one = shop.id(place, "a")
        ts, values = reader.readings(one, NOW - 4 * HOUR, NOW + 4 * HOUR)
        rows = reader.rollups(one, period, NOW - 4 * HOUR, NOW + 4 * HOUR)
        bucket = ts // step * step
        assert list(rows["ts_ms"]) == sorted(set(bucket))
        for row in rows:
            mine = values[bucket == row["ts_ms"]]
            assert row["n"] == len(mine)
            assert (row["low"], row["mean"], row["high"]) == pytest.approx(
                (mine.min(), mine.mean(), mine.max())
            )
    assert reader.span(shop.id("loft", "a"))[0] == start + 41 * MIN
    assert reader.span(shop.id("bench", "a"))[1] < start + 41 * MIN


def test_what_comes_late_is_seen_at_the_place_of_then(shop):
    shop.hears("bench", "a", NOW, NOW + MIN, 50.0)
    shop.do("move", NOW + HOUR, place="case-vn-40")
    shop.do("move", NOW + 9 * HOUR, place="bench")
    shop.hears("bench", "a", NOW, NOW + 12 * HOUR, 61.0, step=10 * MIN)  # uploaded at the end
    away = shop.reader.readings(shop.id("case-vn-40", "a"), NOW, NOW + 24 * HOUR)[0]
    home = shop.reader.readings(shop.id("bench", "a"), NOW, NOW + 24 * HOUR)[0]
    assert (away.min(), away.max()) == (NOW + HOUR, NOW + 9 * HOUR - 10 * MIN)
    assert len(away) + len(home) == 72
    assert not ((home >= NOW + HOUR) & (home < NOW + 9 * HOUR)).any()


def test_a_later_correction_covers_the_earlier_from_its_beginning_and_a_void_one_counts_for_nothing(
    shop,
):
    shop.hears("bench", "a", NOW - 5 * HOUR, NOW + HOUR, 50.0, step=5 * MIN)
    shop.do("compare", NOW, value=52.0, u=1.0)
    shop.do("fit", NOW)
    shop.do("compare", NOW + 1, value=53.0, u=1.0)
    shop.do("fit", NOW + 1, since_ms=NOW - 2 * HOUR)

    def at(ms):
        return shop.reader.readings(shop.id("bench", "a"), ms, ms + 5 * MIN)[1][0]

    assert [at(NOW - 3 * HOUR), at(NOW - HOUR), at(NOW)] == pytest.approx([50.0, 53.0, 53.0])
    shop.do("void", NOW + 2, number=2)
    assert [at(NOW - HOUR), at(NOW)] == pytest.approx([50.0, 52.0])


def test_a_raw_export_is_what_was_told_and_its_columns_say_so(shop):
    shop.hears("bench", "a", NOW, NOW + 4 * MIN, 50.1 + 1 / 3)  # no ten digits write that
    shop.do("compare", NOW, value=47.0, u=1.0)
    shop.do("fit", NOW)
    shop.do("move", NOW + 2 * MIN, place="loft")
    span = {"start_ms": NOW + MIN, "end_ms": NOW + 3 * MIN}
    seen = pd.concat(export.tables(shop.reader, **span))
    assert seen["rh_pct"].tolist() == pytest.approx([47.0, 47.0])
    assert seen["place"].tolist() == ["bench", "loft"]
    out = io.StringIO()
    assert export.write_csv(export.raw_tables(shop.reader, **span), out, None) == 2
    rows = list(csv.DictReader(io.StringIO(out.getvalue())))
    assert [float(row["raw_rh_pct"]) for row in rows] == [50.1 + 1 / 3] * 2
    assert [row["place"] for row in rows] == ["bench", "bench"]
    assert "rh_pct" not in rows[0]
    with pytest.raises(export.ExportFault, match="no place loft there: it has bench"):
        list(export.raw_tables(shop.reader, **span, places=["loft"]))


def test_a_sensor_on_a_new_topic_takes_over_its_corrections(shop):
    shop.hears("bench", "a", NOW - HOUR, NOW, 50.0)
    shop.do("compare", NOW, value=52.0, u=1.0)
    shop.do("fit", NOW)
    shop.hears("loft", "a", NOW, NOW + HOUR, 50.0)
    with pytest.raises(MonitorError, match="copy the corrections"):
        shop.do("move", NOW + HOUR, place="loft")
    shop.do("inherit", NOW + HOUR, sensor="loft/a", of="bench/a")
    assert shop.reader.readings(shop.id("loft", "a"), NOW, NOW + HOUR)[1] == pytest.approx(52.0)


def test_a_corrected_value_never_leaves_what_can_be(shop):
    shop.hears(
        "bench", "a", NOW - HOUR, NOW + HOUR, lambda at: 1.0 if at > NOW + 6 * MIN else 50.0
    )
    shop.do("compare", NOW, value=40.0, u=1.0)
    shop.do("fit", NOW)
    assert shop.reader.readings(shop.id("bench", "a"), NOW + 7 * MIN, NOW + HOUR)[1].max() == 0.0
    assert min(one.reading.value for one in shop.reader.latest(EVER_MS)) == 0.0


@pytest.mark.parametrize(
    ("do", "fields", "why"),
    [
        ("seal", {"salt": "sugar"}, "must be one of LiCl"),
        ("take", {}, "is not in a jar"),
        ("back", {}, "is not in a jar"),
        ("fit", {}, "no point yet"),
        ("fit", {"quantity": "pressure"}, "humidity, temperature"),
        ("fit", {"line": "yes"}, "true"),
        ("fit", {"since_ms": NOW + HOUR}, "in the future"),
        ("move", {"place": "a b"}, "space"),
        ("move", {"place": "bench"}, "already"),
        ("move", {"place": "loft", "at_ms": NOW + HOUR}, "at is 60 min in the future"),
        ("compare", {"value": 200.0, "u": 1.0}, "0 to 105"),
        ("compare", {"value": 50.0, "u": 0.0}, "above 0"),
        ("compare", {"value": "x", "u": 1.0}, "number"),
        ("compare", {"value": 50.0, "u": 1.0, "at_ms": NOW - 9 * HOUR}, "within five minutes"),
        ("void", {"number": 1}, "none"),
        ("inherit", {"of": "x/y"}, "must be another sensor"),
        ("note", {"text": ""}, "empty"),
        ("note", {"text": "x", "more": 1}, "more is not a field of 'note'"),
        ("abandon", {}, "not being"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(shop, do, fields, why):
    shop.hears("bench", "a", NOW - 10 * MIN, NOW, 50.0)
    with pytest.raises(MonitorError, match=why):
        shop.do(do, NOW, **fields)
    assert not shop.reader.histories()


def test_a_sensor_nobody_heard_and_an_unknown_word_are_refused(shop):
    shop.hears("bench", "a", NOW - MIN, NOW, 50.0)
    with pytest.raises(MonitorError, match="there is bench/a"):
        shop.do("note", NOW, sensor="x/y", text="t")
    with pytest.raises(Rejected, match="must be one of move"):
        shop.do("paint", NOW)


def test_a_point_is_taken_only_at_rest(shop):
    shop.hears("bench", "a", NOW - MIN, NOW, 50.0)
    shop.do("seal", NOW, salt="NaCl")
    shop.hears("bench", "a", NOW, NOW + 2 * HOUR, lambda at: 50 + (at - NOW) / HOUR)
    with pytest.raises(MonitorError, match=r"not steady yet: RH moved \+0.5 %"):
        shop.do("take", NOW + 2 * HOUR)
    assert (
        settled(shop.reader, shop.reader.histories()["bench/a"], NOW + 2 * HOUR).rest
        is SettlingStage.MOVING
    )
    shop.do("abandon", NOW + 2 * HOUR)
    assert not shop.reader.histories()["bench/a"].in_jar
