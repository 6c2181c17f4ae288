"""The store: nothing doubled, nothing lost, rollups right whatever the order, errors in words."""

from __future__ import annotations

import contextlib
import gc
import sqlite3
import subprocess
import sys
import threading
from collections import defaultdict

import numpy as np
import pytest
from conftest import ROOT
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.clock import EVER_MS
from monitor.core.errors import StoreFault, StoreUnavailable
from monitor.core.measurements import Quantity, Reading, Refusal, Series
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader, Writer, migrations, rollups
from monitor.store.sqlite import SqliteConnection

BENCH = Series("front-bench", "a1", Quantity.TEMPERATURE)
DAMP = Series("front-bench", "a1", Quantity.HUMIDITY)
T0 = 1_790_000_000_000


@pytest.fixture
def path(tmp_path):
    return tmp_path / "deep" / "er" / "readings.sqlite3"


@pytest.fixture
def writer(path):
    writer = Writer(path)
    yield writer
    writer.close()


def rows(path, sql):
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql).fetchall()


def test_what_was_written_is_read_back(writer, path):
    stored = writer.write(
        [Reading(BENCH, T0, 20.5), Reading(DAMP, T0, 45.0)], tallies={"messages": 1}
    )
    assert stored == (2, 0)
    reader = Reader(path)
    assert [item.reading for item in reader.latest(EVER_MS)] == [
        Reading(DAMP, T0, 45.0),
        Reading(BENCH, T0, 20.5),
    ]
    ts_ms, values = reader.readings(reader.series()[BENCH], T0, T0 + 1)
    assert (ts_ms.tolist(), values.tolist()) == ([T0], [20.5])
    assert reader.tallies() == {"messages": 1, "readings": 2, "repeats": 0, "refused": 0}


def test_a_repeat_changes_nothing_and_is_counted(writer, path):
    first = [Reading(BENCH, T0, 20.5)]
    writer.write(first)
    assert writer.write([Reading(BENCH, T0, 99.0), *first]) == (0, 2)
    assert rows(path, "SELECT value FROM reading") == [(20.5,)]
    assert Reader(path).tallies()["repeats"] == 2


_moments = st.integers(0, 3 * 3600).map(lambda s: T0 + 1000 * s)
_batches = st.lists(
    st.lists(st.tuples(st.sampled_from([BENCH, DAMP]), _moments, st.floats(-50, 80)), max_size=9),
    max_size=6,
)


@pytest.mark.slow
@settings(max_examples=12)
@given(_batches)
def test_rollups_equal_a_recount_in_whatever_order_readings_come(tmp_path_factory, batches):
    path = tmp_path_factory.mktemp("store") / "readings.sqlite3"
    writer = Writer(path)
    kept: dict[tuple[Series, int], float] = {}
    for batch in batches:
        writer.write([Reading(*r) for r in batch])
        for series, ts_ms, value in batch:
            kept.setdefault((series, ts_ms), value)
    writer.close()
    reader = Reader(path)
    for series, series_id in reader.series().items():
        for period_s in (TEN_MINUTES_S, HOUR_S):
            want = defaultdict(list)
            for (of, ts_ms), value in kept.items():
                if of == series:
                    want[ts_ms - ts_ms % (1000 * period_s)].append(value)
            found = reader.rollups(series_id, period_s, 0, 2**60)
            assert found["ts_ms"].tolist() == sorted(want)
            for row in found:
                values = want[row["ts_ms"]]
                assert (row["n"], row["low"], row["high"]) == (
                    len(values),
                    min(values),
                    max(values),
                )
                assert row["mean"] == pytest.approx(np.mean(values), rel=1e-12, abs=1e-12)
    assert rollups.recount(reader, 0, 2**52).disagreements == []
    reader.close()


