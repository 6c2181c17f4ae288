"""The first line of a docstring says what the thing is or does.

Lines are matched against turns that do not: noun clauses ("How long it is good"), pronouns without
a noun, and verbs that hide who does what ("is told", "stands").
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from conftest import ROOT

CLAUSE = re.compile(
    r"(What|How|Who|Whom|Whose|Which|Where|When|Why|Whether|That|Those|These|It|They|Them|One|Such"
    r"|If|As|So|Of|In|At|From|By|With|Without|For|Over|Up|Only|Each|Both|Either)\b"
    r"|[\[(]|`\w+`( \(|:|, `)|Parameters$"
)
"""First words of a clause without a noun of its own, a bare unit, a list of fields."""
STIFF = re.compile(
    r"\b(told|tells?|telling|said|says?|stands?|spoken|speaks?|speak|whereby|whence|nay|till"
    r"|are to (come|be)|is to be|to come|foretold|foretells?|foreseen|come to|so that it be)\b"
)
"""Turns that `DEVELOPERS.md` does not want in a first line."""


def offends(line: str) -> bool:
    """Whether a docstring's first line says neither what the thing is nor what it does."""
    return bool(CLAUSE.match(line) or STIFF.search(line))


def first_lines(file: Path) -> list[tuple[int, str]]:
    """Line number and first line of each docstring of a module, its classes and functions."""
    found = []
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            text = ast.get_docstring(node)
            if text:
                found.append((getattr(node, "lineno", 1), text.splitlines()[0]))
    return found


def offenders() -> list[str]:
    """Place and text of each first line that offends."""
    return [
        f"{file.relative_to(ROOT)}:{number}: {line}"
        for tree in ("monitor", "dashboard", "sensors")
        for file in sorted((ROOT / tree).rglob("*.py"))
        for number, line in first_lines(file)
        if offends(line)
    ]


def test_clauses_and_stiff_verbs_are_found_and_plain_lines_pass():
    assert offends("How long a wood evaluation is good.")
    assert offends("What the sensors read.")
    assert offends("The air as it is told to the board.")
    assert not offends("Cached lifetime of a wood evaluation.")
    assert not offends("Dew point from temperature and relative humidity. [°C]")


@pytest.mark.slow
def test_each_first_line_says_what_the_thing_is_or_does():
    found = offenders()
    assert not found, "\n".join(found)
