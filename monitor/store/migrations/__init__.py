"""The store's schema as numbered steps, each run once and in order.

A step is `NNNN_what.sql`. A step that has been released is never edited: add the next one.
"""

from __future__ import annotations

import functools
import sqlite3
from importlib.resources import files
from typing import NamedTuple


class Migration(NamedTuple):
    """Migration of the store: its number, its name and its statements."""

    number: int
    name: str
    statements: list[str]


FIRST = Migration(
    0, "steps", ["CREATE TABLE IF NOT EXISTS schema_step (number INTEGER PRIMARY KEY) STRICT;"]
)
"""What every store has before its first step: the numbers of the steps it has done."""


@functools.cache
def steps(package: str = __name__) -> list[Migration]:
    """Every step of a package of steps, by number."""
    found = []
    for item in files(package).iterdir():
        if item.name.endswith(".sql"):
            number, _, name = item.name.removesuffix(".sql").partition("_")
            found.append(
                Migration(int(number), name, _statements(item.read_text(encoding="utf-8")))
            )
    return sorted(found)


def _statements(script: str) -> list[str]:
    statements, pending = [], ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            statements.append(pending.strip())
            pending = ""
    return statements
