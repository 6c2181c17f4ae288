"""`benchweather sensor`: hands over to the sensor agent, a small program of its own."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import typer


def sensor(context: typer.Context) -> None:
    """Read this machine's sensor chips and publish them: run, find, unit."""
    # The agent takes this process's place: what the command line needs must not stay in memory.
    path = os.pathsep.join([str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")])
    arguments = [sys.executable, "-P", "-m", "sensors.agent", *context.args]
    sys.stdout.flush()
    os.execve(sys.executable, arguments, os.environ | {"PYTHONPATH": path})  # noqa: S606 - our own module
