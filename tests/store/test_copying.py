"""A store copied from one engine to the other: whole, resumed, compared."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import benchweather
from full_store import SERIES, T0, content, fill

from monitor.core.errors import StoreFault
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.events import About, Event
from monitor.store import Reader, Writer, copying, documents, journal, outlooks, roles, rollups
from monitor.store.connection import opened

DAY_MS = 86_400_000
WAYS = [("sqlite", "postgresql"), ("postgresql", "sqlite")]


@pytest.fixture(params=WAYS, ids="-to-".join)
def stores(request, tmp_path):
    """A full store of one engine, open for writing, and the address of an empty one of the other."""
    at = {"sqlite": tmp_path / "readings.sqlite3", "postgresql": ""}
    at["postgresql"] = request.getfixturevalue("postgresql_server").address()
    source, target = request.param
    writer = Writer(at[source])
    fill(writer)
    yield writer, at[target]
    writer.close()


def copied(source, address, **more):
    reader, target = opened(source.address, read_only=True), opened(address, read_only=False)
    try:
        return copying.copy(reader, target, **more)
    finally:
        reader.close()
        target.close()


def test_every_table_is_copied_and_new_rows_get_new_ids(stores):
    source, address = stores
    names = {
        name
        for (name,) in source.connection.rows(
            "SELECT name FROM sqlite_schema WHERE type = 'table'"
            if isinstance(source.address, Path)
            else "SELECT relname FROM pg_class WHERE relnamespace = current_schema()::regnamespace "
            "AND relkind IN ('r', 'p') AND NOT relispartition"
        )
    }
    names -= {
        "ingest_worker",
        "lease",
        "turn",
        "service",
        "request",
    }  # of one database and its broker
    names -= {*outlooks.TABLES, *documents.TABLES} | set(
        roles.OF_PEOPLE
    )  # beside a file they are files
    assert names - {"schema_step"} == {"series", *copying.BY_SERIES, *copying.AT_ONCE}
    assert all(source.connection.rows(f"SELECT 1 FROM {table}") for table in names)
    found = copied(source, address)
    assert (found["reading"].rows, found["event"].rows) == (150, 3)
    assert copying.size(source.connection) == sum(one.rows for one in found.values())
    target = Writer(address)
    assert content(target.connection) == content(source.connection)
    target.claim()
    assert target.write([Reading(SERIES[0], T0, 1.0), Reading(SERIES[0], T0 + 1, 1.0)]) == (1, 1)
    assert target.write([Reading(Series("new", "s", Quantity.HUMIDITY), T0, 1.0)]) == (1, 0)
    with target.connection.transaction() as run:
        journal.append(run, [Event(About.WAIT, "w2", T0, "anna", "start", {})])
        assert journal.last(run) == 4
    assert rollups.recount(target, 0, T0 + 99 * DAY_MS).disagreements == []
    target.close()
    with pytest.raises(StoreFault, match="has a store already: copy into an empty one"):
        copied(source, address)


def test_zero_with_a_minus_is_zero(stores):
    """A sensor outdoors sends -0.0 °C, which SQLite stores as 0."""
    source, address = stores
    series = Series("front-bench", "a1", Quantity.TEMPERATURE)
    source.write([Reading(series, 1_790_000_000_000 - DAY_MS, -0.0)])
    copied(source, address)


def test_an_interrupted_copy_is_not_used_and_goes_on_where_it_was(stores, monkeypatch):
    source, address = stores
    monkeypatch.setattr(copying, "CHUNK", 20)
    seen = []

    def stop(rows):
        seen.append(rows)
        if len(seen) == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        copied(source, address, on_rows=stop)
    assert seen == [20, 20, 10, 20, 20]
    unfinished = Writer(address)
    with pytest.raises(StoreFault, match="unfinished copy"):
        unfinished.claim()
    unfinished.close()
    unfinished = Writer(address)
    with pytest.raises(StoreFault, match="unfinished copy itself"):
        copying.copy(unfinished.connection, source.connection)
    unfinished.close()
    seen = [0] * 9
    copied(source, address, on_rows=seen.append)
    assert seen[9:11] == [10, 20]  # the rest of the second series, then the third
    target = Reader(address)
    assert content(target.connection) == content(source.connection)
    target.close()


def test_a_copy_that_differs_is_found_and_not_used(stores):
    source, address = stores
    changed = []

    def spoil(rows):
        if rows == 50 and not changed:
            changed.append(1)
            spoiler = Writer(address)
            with spoiler.connection.transaction() as run:
                run.execute("UPDATE reading SET value = value + 1e-9 WHERE ts_ms = ?", (T0,))
            spoiler.close()

    with pytest.raises(
        StoreFault, match=r"differs from .* in reading \(150 rows in the old store, 150 in"
    ):
        copied(source, address, on_rows=spoil)
    target = Writer(address)
    with pytest.raises(StoreFault, match="unfinished copy"):
        target.claim()
    target.close()


@pytest.mark.slow
def test_the_command_copies_there_and_back_and_takes_no_password(tmp_path, postgresql_server):
    writer = Writer(tmp_path / "readings.sqlite3")
    fill(writer)
    before = content(writer.connection)
    writer.close()
    environment = {"BENCHWEATHER_DATA": str(tmp_path), "COLUMNS": "250"}
    environment["BENCHWEATHER_STORE__URL"] = url = postgresql_server.address()

    def copy(*ways):
        return benchweather("store", "copy", *ways, environment=environment)

    done = copy("file", "server")
    assert done.returncode == 0, done.stderr
    assert "rows of 22 tables are in postgresql://127.0.0.1" in done.stdout
    back = tmp_path / "back.sqlite3"
    assert copy(url, str(back)).returncode == 0
    again = Writer(back)
    assert content(again.connection) == before
    again.close()
    (tmp_path / "readings.sqlite3").rename(tmp_path / "old.sqlite3")
    server = opened(url, read_only=False)
    outlooks.put(server, [outlooks.Item("bench", "issuedoutlooks", b"of the server")])
    server.close()
    assert copy("server", "file").returncode == 0
    kept = tmp_path / "outlook" / "bench.issuedoutlooks.npz"
    assert kept.read_bytes() == b"of the server"
    for ways, code, said in (
        (("file", "postgresql://o:hunter2@h/d"), 2, "A password in a command can be read"),
        (("file", "postgresql://o:hunter2@[:::]/d"), 2, "A password in a command can be read"),
        (
            ("file", "postgresql://o@h/d?password=hunter2"),
            2,
            "A password in a command can be read",
        ),
        (("file", "mysql://o:hunter2@h/d"), 2, "must be postgresql://user@host/database"),
        (("none.sqlite3", "server"), 1, "none.sqlite3: there is no such file"),
        (("file", "file"), 1, "cannot be copied into itself"),
        (("file", "server"), 1, "has a store already: copy into an empty one"),
    ):
        failed = copy(*ways)
        assert failed.returncode == code, ways
        assert said in failed.stderr
        assert "hunter2" not in failed.stderr
    service = Writer(url)
    service.claim()
    assert "another Benchweather uses this store" in copy("server", str(tmp_path / "x")).stderr
    assert not (tmp_path / "x").exists()
    service.close()
