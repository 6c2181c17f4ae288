"""What a tap carries: the browser sends each field that a page gives a button and its reader reads."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

from dashboard.alerts import forms as alerts_forms
from dashboard.bench import forms as bench_forms
from dashboard.sensors import forms as sensors_forms
from dashboard.wood import forms as wood_forms

BOARD = Path(__file__).parents[2] / "dashboard"
BY_SCRIPT = {
    *("do", "form", "id", "by", "at_ms", "said", "then", "sure", "name", "placename", "ready"),
    *("caution", "where"),
}
"""What `bench.js` uses itself, or makes."""


def carried() -> set[str]:
    script = (BOARD / "assets/bench.js").read_text("utf-8")
    listed = re.search(r"const CARRIED = (\[.*?\]);", script)
    assert listed
    return set(json.loads(listed[1])) | BY_SCRIPT


def test_the_browser_sends_each_field_that_a_reader_of_taps_reads():
    read = {
        name
        for source in BOARD.rglob("*.py")
        for name in re.findall(r'\btap(?:\.get\(|\[)"(\w+)"', source.read_text("utf-8"))
    }
    assert {"first", "newcomer", "as_dated"} <= read
    for forms in (alerts_forms, bench_forms, sensors_forms, wood_forms):
        read |= set(forms.PASSED_ON)
    assert read <= carried(), read - carried()


@pytest.mark.slow
def test_the_browser_sends_each_field_that_a_page_gives_a_button():
    given = {
        word.arg
        for source in BOARD.rglob("*.py")
        for call in ast.walk(ast.parse(source.read_text("utf-8")))
        if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "action_button"
        for word in call.keywords
        if word.arg
    }
    assert {"close", "from_ms", "every"} <= given
    assert given <= carried(), given - carried()
