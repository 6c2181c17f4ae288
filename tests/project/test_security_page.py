"""The page about security: each test that it names is there."""

from __future__ import annotations

import re

from conftest import ROOT

PAGE = ROOT / "dashboard/help/security.md"
TESTS = re.compile(r"^(?:async )?def (test_\w+)", re.MULTILINE)


def rows():
    """Item, cells of each row of the tables of the standard."""
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        if re.match(r"\| \d+\.\d+\.", line):
            item, *cells = (cell.strip() for cell in line.strip("|").split(" | "))
            yield item, cells


def test_every_test_that_the_page_names_is_there():
    named = set(re.findall(r"`(test_\w+)`", PAGE.read_text(encoding="utf-8")))
    there = {
        name
        for file in (ROOT / "tests").rglob("test_*.py")
        for name in TESTS.findall(file.read_text(encoding="utf-8"))
    }
    assert named - there == set()
    assert len(named) > 40


def test_every_item_has_a_state_and_what_is_met_has_a_test_or_a_reason():
    states = ("met", "not met", "in part", "by design", "does not apply", "with a certificate")
    found = list(rows())
    assert len(found) > 110
    for item, cells in found:
        state = next((cell for cell in cells if cell.startswith(states)), None)
        assert state, item
        assert any(len(cell) > 5 for cell in cells if cell != state), item
