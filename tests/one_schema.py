"""Every statement of the contract on PostgreSQL stays within the schema of its shop, and keeps to the
series by which readings and rollups may be sharded.

An engine that distributes whole schemas over servers, a schema on one server, then runs each of them on
one server as it is. Citus says so of its distributed schemas: all SQL that one server can run, but no
joins with tables elsewhere. https://docs.citusdata.com/en/stable/develop/reference_workarounds.html

One that distributes tables by a column wants it in every unique key, upsert and join of them.
From memory; PostgreSQL demands the first two of its own tables that are partitioned by hash, which
`test_sharding.py` runs.
"""

from __future__ import annotations

import re

import pytest

ELSEWHERE = re.compile(
    r"\b(?:FROM|JOIN|INTO|UPDATE|TABLE|REFERENCES)\s+(?!pg_catalog\b|information_schema\b)"
    r"(?:[a-z_]\w*)\.[a-z_]\w*(?!\s*\()|\bTEMP(?:ORARY)?\s+TABLE\b|\bTABLESAMPLE\b|\bCREATE\s+RULE\b",
    re.IGNORECASE,
)


def leaves_its_schema(sql: str) -> bool:
    """True if a statement names a table of another schema, or what such an engine cannot do."""
    return bool(ELSEWHERE.search(re.sub(r"'[^']*'", "''", sql)))


_SHARDED = r"(?:reading|rollup)\b"
_BY_SERIES = re.compile(r"\bseries_id\s*(?:=|IN\b)|USING\s*\([^)]*\bseries_id\b", re.IGNORECASE)
_READ = re.compile(rf"\b(?:FROM|JOIN|UPDATE)\s+{_SHARDED}", re.IGNORECASE)
_TABLE = re.compile(r"\b(?:FROM|UPDATE|JOIN(?!\s+LATERAL))\s+(?!SET\b|\()", re.IGNORECASE)
_MADE = re.compile(rf"\b(?:CREATE\s+TABLE|INTO|INDEX\s+\w+\s+ON)\s+{_SHARDED}", re.IGNORECASE)
_UNIQUE = re.compile(
    r"\b(?:UNIQUE|PRIMARY\s+KEY|ON\s+CONFLICT|UNIQUE\s+INDEX\s+\w+\s+ON\s+\w+)\s*\(([^)]*)\)",
    re.IGNORECASE,
)


def lacks_its_series(sql: str) -> bool:
    """True if a statement has a unique key, an upsert or a join of readings or rollups without the
    series."""
    if _MADE.search(sql) and any("series_id" not in key for key in _UNIQUE.findall(sql)):
        return True
    joins = len(_TABLE.findall(sql)) - 1
    return bool(_READ.search(sql)) and len(_BY_SERIES.findall(sql)) < joins


@pytest.fixture(autouse=True)
def statements(monkeypatch):
    """Statements that the test runs on PostgreSQL, each checked at its end."""
    pytest.importorskip("psycopg", reason="pip install '.[postgresql]'")
    from monitor.store.postgresql import session

    seen = set()
    ours = session._in_own_words.__wrapped__
    monkeypatch.setattr(session, "_in_own_words", lambda sql: seen.add(sql) or ours(sql))
    yield seen
    wrong = [sql for sql in seen if leaves_its_schema(sql) or lacks_its_series(sql)]
    assert not wrong, wrong
