"""Old readings are cleared and their rollups kept, on both engines."""

from __future__ import annotations

import numpy as np
import pytest
from one_schema import statements  # noqa: F401 - watches each test

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.events import About, Event
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader, Writer, journal, retention, rollups

BENCH = Series("front-bench", "a1", Quantity.TEMPERATURE)
DAMP = Series("front-bench", "a1", Quantity.HUMIDITY)
HOUR, DAY = 3_600_000, 86_400_000
NEVER = float("inf")
TWO_YEARS = {Quantity.TEMPERATURE: 2}


@pytest.fixture(params=["sqlite", "postgresql"])
def writer(request, tmp_path):
    writer = Writer(
        tmp_path / "readings.sqlite3"
        if request.param == "sqlite"
        else request.getfixturevalue("postgresql_server").emptied()
    )
    yield writer
    writer.close()


@pytest.fixture
def reader(writer):
    reader = Reader(writer.address)
    yield reader
    reader.close()


@pytest.fixture
def now():
    return now_ms() - now_ms() % DAY


def stored(writer, now, *, series=(BENCH, DAMP), years=3.0, n=300, step=HOUR // 12):
    """Readings every five minutes from some years ago, one of last week and one of now; returns the
    first time."""
    first = now - int(years * retention.YEAR_MS)
    first -= first % HOUR
    rng = np.random.default_rng(7)
    for one in series:
        values = rng.normal(20, 1, n).round(2).tolist()
        writer.write([Reading(one, first + i * step, v) for i, v in enumerate(values)])
        writer.write([Reading(one, now - retention.CONFIRMED_MS, 21.0), Reading(one, now, 21.0)])
    return first


def all_rollups(writer):
    return writer.connection.rows(
        "SELECT series_id, period_s, ts_ms, n, low, total, high FROM rollup ORDER BY 1, 2, 3"
    )


def count(writer, series_id):
    (n,) = writer.connection.row("SELECT count(*) FROM reading WHERE series_id = ?", (series_id,))
    return n


def test_only_old_readings_of_the_quantity_go_and_every_rollup_stays(writer, reader, now):
    stored(writer, now)
    ids, before = reader.series(), all_rollups(writer)
    assert retention.clear_due(writer, TWO_YEARS, now, NEVER) == 300
    assert (count(writer, ids[BENCH]), count(writer, ids[DAMP])) == (2, 302)
    assert all_rollups(writer) == before
    assert rollups.recount(reader, 0, now + DAY).disagreements == []
    assert retention.due(writer, TWO_YEARS, now) == []


def test_cleared_readings_are_read_as_means_of_ten_minutes(writer, reader, now):
    first = stored(writer, now)
    series_id = reader.series()[BENCH]
    extent = reader.span(series_id)
    hours = reader.rollups(series_id, HOUR_S, first, now)
    retention.clear_due(writer, TWO_YEARS, now, NEVER)
    means = reader.rollups(series_id, TEN_MINUTES_S, first, first + DAY)
    at_ms, values = reader.readings(series_id, first, first + DAY)
    np.testing.assert_array_equal(at_ms, means["ts_ms"] + 300_000)
    np.testing.assert_array_equal(values, means["mean"])
    assert reader.readings(series_id, now, now + 1)[1].tolist() == [21.0]
    np.testing.assert_array_equal(reader.rollups(series_id, HOUR_S, first, now), hours)
    assert reader.span(series_id) == extent
    assert reader.cleared_until(series_id) > first + DAY
    assert reader.cleared_until(reader.series()[DAMP]) is None


def test_a_reading_from_before_the_limit_is_kept_as_a_refusal_and_counts_nowhere(
    writer, reader, now
):
    first = stored(writer, now)
    retention.clear_due(writer, TWO_YEARS, now, NEVER)
    before = all_rollups(writer)
    again = [Reading(BENCH, first, 5.0), Reading(DAMP, first + 1, 50.0), Reading(BENCH, now, 21.0)]
    assert writer.write(again) == (1, 1)
    assert [row for row in all_rollups(writer) if row[0] == reader.series()[BENCH]] == [
        row for row in before if row[0] == reader.series()[BENCH]
    ]
    (refusal,) = reader.refused(9)
    assert refusal.topic == "front-bench/a1/temperature"
    assert b'"value": 5.0' in refusal.payload
    assert "keep.readings_years" in refusal.reason


def test_clearing_goes_on_where_it_stopped(writer, reader, now, monkeypatch):
    monkeypatch.setattr(retention, "A_STEP", 40)
    monkeypatch.setattr(retention, "REST_S", 0.0)
    first = stored(writer, now, series=(BENCH,))
    series_id = reader.series()[BENCH]
    clear, calls = writer.connection.clear, iter(range(9))

    def cut(*given):
        if next(calls) == 2:
            raise KeyboardInterrupt
        return clear(*given)

    monkeypatch.setattr(writer.connection, "clear", cut)
    with pytest.raises(KeyboardInterrupt):
        retention.clear_due(writer, TWO_YEARS, now, NEVER)
    assert count(writer, series_id) == 302 - 80  # the third step was not kept
    assert reader.readings(series_id, first, first + HOUR)[1].shape == (6,)  # nothing shown twice
    assert writer.write([Reading(BENCH, first, 5.0)]) == (0, 0)
    monkeypatch.setattr(writer.connection, "clear", clear)
    assert retention.clear_due(writer, TWO_YEARS, now, NEVER) == 300 - 80


def test_the_last_hour_of_a_sensor_that_is_long_silent_stays(writer, reader, now):
    first = now - 5 * retention.YEAR_MS
    writer.write([Reading(BENCH, first + i * HOUR, 20.0) for i in range(10)])
    writer.write([Reading(DAMP, now - retention.CONFIRMED_MS, 50.0)])
    writer.write([Reading(BENCH, now + 9 * DAY, 20.0)])  # by a clock that was wrong
    assert retention.clear_due(writer, TWO_YEARS, now, NEVER) == 9
    assert reader.latest(now)[-1].reading.ts_ms == first + 9 * HOUR


def test_no_reading_of_the_last_year_is_cleared(writer, reader, now):
    stored(writer, now, series=(BENCH,), years=0.9)
    assert retention.clear_due(writer, {Quantity.TEMPERATURE: 1}, now, NEVER) == 0
    assert retention.clear_due(writer, {Quantity.TEMPERATURE: 0}, now + 99 * DAY, NEVER) == 0
    assert count(writer, reader.series()[BENCH]) == 302


def test_voided_time_stays_voided_when_its_readings_are_cleared(writer, reader, now):
    first = stored(writer, now, series=(BENCH,))
    body = {"from_ms": first + HOUR, "until_ms": first + 5 * HOUR, "why": "in the sun"}
    event = Event(About.SENSOR, "front-bench/a1", now, "Mira", "void-readings", body)
    with writer.connection.transaction() as run:
        journal.append(run, [event])
    series_id = reader.series()[BENCH]
    hours = reader.rollups(series_id, HOUR_S, first, first + DAY)
    retention.clear_due(writer, TWO_YEARS, now, NEVER)
    np.testing.assert_array_equal(reader.rollups(series_id, HOUR_S, first, first + DAY), hours)
    at_ms, _ = reader.readings(series_id, first, first + DAY)
    assert not ((at_ms >= first + HOUR) & (at_ms < first + 5 * HOUR)).any()


def test_a_clock_that_no_reading_confirms_clears_nothing_of_the_last_year(writer, reader, now):
    stored(writer, now, series=(BENCH,), years=0.9)
    wrong = now + 399 * DAY  # not enough to be doubted
    writer.write([Reading(BENCH, wrong, 21.0)])
    assert retention.clear_due(writer, {Quantity.TEMPERATURE: 1}, wrong, NEVER) == 0


def test_a_recount_leaves_rollups_alone_whose_readings_go_meanwhile(
    writer, reader, now, monkeypatch
):
    first = stored(writer, now, series=(BENCH,))
    with writer.connection.transaction() as run:
        run.execute("UPDATE rollup SET n = n + 1 WHERE ts_ms = ?", (first,))
    wrong = rollups.recount(reader, 0, now + DAY).disagreements
    before, rows = all_rollups(writer), reader.connection.rows

    def cleared_first(*given):
        retention.clear_due(writer, TWO_YEARS, now, NEVER)
        return rows(*given)

    monkeypatch.setattr(reader.connection, "rows", cleared_first)
    assert len(wrong) == 2
    assert rollups.recount(reader, 0, now + DAY).disagreements == []
    with writer.connection.transaction() as run:
        assert rollups.rewrite(run, wrong) == 0
    assert all_rollups(writer) == before


def noted(writer, action, now, **body):
    event = Event(About.SENSOR, "front-bench/a1", now, "Mira", action, body)
    with writer.connection.transaction() as run:
        journal.append(run, [event])


def test_a_place_keeps_the_means_of_a_sensor_that_left_it_before_the_limit(writer, reader, now):
    first = stored(writer, now, series=(BENCH,))
    left = first + 5 * HOUR + HOUR // 2
    noted(writer, "move", left, place="store", at_ms=left)
    series = reader.series()
    old, new = series[BENCH], series[BENCH._replace(place="store")]
    hours = {one: reader.rollups(one, HOUR_S, first, now + 1) for one in (old, new)}
    assert reader.span(old) == (first, left - HOUR // 12)
    retention.clear_due(writer, TWO_YEARS, now, NEVER)
    assert reader.span(old) == (first, left - HOUR // 12)
    assert reader.span(new) == (left, now)
    for one, was in hours.items():
        found = reader.rollups(one, HOUR_S, first, now + 1)
        assert found[["ts_ms", "n", "low", "high"]].tolist() == (
            was[["ts_ms", "n", "low", "high"]].tolist()
        )
        np.testing.assert_allclose(found["mean"], was["mean"])


def test_a_void_made_after_clearing_takes_whole_ten_minutes_and_no_more(writer, reader, now):
    first = stored(writer, now, series=(BENCH,))
    retention.clear_due(writer, TWO_YEARS, now, NEVER)
    low, high = first + HOUR // 2 - 60_000, first + 2 * HOUR + 60_000
    noted(writer, "void-readings", now, from_ms=low, until_ms=high, why="in the sun")
    hours = reader.rollups(reader.series()[BENCH], HOUR_S, first, first + 3 * HOUR)
    assert hours[["ts_ms", "n"]].tolist() == [(first, 4), (first + 2 * HOUR, 10)]


def test_the_newest_of_a_sensor_whose_last_readings_are_voided_is_a_mean(writer, reader, now):
    first = now - 5 * retention.YEAR_MS
    first -= first % HOUR
    writer.write([Reading(BENCH, first + i * HOUR // 12, float(i)) for i in range(36)])
    writer.write([Reading(DAMP, now - retention.CONFIRMED_MS, 50.0)])
    noted(writer, "void-readings", now, from_ms=first + 2 * HOUR, until_ms=now, why="in the sun")
    before = reader.latest(now)[-1].reading
    assert before == Reading(BENCH, first + 2 * HOUR - HOUR // 12, 23.0)
    assert retention.clear_due(writer, TWO_YEARS, now, NEVER) == 24
    middle = first + 2 * HOUR - HOUR // 12
    assert reader.latest(now)[-1].reading == Reading(BENCH, middle, 22.5)
    assert reader.raw_latest(now)[-1] == Reading(BENCH, middle, 22.5)
    assert reader.latest(middle - retention.YEAR_MS) == []


def test_the_limit_of_one_series_concerns_no_other_one_from_before_1970(writer, now):
    stored(writer, now, series=(BENCH,))
    retention.clear_due(writer, TWO_YEARS, now, NEVER)
    assert writer.write([Reading(DAMP, -1, 50.0)]) == (1, 0)
    assert retention.clear_due(writer, {Quantity.HUMIDITY: 1}, now, NEVER) == 0