@pytest.mark.parametrize(
    "fault",
    [
        "UPDATE rollup SET n = n + 1 WHERE period_s = 600",
        "UPDATE rollup SET low = low - 0.01 WHERE period_s = 3600",
        "UPDATE rollup SET total = total * 1.000001 WHERE period_s = 600",
        "DELETE FROM rollup WHERE period_s = 3600",
        "INSERT INTO rollup SELECT series_id, 600, 0, n, low, total, high FROM rollup LIMIT 1",
    ],
)
def test_a_wrong_rollup_is_found_by_a_recount_and_made_anew(writer, fault):
    at = T0 - T0 % 3_600_000
    writer.write([Reading(BENCH, at + 1000 * i, 20 + i / 7) for i in range(9)])
    writer.write([Reading(BENCH, at + 1000 * i, 20.0) for i in range(12)])  # nine are repeats
    assert rollups.recount(writer, at, at + 1) == (2, [])
    writer.connection.raw.execute(fault)
    (wrong,) = rollups.recount(writer, 0, at + 1).disagreements
    assert (wrong.series, wrong.stored == wrong.counted) == (BENCH, False)
    with writer.connection.transaction() as run:
        rollups.rewrite(run, [wrong])
    assert rollups.recount(writer, 0, at + 1) == (2, [])


def test_rollups_that_overlap_the_ends_of_a_range_are_given(writer, path):
    writer.write([Reading(BENCH, T0 + 600_000 * i, float(i)) for i in range(12)])
    reader = Reader(path)
    start = T0 - T0 % 600_000
    found = reader.rollups(1, TEN_MINUTES_S, start + 1, start + 600_001)
    assert found["ts_ms"].tolist() == [start, start + 600_000]
    assert reader.count(1, T0, T0 + 12 * 600_000) == 12
    assert reader.rollups(1, HOUR_S, 0, 1).tolist() == []


def test_span_is_from_the_first_reading_to_the_last(writer, path):
    writer.write([Reading(BENCH, T0 + i, 1.0) for i in (5, 1, 9)])
    assert Reader(path).span(1) == (T0 + 1, T0 + 9)
    assert Reader(path).span(77) is None


def test_a_refused_message_is_kept_with_its_reason(writer, path):
    refusal = Refusal(T0, "a/b", b"\x00\xffjunk", 6, "not a SenML pack")
    writer.write([], refusals=[refusal])
    assert Reader(path).refused(5) == [refusal]
    assert writer.refused_before("a/b", b"\x00\xffjunk")
    assert not writer.refused_before("a/b", b"junk")


def test_old_refusals_are_pruned_and_stay_counted(writer, path):
    writer.write([], refusals=[Refusal(T0 + i, "t", b"x", 1, "why") for i in range(10)])
    assert writer.prune_refused(4) == 6
    assert [item.received_ms for item in Reader(path).refused(9)] == [T0 + i for i in (9, 8, 7, 6)]
    assert Reader(path).tallies()["refused"] == 10


def test_a_delivery_is_known_by_its_packet_id(writer):
    writer.write([], deliveries=[(7, b"one")])
    writer.write([], deliveries=[(7, b"two")])
    assert writer.delivered(7) == b"two"
    assert writer.delivered(8) is None


def test_a_full_disk_stores_nothing_of_a_batch_and_the_next_try_all_of_it(writer, path):
    writer.write([Reading(BENCH, T0, 1.0)])
    pages = writer.connection.raw.execute("PRAGMA page_count").fetchone()[0]
    writer.connection.raw.execute(f"PRAGMA max_page_count = {pages}")
    batch = [Reading(Series("attic", "b2", Quantity.HUMIDITY), T0 + i, 40.0) for i in range(5000)]
    with pytest.raises(StoreUnavailable, match="full") as caught:
        writer.write(batch)
    assert caught.value.retryable
    assert rows(path, "SELECT count(*) FROM reading") == [(1,)]
    writer.connection.raw.execute("PRAGMA max_page_count = 1000000")
    assert writer.write(batch) == (5000, 0)
    assert rows(path, "SELECT place FROM series ORDER BY 1") == [("attic",), ("front-bench",)]


