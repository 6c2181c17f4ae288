"""Imports point downward: the rows stand in pyproject.toml, [tool.importlinter]."""

from __future__ import annotations

import ast
import functools
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import ROOT
from importlinter.api import read_configuration

PACKAGES = ("monitor", "dashboard", "sensors")


def test_the_rows_are_kept():
    script = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [str(script), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert " 0 broken" in done.stdout


def test_every_contract_is_read():
    contracts = read_configuration(str(ROOT / "pyproject.toml"))["contracts_options"]
    assert {"layers", "forbidden", "independence", "protected"} <= {c["type"] for c in contracts}


@pytest.mark.parametrize(
    ("library", "only_in"),
    [
        (
            "sqlite3",
            {
                "monitor/store/sqlite.py",
                "monitor/store/migrations/__init__.py",
                "sensors/agent/pack_store.py",
            },
        ),
        (
            "psycopg",
            {"monitor/store/postgresql/connection.py", "monitor/store/postgresql/session.py"},
        ),
        ("apscheduler", {"monitor/runtime/scheduler.py"}),
        ("bcrypt", {"monitor/mqtt/accounts.py"}),
        ("apprise", {"monitor/alerting/notifications/sender.py"}),
        (
            "cryptography",
            {"monitor/alerting/notifications/web_push.py", "monitor/backup/sealed.py"},
        ),
        ("http_ece", {"monitor/alerting/notifications/web_push.py"}),
        ("py_vapid", {"monitor/alerting/notifications/web_push.py"}),
        ("holidays", {"monitor/core/public_holidays.py"}),
        ("ortools", {"monitor/planning/solver.py"}),
        ("bleak", {"sensors/agent/bluetooth.py"}),
        ("babel", set()),  # the tests' only: 33 MB of data
        ("pvlib", {"monitor/clients/weather_files.py"}),
        ("markdown_it", {"dashboard/help/markdown.py"}),
        ("urllib3", {"monitor/outlook/weather/http.py"}),
        ("segno", {"monitor/core/qr_code.py"}),
        ("tomlkit", {"monitor/settings/toml_edit.py"}),
        ("typst", {"monitor/clients/typst_pdf.py"}),
        ("pydantic", {str(one.relative_to(ROOT)) for one in ROOT.glob("monitor/settings/*.py")}),
        ("platformdirs", {"monitor/settings/__init__.py"}),
        ("monitor.store", None),
    ],
)
def test_one_outside_library_stands_behind_one_module(library, only_in):
    importers = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*.py")
        if library.rpartition(".")[2] in _text(path) and library in _imported(path)
    }
    if library == "monitor.store":  # on the board's side only the queries know the store
        ours = {p for p in importers if p.startswith("dashboard/")}
        assert ours
        assert all(p.startswith("dashboard/data/") for p in ours), ours
    else:
        assert importers <= only_in


def test_nothing_imports_the_tests():
    for package in PACKAGES:
        for path in (ROOT / package).rglob("*.py"):
            if "tests" in _text(path):
                assert not any(name.split(".")[0] == "tests" for name in _imported(path)), path


def test_no_test_imports_another_and_helpers_lie_flat():
    """What two files of tests share is a module in `tests/` itself, or in a package there."""
    tests = sorted((ROOT / "tests").rglob("test_*.py"))
    assert len({path.name for path in tests}) == len(tests) > 100
    for path in (ROOT / "tests").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"^ *(from|import) test_", text, re.MULTILINE), path
        if path not in tests and path.parent != ROOT / "tests/benchmarks":
            assert path.parent == ROOT / "tests" or path.with_name("__init__.py").exists(), path


@functools.cache
def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@functools.cache
def _imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(_text(path))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return names | {name.split(".")[0] for name in names}
