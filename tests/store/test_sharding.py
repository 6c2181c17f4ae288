"""Readings and rollups sharded by hash of the series over several PostgreSQL servers.

An engine that distributes tables by series runs a statement on one server if it names one series. Here
partitions by hash do the same, each a foreign table on another server. What is run are the product's own
statements; the plans, and the connections that were made, say which servers they asked.

Rollups cannot be written so: PostgreSQL has no unique key over foreign tables and no DO UPDATE in them
(https://www.postgresql.org/docs/15/postgres-fdw.html). Where something is written, their partitions
are on the first server.
"""

from __future__ import annotations

import re

import pytest
from postgresql_server import PostgresqlServer

from monitor.core.measurements import Quantity, Reading, Series
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader, Writer, rollups

psycopg = pytest.importorskip("psycopg", reason="pip install '.[postgresql]'")
postgresql_session = pytest.importorskip("monitor.store.postgresql.session")
pytestmark = pytest.mark.slow
HOUR_MS = 3_600_000
T0 = 1_790_000_000_000
EVERY = [Series(f"bench-{i}", "a1", Quantity.TEMPERATURE) for i in range(6)]
BATCH = [Reading(one, T0 + 60_000 * k, 20.0 + k % 7) for one in EVERY for k in range(90)]
TABLES = ("reading", "rollup")
OF_ONE_SERIES = {
    "readings": lambda store, one: store.readings(one, T0, T0 + HOUR_MS)[1].tolist(),
    "ten minutes": lambda store, one: store.rollups(one, TEN_MINUTES_S, T0, T0 + HOUR_MS).tolist(),
    "hours": lambda store, one: store.rollups(one, HOUR_S, T0 - HOUR_MS, T0 + HOUR_MS).tolist(),
    "extent": lambda store, one: store.span(one),
    "count": lambda store, one: store.count(one, T0, T0 + HOUR_MS),
}


class Shards:
    """Servers that hold the partitions of a store: its own, reached as the others are, and one more."""

    def __init__(self, own: PostgresqlServer) -> None:
        self.more = PostgresqlServer()
        self.more.start()
        self.servers = [own, self.more]

    def distribute(self, url: str, tables: tuple[str, ...]) -> None:
        """Partition the empty tables of a store by hash of the series, `tables` over the servers."""
        there = [server.address() for server in self.servers]
        for address in there:
            Writer(address).close()
            self.run(address, f"SELECT reading_month({T0})")
        self.run(url, "CREATE EXTENSION IF NOT EXISTS postgres_fdw SCHEMA public")
        self.run(
            url,
            "CREATE OR REPLACE FUNCTION reading_month(at_ms bigint) RETURNS void "
            "LANGUAGE sql AS 'SELECT'",
        )
        for table in TABLES:
            key = "series_id, ts_ms" if table == "reading" else "series_id, period_s, ts_ms"
            own = "" if table in tables else f", PRIMARY KEY ({key})"
            self.run(
                url, f"CREATE TABLE sharded (LIKE {table}{own}) PARTITION BY HASH (series_id)"
            )
            self.run(url, f"DROP TABLE {table}")
            self.run(url, f"ALTER TABLE sharded RENAME TO {table}")
        for i, (server, address) in enumerate(zip(self.servers, there, strict=True)):
            schema = address.rpartition("search_path%3D")[2]
            name = f"shard{i}"
            self.run(
                url,
                f"DROP SERVER IF EXISTS {name} CASCADE",
                f"CREATE SERVER {name} FOREIGN DATA WRAPPER postgres_fdw "
                f"OPTIONS (host '127.0.0.1', port '{server.port}', dbname 'postgres')",
                f"CREATE USER MAPPING FOR owner SERVER {name} OPTIONS (user 'owner')",
            )
            for table in TABLES:
                part = f"FOR VALUES WITH (MODULUS 2, REMAINDER {i})"
                far = f"SERVER {name} OPTIONS (schema_name '{schema}', table_name '{table}')"
                kind, at = ("FOREIGN TABLE", far) if table in tables else ("TABLE", "")
                self.run(url, f"CREATE {kind} {table}_{name} PARTITION OF {table} {part} {at}")

    @staticmethod
    def run(url: str, *statements: str) -> None:
        with psycopg.connect(url, autocommit=True) as connection:
            for one in statements:
                connection.execute(one)