@pytest.mark.parametrize("value", [float("inf"), float("nan")])
def test_what_is_no_number_never_gets_in(writer, path, value):
    # The edge refuses both; SQLite itself turns NaN into NULL, which the schema forbids.
    if np.isnan(value):
        with pytest.raises(StoreFault):
            writer.write([Reading(BENCH, T0, value)])
        assert rows(path, "SELECT count(*) FROM reading") == [(0,)]
    else:
        from monitor.core.errors import BadPayload
        from monitor.readings.payload import Contract

        with pytest.raises(BadPayload):
            Contract().decode("benchweather/a/b", b'[{"u":"Cel","v":1e999}]', T0)


def test_a_reader_cannot_write(writer, path):
    reader = Reader(path)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader.connection.raw.execute("DELETE FROM reading")


def test_a_reader_sees_that_something_was_committed(writer, path):
    reader = Reader(path)
    before = reader.version()
    assert reader.version() == before
    writer.write([Reading(BENCH, T0, 1.0)])
    assert reader.version() != before


def test_a_store_that_is_not_there_yet_says_so(tmp_path):
    with pytest.raises(StoreUnavailable, match="unable to open"):
        Reader(tmp_path / "none.sqlite3")


def test_a_file_that_is_no_store_is_refused(tmp_path):
    path = tmp_path / "readings.sqlite3"
    path.write_bytes(b"this is no database, and it is long enough to be told from one" * 20)
    with pytest.raises(StoreFault, match="not a database") as caught:
        Writer(path)
    assert not caught.value.retryable


def test_a_store_of_a_newer_version_is_left_alone(writer, path):
    writer.connection.raw.execute("INSERT INTO schema_step VALUES (9999)")
    with pytest.raises(StoreFault, match="newer version"):
        Writer(path)


def test_migrations_are_numbered_without_a_gap_and_run_once(writer, path):
    assert [step.number for step in migrations.steps()] == list(
        range(1, len(migrations.steps()) + 1)
    )
    Writer(path).close()
    assert rows(path, "SELECT count(*) FROM schema_step") == [(len(migrations.steps()),)]


def test_series_are_known_again_after_a_restart(writer, path):
    writer.write([Reading(BENCH, T0, 1.0)])
    again = Writer(path)
    again.write([Reading(BENCH, T0 + 1, 2.0), Reading(DAMP, T0, 3.0)])
    assert rows(path, "SELECT count(*) FROM series") == [(2,)]


KILLED = """
import sys
from pathlib import Path
from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import Writer
writer = Writer(Path(sys.argv[1]))
series = Series("p", "s", Quantity.TEMPERATURE)
for i in range(10**9):
    writer.write([Reading(series, 50 * i + k, 1.0) for k in range(50)])
    print(i, flush=True)
"""


@pytest.mark.slow
def test_what_was_reported_as_written_survives_a_kill(path):
    for _ in range(3):
        command = [sys.executable, "-c", KILLED, str(path)]
        with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as child:
            reported = [int(child.stdout.readline()) for _ in range(40)]
            child.kill()
            reported += [int(line) for line in child.stdout.read().split()]
        (count,) = rows(path, "SELECT count(*) FROM reading")[0]
        assert count >= 50 * (max(reported) + 1)
        assert count % 50 == 0
        assert rows(path, "PRAGMA integrity_check") == [("ok",)]
        assert rows(path, "SELECT sum(n) FROM rollup WHERE period_s = 600") == [(count,)]


def test_a_reader_that_nobody_closed_is_closed_with_its_thread(tmp_path):
    path = tmp_path / "readings.sqlite3"
    Writer(path).close()
    raw = []

    def read():
        reader = Reader(path)
        raw.append(reader.connection.raw)
        assert reader.tallies() is not None

    thread = threading.Thread(target=read)
    thread.start()
    thread.join()
    gc.collect()
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        raw[0].execute("SELECT 1")


def test_connections_that_open_a_new_store_at_once_all_prepare_it(tmp_path):
    for i in range(40):
        faults, together = [], threading.Barrier(4)

        def prepare(path=tmp_path / f"{i}.sqlite3", faults=faults, together=together):
            together.wait(60)
            try:
                with contextlib.closing(SqliteConnection(path, read_only=False)) as connection:
                    connection.prepare()
            except StoreFault as exc:
                faults.append(str(exc))

        threads = [threading.Thread(target=prepare) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert faults == []
