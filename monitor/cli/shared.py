"""What every command uses: the terminal, the common options, errors as one line."""

from __future__ import annotations

import contextlib
import locale
import os
import sys
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Annotated, NoReturn, TextIO
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import typer
from rich.console import Console
from rich.progress import Progress

from monitor import settings as settings_module
from monitor.core import formats
from monitor.core.clock import to_ms
from monitor.core.errors import MonitorError, SettingsFault
from monitor.settings import Settings

UNCUT = 10_000
"""Columns where nobody looks at a screen: enough for any line or table."""


def _width(stream: TextIO) -> int | None:
    """None: as wide as `COLUMNS` says or the terminal is."""
    return None if stream.isatty() or "COLUMNS" in os.environ else UNCUT


# Markup and emoji codes off: what was typed in the shop is shown as it was typed.
out, err = (
    Console(stderr=is_err, markup=False, emoji=False, width=_width(stream))
    for is_err, stream in ((False, sys.stdout), (True, sys.stderr))
)

Data = Annotated[
    Path | None,
    typer.Option(help="Data folder; else BENCHWEATHER_DATA, else your user data folder"),
]
Config = Annotated[
    Path | None,
    typer.Option(help="Settings file; else BENCHWEATHER_CONFIG, else DATA/benchweather.toml"),
]
Demo = Annotated[
    bool, typer.Option("--demo", help="An invented shop, in a data folder of its own")
]


def load(data: Path | None, config: Path | None, *, demo: bool) -> Settings:
    try:
        return settings_module.load(data=data, config=config, demo=demo)
    except SettingsFault as exc:
        err.print("The settings cannot be used:", style="bold red")
        for fault in exc.faults:
            err.print(f"  {fault}", highlight=False, soft_wrap=True)
        raise typer.Exit(2) from None


@contextlib.contextmanager
def exit_on(
    wrong_use: type[MonitorError] | tuple[()] = (), apart: type[MonitorError] | tuple[()] = ()
) -> Iterator[None]:
    """An error of ours as one line and an exit code; one that is `apart` is the caller's."""
    try:
        yield
    except apart:
        raise
    except MonitorError as exc:
        err.print(str(exc), style="bold red", highlight=False, soft_wrap=True)
        raise typer.Exit(2 if wrong_use and isinstance(exc, wrong_use) else 1) from None
    except OSError as exc:
        if isinstance(exc, BrokenPipeError):
            sys.stderr.close()  # whoever read our output has gone: nothing to tell
        else:
            where = f"{exc.filename}: " if exc.filename else ""
            err.print(f"{where}{exc.strerror or exc}", style="bold red")
        raise typer.Exit(1) from None


def wrong(text: str) -> NoReturn:
    err.print(text, style="bold red", highlight=False, soft_wrap=True)
    raise typer.Exit(2)


def progress() -> Progress:
    return Progress(console=err, transient=True)


def zone_of(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        wrong(f"--zone {name!r}: must be an IANA time zone name such as Europe/Paris")


def moment_of(text: str, zone: ZoneInfo, *, option: str, whole_day: bool = False) -> int:
    try:
        moment = datetime.fromisoformat(text)
        if whole_day and _is_day(text):
            moment += timedelta(days=1)
        return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    except (ValueError, OverflowError):
        wrong(f"{option} {text!r}: must be a day or time such as 2026-01-31 or 2026-01-31T14:30")


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def fahrenheit(settings: Settings) -> bool:
    """Whether temperatures are shown in °F: by the settings, else by the terminal's locale."""
    unit = settings.board.temperature_unit
    if unit != "auto":
        return unit == "F"
    return formats.prefers_fahrenheit(locale.setlocale(locale.LC_CTYPE, ""))