@pytest.fixture(scope="module")
def shards(postgresql_server):
    found = Shards(postgresql_server)
    yield found
    # or who analyses the whole database asks a server that is gone
    postgresql_server.sql("DROP EXTENSION postgres_fdw CASCADE")
    found.more.remove()


def asked(store: Reader | Writer) -> set[str]:
    """Servers that a store has asked since this was called last."""
    rows = store.connection.rows("SELECT server_name FROM public.postgres_fdw_get_connections()")
    store.connection.rows("SELECT public.postgres_fdw_disconnect_all()")
    return {name for (name,) in rows}


def test_what_is_read_of_one_series_is_asked_of_one_server(postgresql_server, shards, monkeypatch):
    whole = Writer(postgresql_server.address())
    whole.write(BATCH)
    plain = Reader(whole.address)
    url = postgresql_server.address()
    writer = Writer(url)
    shards.distribute(url, TABLES)
    with writer.connection.transaction() as run:
        for table in ("series", *TABLES):
            rows = whole.connection.rows(f"SELECT * FROM {table}")
            writer.connection.put(run, table, rows)
    reader = Reader(url)

    seen: list[tuple[str, tuple]] = []
    execute = postgresql_session.StoreCursor.execute

    def watched(cursor, query, params=(), **more):
        seen.append((query, params))
        return execute(cursor, query, params, **more)

    ids = reader.series()
    assert ids == plain.series()
    asked(reader)
    homes = set()
    for one in ids.values():
        for what, read in OF_ONE_SERIES.items():
            monkeypatch.setattr(postgresql_session.StoreCursor, "execute", watched)
            found = read(reader, one)
            monkeypatch.setattr(postgresql_session.StoreCursor, "execute", execute)
            assert found == read(plain, one), what
            servers = asked(reader)
            assert len(servers) == 1, what
            homes |= servers
    assert len(homes) == 2  # or it shows nothing

    plans = 0
    for sql, values in seen:
        if re.search(r"FROM (reading|rollup)\b", sql):
            plan = reader.connection.rows(f"EXPLAIN (VERBOSE, COSTS OFF) {sql}", values)
            text = "\n".join(line for (line,) in plan)
            assert len(set(re.findall(r"\w+_shard\d", text))) == 1, text
            for remote in re.findall("Remote SQL: .*", text):  # and there only for its own rows
                assert "series_id = " in remote
                assert "ts_ms >" in remote
            plans += 1
    assert plans >= len(ids) * len(OF_ONE_SERIES)

    now_ms = T0 + 2 * HOUR_MS
    assert reader.latest(now_ms) == plain.latest(now_ms)
    assert asked(reader) == homes  # of every series, so of every server
    for store in (whole, plain, writer, reader):
        store.close()


def test_what_is_written_of_one_series_is_sent_to_one_server(postgresql_server, shards):
    url = postgresql_server.address()
    writer = Writer(url)
    shards.distribute(url, ("reading",))
    asked(writer)
    homes = set()
    for one in EVERY:
        own = [reading for reading in BATCH if reading.series == one]
        for batch, new in ((own[:80], 80), (own[:20], 0), (own[70:], 10)):
            # copied, then put one by one because they are there already, in whole or in part
            assert writer.write(batch).new == new
            servers = asked(writer)
            assert len(servers) == 1
            homes |= servers
    assert len(homes) == 2
    assert rollups.recount(writer, T0 - HOUR_MS, T0 + 3 * HOUR_MS).disagreements == []
    writer.close()
