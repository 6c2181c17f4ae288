"""Start of a process that works for the service: its arguments, settings, log and priority."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from monitor.core import logs
from monitor.settings import Settings, load

NICE = 10


def begun(part: str, about: str | None) -> Settings:
    """Settings by this process's arguments, once its log is set up and it gives way to others.

    Parameters
    ----------
    part : str
        Name of the process in the log.
    about : str or None
        Help of its command.

    Raises
    ------
    SettingsFault
        If the settings are not sound.
    """
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--config", type=Path)
    parser.add_argument("--demo", action="store_true")
    given = parser.parse_args()
    settings = load(data=given.data, config=given.config, demo=given.demo)
    logs.set_up(part, as_json=settings.log.format == "json")
    os.nice(NICE)
    return settings


def child_arguments(settings: Settings) -> list[str]:
    """Command-line arguments by which a child loads the same settings."""
    folder = settings.data.parent if settings.demo else settings.data
    arguments = ["--data", str(folder.absolute())]
    if settings.config:
        arguments += ["--config", str(settings.config.absolute())]
    return [*arguments, "--demo"] if settings.demo else arguments
