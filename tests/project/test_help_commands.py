"""The command blocks of README and help, run as they are printed, in a shop made for them.

A block that cannot run here says why in a comment before it: `<!-- not run: reason -->`.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from command_host import command_host
from conftest import ROOT, RunningService, needs, until

from dashboard.help.manual import SUBJECTS
from monitor.store import Reader

pytestmark = [pytest.mark.slow, pytest.mark.broker]
SETTINGS = """
[[places]]
id = "front-bench"
[[places]]
id = "varnish-corner"
kind = "varnish"
[[reservoirs]]
id = "tank"
name = "Front humidifier"
place = "front-bench"
lasts_h = 24
"""
GIVEN = (
    "sensor send front-bench/a1 --temperature 20 --humidity 45",
    "sensor send front-bench/a2 --temperature 20 --humidity 45",
    "sensor send front-bench/fb-1 --temperature 20 --humidity 45",
    "sensor send case-1/c1 --temperature 20 --humidity 55",
    "instrument register VN-41 violin front-bench",
)
"""Commands that make what the texts take as given: sensors that have sent, an instrument."""
BLOCK = re.compile(
    r"(?:<!-- (?P<note>[^\n]*?) -->\n)?```(?P<kind>sh|python)\n(?P<code>.*?)```", re.DOTALL
)


class Block(NamedTuple):
    """One block of commands, and why it is not run, if it is not."""

    file: str
    code: str
    kind: str
    reason: str


def blocks() -> list[Block]:
    """All blocks, README first, then the manual in its order."""
    paths = [ROOT / "README.md", *(ROOT / f"dashboard/help/{name}.md" for name in SUBJECTS)]
    found = []
    for path in paths:
        for match in BLOCK.finditer(path.read_text(encoding="utf-8")):
            note = match["note"] or ""
            reason = note.removeprefix("not run: ") if note.startswith("not run: ") else ""
            if note in ("start command", "demo command"):
                reason = "a service does not end by itself"
            found.append(Block(path.name, match["code"], match["kind"], reason))
    return found


def test_most_blocks_are_run_and_each_other_one_says_why():
    run = [block for block in blocks() if not block.reason]
    assert len(run) > len(blocks()) / 2
    assert len(run) >= 28


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A service with its data in a home of its own, and a clone's folder to type in."""
    home = tmp_path_factory.mktemp("home")
    clone = home / "clone"
    (clone / ".venv/bin").mkdir(parents=True)
    (clone / "data").symlink_to(ROOT / "data")
    python = clone / ".venv/bin/python3"
    python.write_text(f'#!/bin/sh\nexec "{sys.executable}" "$@"\n', encoding="utf-8")
    python.chmod(0o755)
    data = home / ".local/share/benchweather"
    data.mkdir(parents=True)
    (data / "benchweather.toml").write_text(SETTINGS, encoding="utf-8")
    service = RunningService(data)
    service.before = (
        "from monitor.service import scheduled_jobs; scheduled_jobs.FORECAST_FILES_S = 1"
    )
    service.start()
    environment = {k: v for k, v in service.environment.items() if not k.startswith("XDG_")}
    del environment["BENCHWEATHER_DATA"]
    environment |= {
        "HOME": str(home),
        "PATH": f"{clone / '.venv/bin'}:{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
    }
    with command_host(clone / ".venv/bin/benchweather", environment):
        for command in GIVEN:
            assert run(f"benchweather {command}", clone, environment).returncode == 0, command
        sent = sum(command.startswith("sensor send") for command in GIVEN)
        until(lambda: len(stored(service)) == sent, what="the readings are stored")
        yield service, clone, environment
    service.clear()


def stored(service: RunningService) -> set[tuple[str, str]]:
    with contextlib.closing(Reader(service.store)) as reader:
        return {(series.place, series.sensor) for series in reader.series()}


def run(code: str, clone: Path, environment: dict[str, str], kind: str = "sh"):
    program = [sys.executable, "-c"] if kind == "python" else ["bash", "-eu", "-c"]
    return subprocess.run(
        [*program, code],
        cwd=clone,
        env=environment,
        capture_output=True,
        text=True,
        timeout=250,
        check=False,
    )


@pytest.mark.parametrize("file", sorted({b.file for b in blocks() if not b.reason}))
def test_the_blocks_of_a_text_run_as_they_are_printed(file, shop):
    service, clone, environment = shop
    # The outlook's sample is an old forecast, of which `check` warns for a day once it was read.
    forecasts = service.data / "forecasts"
    until(lambda: not list(forecasts.glob("*.json")), within_s=150, what="the sample is read")
    shutil.rmtree(forecasts / "refused", ignore_errors=True)
    for kind, code in stretches(file):
        if "mosquitto_pub" in code:
            needs("mosquitto_pub", "mosquitto-clients")
        # Only the port differs: each test run has ports of its own.
        code = code.replace("1883", str(service.broker_port))
        done = run(code, clone, environment, kind)
        assert done.returncode == 0, f"{code}\n{done.stdout}{done.stderr}"
        assert "Traceback" not in done.stderr


def stretches(file: str) -> Iterator[tuple[str, str]]:
    """Kind and code of a text's blocks; Python's as one, as each builds upon those before it."""
    run = [block for block in blocks() if block.file == file and not block.reason]
    for kind, each in itertools.groupby(run, key=lambda block: block.kind):
        codes = [block.code for block in each]
        yield from ((kind, code) for code in (["\n".join(codes)] if kind == "python" else codes))
