"""The worked page of the log in pandas: its blocks, run in order in a folder, and what they print."""

from __future__ import annotations

import contextlib
import io
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "dashboard/help/frames.md"
_PART = re.compile(r"```(?P<kind>sh|python|text)\n(?P<code>.*?)```", re.DOTALL)


def page() -> str:
    """The page with what its blocks print now in place of what is printed there."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "data").symlink_to(ROOT / "data")
        with contextlib.chdir(folder), _in_paris():
            return _filled(PAGE.read_text(encoding="utf-8"))


@contextlib.contextmanager
def _in_paris() -> Iterator[None]:
    """The zone that the page's shop has."""
    name = "BENCHWEATHER_SHOP__TIME_ZONE"
    was = os.environ.get(name)
    os.environ[name] = "Europe/Paris"
    try:
        yield
    finally:
        os.environ.pop(name)
        if was is not None:
            os.environ[name] = was


def _filled(text: str) -> str:
    known: dict[str, object] = {}
    printed = ""

    def run(match: re.Match[str]) -> str:
        nonlocal printed
        if match["kind"] == "text":
            return f"```text\n{printed}```"
        if match["kind"] == "sh":
            _shell(match["code"])
        else:
            said = io.StringIO()
            with contextlib.redirect_stdout(said):
                exec(match["code"], known)
            printed = said.getvalue()
        return match[0]

    filled = _PART.sub(run, text)
    known["log"].close()
    return filled


def _shell(code: str) -> None:
    command = f'benchweather() {{ "{sys.executable}" -m monitor "$@"; }}\n{code}'
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    subprocess.run(["bash", "-euc", command], check=True, env=environment, capture_output=True)
