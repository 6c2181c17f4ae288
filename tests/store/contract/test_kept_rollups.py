"""Rollups that were kept from look to look are those that are read anew, on SQLite and PostgreSQL."""

from __future__ import annotations

import contextlib
import tracemalloc

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.commands import Commands
from monitor.core.errors import Rejected
from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import TEN_MINUTES_S, Reader, Writer, many_series
from monitor.store.kept_rollups import KeptRollups

MIN, HOUR, DAY = 60_000, 3_600_000, 86_400_000
T0 = 1_790_000_000_000 // HOUR * HOUR
SENSORS = ("a1", "a2", "a3")
SPAN = 4 * DAY
"""Between the times of two examples, which share a store."""

_sensor = st.sampled_from(SENSORS)
_ago = st.sampled_from([0, 3, 9, 50, 70, 130, 1_435, 1_445, 1_500]) | st.integers(-5, 1_600)
_step = st.one_of(
    st.tuples(st.just("hear"), _sensor, _ago, st.integers(1, 90)),  # late, repeated or ahead
    st.tuples(st.just("void"), _sensor, _ago, st.integers(1, 300)),
    st.tuples(st.just("restore"), _sensor),
    st.tuples(st.just("pass"), st.sampled_from([1, 1, 7, 25, 59, 61, 700, 3_000, -5, -15, -90])),
    st.tuples(st.just("look"), st.sampled_from([SENSORS, SENSORS[:1], SENSORS[1:]])),
)


@pytest.fixture(params=["sqlite", "postgresql"])
def writer(request, tmp_path):
    address = tmp_path / "readings.sqlite3"
    if request.param == "postgresql":
        address = request.getfixturevalue("postgresql_server").emptied()
    with contextlib.closing(Writer(address)) as one:
        one.examples = 0
        yield one


def changed(writer, step, now_ms, voids):
    """Carry out a step at a time. Returns the time after it."""
    what, *of = step
    if what == "pass":
        return now_ms + MIN * of[0]
    if what == "hear":
        sensor, ago, n = of
        series = Series("loft", sensor, Quantity.HUMIDITY)
        at = [now_ms - MIN * ago + 40_000 * i for i in range(n)]
        writer.write([Reading(series, ms, 40 + ms // 1000 % 17 / 3) for ms in at])
        return now_ms
    sensor = f"loft/{of[0]}"
    request = {"about": "sensor", "sensor": sensor, "by": "Ina"}
    commands, mine = Commands(writer), voids.setdefault(sensor, [])
    if what == "void" and writer.connection.rows("SELECT 1 FROM series"):
        start, until = now_ms - MIN * of[1], now_ms - MIN * of[1] + MIN * of[2]
        with contextlib.suppress(Rejected):  # of a sensor that nobody heard, or that overlap
            request |= {
                "do": "void-readings",
                "from_ms": start,
                "until_ms": until,
                "why": "kettle",
            }
            commands.carry_out(request, now_ms)
            mine.append(len(mine) + 1)
    elif what == "restore" and mine:
        with contextlib.suppress(Rejected):  # restored before
            commands.carry_out(request | {"do": "restore-readings", "number": mine[-1]}, now_ms)
    return now_ms


@pytest.mark.slow
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(_step, min_size=3, max_size=14))
def test_kept_rollups_are_those_that_are_read_anew(writer, steps):
    writer.examples += 1
    now_ms, kept, voids = T0 + SPAN * writer.examples + 23 * MIN, KeptRollups(), {}
    with contextlib.ExitStack() as open_:

        def reader_anew():
            return open_.enter_context(contextlib.closing(Reader(writer.address)))

        reader, other = reader_anew(), reader_anew()
        for step in [("hear", "a1", 1_439, 90), *steps]:
            now_ms = changed(writer, step, now_ms, voids)
            if step[0] in ("void", "restore"):  # to know nothing of how the series were before
                other = reader_anew()
            names = step[1] if step[0] == "look" else SENSORS
            ids = [i for one, i in reader.series().items() if one.sensor in names]
            span = (TEN_MINUTES_S, now_ms - DAY, now_ms + 1)
            found = reader.rollups_of(ids, *span, kept)
            wanted = other.rollups_of(ids, *span)
            assert found.keys() == wanted.keys()
            for one in ids:
                np.testing.assert_array_equal(found[one], wanted[one], strict=True)


def test_only_what_is_new_is_read_again(writer, monkeypatch):
    now_ms, kept, asked = T0 + DAY + 20 * MIN, KeptRollups(), []
    series = [Series("loft", one, Quantity.HUMIDITY) for one in SENSORS]
    at = range(T0, now_ms, 5 * MIN)
    writer.write([Reading(one, ms, 40.0) for one in series for ms in at])
    read = many_series.rollups

    def watched(connection, ids, period_s, start_ms, end_ms):
        asked.append((len(ids), (end_ms - start_ms) // HOUR))
        return read(connection, ids, period_s, start_ms, end_ms)

    monkeypatch.setattr(many_series, "rollups", watched)
    with contextlib.closing(Reader(writer.address)) as reader:
        ids = list(reader.series().values())

        def rows(later_min):
            asked.clear()
            until_ms = now_ms + MIN * later_min
            return reader.rollups_of(ids, TEN_MINUTES_S, until_ms - DAY, until_ms + 1, kept)

        def look(later_min):
            rows(later_min)
            return asked.copy()

        assert look(0) == [(3, 23), (3, 1)]
        found = [rows(0) for _ in range(2)]
        assert all(found[0][one] is found[1][one] for one in ids), "unchanged: the same arrays"
        writer.write([Reading(one, now_ms + MIN, 41.0) for one in series])
        assert look(2) == [(0, 23), (3, 1)], "new readings of all: the newest hours only"
        writer.write([Reading(series[1], now_ms - 300 * MIN + 1, 41.0)])
        assert look(3) == [(1, 23), (3, 1)], "a late reading: its series"


def test_late_readings_do_not_let_what_is_kept_grow(writer):
    """Each look reads other series again, of which only the first stays as it is."""
    now_ms, kept = T0 + DAY + 20 * MIN, KeptRollups()
    series = [Series("loft", f"s{i:02}", Quantity.HUMIDITY) for i in range(40)]
    at = range(T0, now_ms, 10 * MIN)
    writer.write([Reading(one, ms, 40.0) for one in series for ms in at])
    with contextlib.closing(Reader(writer.address)) as reader:
        ids = list(reader.series().values())
        sizes = []
        tracemalloc.start()
        try:
            for i in range(20):
                late = [Reading(one, now_ms - 300 * MIN + 1 + i, 41.0) for one in series[i:]]
                writer.write(late)
                reader.rollups_of(ids, TEN_MINUTES_S, now_ms - DAY, now_ms + 1, kept)
                sizes.append(tracemalloc.get_traced_memory()[0])
        finally:
            tracemalloc.stop()
    day = 144 * np.dtype(many_series.ROLLUP).itemsize
    assert sizes[-1] - sizes[4] < len(series) * day / 2
