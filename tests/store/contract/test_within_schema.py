"""The check of statements finds what would leave a shop's schema."""

from __future__ import annotations

import pytest
from one_schema import leaves_its_schema, statements  # noqa: F401 - watches each test

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


def test_statements_are_seen(postgresql_server, statements):  # noqa: F811 - the fixture
    writer = Writer(postgresql_server.address())
    writer.close()
    assert any("CREATE TABLE reading" in sql for sql in statements)
