"""The check of statements finds what would leave a shop's schema."""

from __future__ import annotations

import pytest
from one_schema import lacks_its_series, leaves_its_schema, statements  # noqa: F401 - watches each test

from monitor.store import Writer


@pytest.mark.parametrize(
    ("sql", "leaves"),
    [
        ("SELECT * FROM mill.reading", True),
        ("INSERT INTO reading SELECT * FROM pg_temp.stage", True),
        ("CREATE TEMP TABLE stage (n int)", True),
        ("SELECT 1 FROM reading JOIN other.series USING (series_id)", True),
        ("SELECT reading.value FROM reading WHERE reading.ts_ms > 0", False),
        ("SELECT * FROM pg_catalog.pg_class", False),
        ("INSERT INTO event (body) VALUES ('from a.b')", False),
    ],
)
def test_another_schema_and_temporary_tables_are_found(sql, leaves):
    assert leaves_its_schema(sql) is leaves


@pytest.mark.parametrize(
    ("sql", "lacks"),
    [
        ("CREATE TABLE rollup (n int, PRIMARY KEY (series_id, ts_ms))", False),
        ("CREATE TABLE rollup (n int, PRIMARY KEY (ts_ms))", True),
        ("CREATE UNIQUE INDEX one ON reading (ts_ms)", True),
        ("INSERT INTO rollup VALUES (?) ON CONFLICT (period_s, ts_ms) DO NOTHING", True),
        ("INSERT INTO rollup VALUES (?) ON CONFLICT (series_id, ts_ms) DO NOTHING", False),
        ("INSERT INTO tally VALUES (?) ON CONFLICT (name) DO NOTHING", False),
        ("SELECT 1 FROM reading JOIN rollup ON reading.ts_ms = rollup.ts_ms", True),
        ("SELECT 1 FROM reading JOIN rollup USING (series_id, ts_ms)", False),
        ("SELECT 1 FROM reading JOIN series USING (series_id)", False),
        ("SELECT 1 FROM series WHERE EXISTS (SELECT 1 FROM reading WHERE ts_ms > ?)", True),
        ("SELECT 1 FROM reading WHERE series_id = ? AND ts_ms > ?", False),
        ("SELECT count(*) FROM reading", False),  # of every server, each by itself
    ],
)
def test_a_key_an_upsert_or_a_join_without_the_series_is_found(sql, lacks):
    assert lacks_its_series(sql) is lacks


def test_statements_are_seen(postgresql_server, statements):  # noqa: F811 - the fixture
    writer = Writer(postgresql_server.address())
    writer.close()
    assert any("CREATE TABLE reading" in sql for sql in statements)
