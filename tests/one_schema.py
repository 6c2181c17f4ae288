"""Every statement of the contract on PostgreSQL stays within the schema of its shop.

An engine that distributes whole schemas over servers, a schema on one server, then runs each of them on
one server as it is. Citus says so of its distributed schemas: all SQL that one server can run, but no
joins with tables elsewhere. https://docs.citusdata.com/en/stable/develop/reference_workarounds.html
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


@pytest.fixture(autouse=True)
def statements(monkeypatch):
    """Statements that the test runs on PostgreSQL, each checked at its end."""
    pytest.importorskip("psycopg", reason="pip install '.[postgresql]'")
    from monitor.store import postgresql

    seen = set()
    ours = postgresql._in_own_words.__wrapped__
    monkeypatch.setattr(postgresql, "_in_own_words", lambda sql: seen.add(sql) or ours(sql))
    yield seen
    assert [sql for sql in seen if leaves_its_schema(sql)] == []
