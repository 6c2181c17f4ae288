"""Parts that all commands share: common options, the store, and errors as exit codes."""

from __future__ import annotations

import contextlib
import difflib
import functools
import inspect
import locale
import os
import sys
from collections.abc import Callable, Collection, Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import typer
from rich.progress import Progress

from monitor import settings as settings_module
from monitor.cli.output import err
from monitor.cli.output import out as out
from monitor.core import formats
from monitor.core.clock import now_ms, to_ms, today
from monitor.core.errors import MonitorError, Rejected, SettingsFault, StoreFault
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.domain.instrument import Instrument
    from monitor.runtime.heartbeat import Heartbeat
    from monitor.store import Reader

HELP_OPTIONS = {"help_option_names": ["-h", "--help"]}
NEAR_MAX = 3
"""Most near misses that an error suggests."""
LISTED_MAX = 30
"""Most known names that an error lists."""
SECRET_MAX = 4_096
"""Longest file of a password. [bytes]"""
NO_END_MS = 2**53
"""End of a span without an end. [ms since 1970-01-01 UTC]"""

Data = Annotated[
    Path | None,
    typer.Option(help="Data folder (default: BENCHWEATHER_DATA or your user data folder)"),
]
Config = Annotated[
    Path | None,
    typer.Option(help="Settings file (default: BENCHWEATHER_CONFIG or DATA/benchweather.toml)"),
]
Demo = Annotated[bool, typer.Option("--demo", help="Use the demo: an invented shop")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON")]
From = Annotated[
    str, typer.Option("--from", help="First day or time (default: from the beginning)")
]
To = Annotated[str, typer.Option("--to", help="Last day, included, or end time (default: now)")]
Verbose = Annotated[bool, typer.Option("--verbose", "-v", help="Log every message")]
WriteUnit = Annotated[bool, typer.Option("--write", help="Write the unit instead of printing it")]
ReplaceUnit = Annotated[bool, typer.Option("--force", help="Replace a unit that is different")]
AT_HELP = "Time, if not now: 14:30 or 2026-01-31T14:30"
ClockTime = Annotated[str, typer.Option("--at", help=AT_HELP)]
_COMMON = {"data": (Data, None), "config": (Config, None), "demo": (Demo, False)}


def command(
    app: typer.Typer, name: str | None = None, **more: Any
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Decorator that adds a command. Its parameter `settings` becomes the common options, and its
    errors become exit codes."""

    def add(function: Callable[..., None]) -> Callable[..., None]:
        given = inspect.signature(function, eval_str=True)
        takes_settings = "settings" in given.parameters

        @functools.wraps(function)
        def run(**values: Any) -> None:
            with exit_on():
                if takes_settings:
                    common = {name: values.pop(name) for name in _COMMON}
                    values["settings"] = load(**common)
                function(**values)

        parameters = {k: p for k, p in given.parameters.items() if k != "settings"}
        if takes_settings:
            parameters |= {
                name: inspect.Parameter(
                    name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=kind
                )
                for name, (kind, default) in _COMMON.items()
            }
        del run.__wrapped__  # else typer reads the annotations of `function`
        run.__annotations__ = {k: p.annotation for k, p in parameters.items()}
        run.__signature__ = given.replace(  # type: ignore[attr-defined] # as functools.wraps sets it
            parameters=[p.replace(kind=p.KEYWORD_ONLY) for p in parameters.values()]
        )
        app.command(name, **more)(run)
        return function

    return add


def load(data: Path | None, config: Path | None, *, demo: bool) -> Settings:
    """Read the settings, or list every fault and end with code 2."""
    try:
        return settings_module.load(data=data, config=config, demo=demo)
    except SettingsFault as exc:
        err.print("The settings cannot be used:", style="bold red")
        for fault in exc.faults:
            err.print(f"  {fault}")
        raise typer.Exit(2) from None


@contextlib.contextmanager
def exit_on(
    wrong_use: type[MonitorError] | tuple[()] = (), apart: type[MonitorError] | tuple[()] = ()
) -> Iterator[None]:
    """Turn an error of ours into one line and an exit code; the caller handles those in `apart`."""
    try:
        yield
    except apart:
        raise
    except MonitorError as exc:
        err.print(str(exc), style="bold red")
        raise typer.Exit(2 if wrong_use and isinstance(exc, wrong_use) else 1) from None
    except OSError as exc:
        if isinstance(exc, BrokenPipeError):
            sys.stderr.close()  # the reader of our output has ended
        else:
            where = f"{exc.filename}: " if exc.filename else ""
            err.print(f"{where}{exc.strerror or exc}", style="bold red")
        raise typer.Exit(1) from None


def wrong(text: str) -> NoReturn:
    """End with code 2: the command was not used rightly."""
    err.print(text, style="bold red")
    raise typer.Exit(2)


def failed(text: str) -> NoReturn:
    """End with code 1: the command could not be done."""
    err.print(text, style="bold red")
    raise typer.Exit(1)


def known(given: str, names: Collection[str], what: str) -> str:
    """A name that exists, or an error that suggests near misses."""
    if given in names:
        return given
    failed(f"There is no {what} {given!r}. {suggestion(given, names)}")


def suggestion(given: str, names: Collection[str]) -> str:
    """Near misses of a wrong name, or the names there are."""
    wanted = given.casefold()
    near = [name for name in names if wanted and wanted in name.casefold()]
    if not near:
        words = {word: name for name in names for word in name.casefold().split()}
        words |= {name.casefold(): name for name in names}
        found = difflib.get_close_matches(wanted, words, n=NEAR_MAX, cutoff=0.6)
        near = list(dict.fromkeys(words[word] for word in found))
    if near:
        return f"Did you mean {' or '.join(near[:NEAR_MAX])}?"
    if not names:
        return "There are none yet."
    listed = ", ".join(list(names)[:LISTED_MAX])
    return f"It must be one of {listed}{', …' if len(names) > LISTED_MAX else ''}."


def start_hint(settings: Settings) -> str:
    """Command to start where there is nothing to read or no service to answer."""
    if settings.demo:
        return "Start `benchweather demo`."
    folder = settings.data / settings_module.DEMO
    if (folder / settings_module.DEMO_MARK).is_file():
        return f"The demo has its data in {folder}: for the demo add `--demo`."
    return "Start `benchweather run`; for the demo add `--demo`."


@contextlib.contextmanager
def store_of(settings: Settings) -> Iterator[Reader]:
    """Open the store for reading, or fail with an error on how readings get there."""
    from monitor.store import Reader, is_there

    if not is_there(settings.store_address):
        failed(f"No readings in {settings.data}. {start_hint(settings)}")
    with exit_on(), contextlib.closing(Reader(settings.read_address)) as reader:
        yield reader


@contextlib.contextmanager
def journal_of(settings: Settings) -> Iterator[tuple[Reader, Journal]]:
    """The store and what was done, open for reading."""
    from monitor.commands import Journal

    with store_of(settings) as reader:
        yield reader, Journal(reader)


def instrument_of(settings: Settings, given: str) -> Instrument:
    """The instrument with this reference or id, or the only one whose reference begins with it,
    or else contains it."""
    from monitor.domain.instrument import id_of

    with journal_of(settings) as (_, journal):
        instruments = journal.instruments
    if (exact := instruments.get(id_of(given))) is not None:
        return exact
    wanted = given.casefold().strip()
    found = [i for i in instruments.values() if wanted and wanted in i.reference.casefold()]
    found = [i for i in found if i.reference.casefold().startswith(wanted)] or found
    if len(found) == 1:
        return found[0]
    if found:
        failed(f"{given!r} fits {', '.join(one.reference for one in found)}. Give one in full.")
    names = [one.reference for one in instruments.values()]
    failed(f"There is no instrument {given!r}. {suggestion(given, names)}")


def print_troubles(settings: Settings) -> None:
    """Print the troubles of the service that works here, if one has ever run."""
    from monitor.runtime import service_troubles

    if (beat := last_beat(settings)) is None:
        return
    found = service_troubles.troubles(beat, now_ms(), settings.zone, gone=beat.late())
    for trouble in found:
        err.print(f"{trouble.sentence} {trouble.remedy}", style="bold red")


def last_beat(settings: Settings) -> Heartbeat | None:
    """The service's last heartbeat; None if it is not known."""
    from monitor.store import heartbeats

    with contextlib.suppress(StoreFault):
        return heartbeats.last(settings)
    return None


def progress() -> Progress:
    """A progress bar on the terminal."""
    return Progress(console=err, transient=True)


def zone_of(name: str) -> ZoneInfo:
    """The time zone with this IANA name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        wrong(f"--zone {name!r}: must be an IANA time zone name such as Europe/Paris")


def moment_of(text: str, zone: ZoneInfo, *, option: str, whole_day: bool = False) -> int:
    """A day or a time in a zone; with `whole_day` the end of a day. [ms since 1970-01-01 UTC]"""
    try:
        moment = datetime.fromisoformat(text)
        if whole_day and _is_day(text):
            moment += timedelta(days=1)
        return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=zone))
    except (ValueError, OverflowError):
        wrong(f"{option} {text!r}: must be a day or time such as 2026-01-31 or 2026-01-31T14:30")


def span_of(
    start: str, end: str, zone: ZoneInfo, *, first_ms: int = 0, last_ms: int = NO_END_MS
) -> tuple[int, int]:
    """Start and end of --from and --to, or `first_ms` and `last_ms`. [ms since 1970-01-01 UTC]"""
    start_ms = moment_of(start, zone, option="--from") if start else first_ms
    end_ms = moment_of(end, zone, option="--to", whole_day=True) if end else last_ms
    if start_ms >= end_ms:
        wrong(f"--from {start or 'left out'} is not before --to {end or 'now'}")
    return start_ms, end_ms


def time_of(text: str, settings: Settings, option: str = "--at") -> int:
    """A time today, or a day and time, in the shop's zone. [ms since 1970-01-01 UTC]"""
    if len(text) == len("14:30") and text[2] == ":":
        text = f"{today(settings.zone).isoformat()}T{text}"
    return moment_of(text, settings.zone, option=option)


def at_field(text: str, settings: Settings) -> dict[str, int]:
    """The field of a request for --at, if it is given."""
    return {"at_ms": time_of(text, settings)} if text else {}


def read_secret(file: Path) -> str:
    """The first line of a file that only its owner can read."""
    with file.open("rb") as opened:
        if os.name == "posix" and os.fstat(opened.fileno()).st_mode & 0o077:
            failed(f"{file}: other users can read it. Run chmod 600 {file}")
        content = opened.read(SECRET_MAX)
    try:
        return content.decode("utf-8").partition("\n")[0].removesuffix("\r")
    except UnicodeDecodeError as exc:
        raise Rejected(f"{file}: is not UTF-8 text") from exc


def number_of(text: str, option: str) -> float:
    """A number typed as text."""
    try:
        return float(text)
    except ValueError:
        wrong(f"{option} {text!r}: must be a number")


def temp_c_of(text: str, option: str) -> float:
    """A temperature typed as 21C, 70F, or 21 for °C. [°C]"""
    unit = text[-1:].upper()
    try:
        value = float(text[:-1] if unit in ("C", "F") else text)
    except ValueError:
        wrong(f"{option} {text!r}: must be a temperature such as 21C or 70F")
    return round(formats.to_celsius(value, "F"), 3) if unit == "F" else value


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def fahrenheit(settings: Settings) -> bool:
    """True if temperatures are shown in °F: by the settings, else by the terminal's locale."""
    unit = settings.board.temperature_unit
    if unit != "auto":
        return unit == "F"
    return formats.prefers_fahrenheit(locale.setlocale(locale.LC_CTYPE, ""))


def in_reader_unit(text: str, settings: Settings) -> str:
    """A text with its temperatures and their differences in the reader's unit."""
    return formats.in_reader_unit(text, formats.unit_of(fahrenheit(settings)))
