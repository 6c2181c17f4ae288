"""The command line: parses, calls, prints. Exit codes: 0 done, 1 failed, 2 wrong use."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import typer
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from monitor import __version__, logs
from monitor import settings as settings_module
from monitor.clock import now_ms, to_ms
from monitor.errors import MonitorError, SettingsFault
from monitor.settings import Settings

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
out, err = Console(), Console(stderr=True)

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

IMPORT_BATCH = 10_000
"""Readings in one transaction of an import."""
LINES_SHOWN = 20
"""Refused lines printed; the rest are counted."""


def main() -> None:
    """Entry point of `benchweather` and `python -m monitor`."""
    app()


def _tell_version(wanted: bool) -> None:
    if wanted:
        out.print(__version__, highlight=False)
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_tell_version, is_eager=True, help="Show the version"),
    ] = False,
) -> None:
    """What the air of a violin repair shop does to glue, varnish and opened wood."""


@app.command()
def run(
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log each message")] = False,
) -> None:
    """Start everything: broker, store, ingest, jobs and board. Ctrl-C ends it."""
    from monitor.service import Service

    settings = _settings(data, config, demo=demo)
    logs.set_up(verbose=verbose, file=settings.data / "log" / "service.log")

    def ready() -> None:
        board = f"http://{settings.board.host}:{settings.board.port}"
        broker = settings.broker.url or f"mqtt://{settings.broker.host}:{settings.broker.port}"
        out.print(f"Board:  {board}")
        out.print(f"Broker: {broker}  topic benchweather/<place>/<sensor>")
        out.print(f"Data:   {settings.data}   Ctrl-C ends")

    with _told():
        Service(settings).run(ready)


@app.command()
def check(data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Show every setting and where it came from, and probe broker, store, clock and disk."""
    from monitor import checks
    from monitor.service import broker_address

    settings = _settings(data, config, demo=demo)
    table = Table("setting", "value", "unit", "from")
    table.add_row("data folder", str(settings.data), "", "")
    table.add_row("settings file", str(settings.config or "none"), "", "")
    for row in settings_module.table(settings):
        origin = settings.origins.get(row.name, "default")
        table.add_row(row.name, str(row.value), row.unit, origin)
    out.print(table)
    with _told():
        verdicts = checks.run(settings, broker_address(settings))
    for verdict in verdicts:
        out.print(f"{'good' if verdict.good else 'BAD '}  {verdict.part:<7} {verdict.text}",
                  style="" if verdict.good else "bold red", highlight=False, soft_wrap=True)  # fmt: skip
    if not all(verdict.good for verdict in verdicts):
        raise typer.Exit(1)


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="CSV file of any logger")],
    place: Annotated[str, typer.Option(help="Place the readings are from")],
    sensor: Annotated[str, typer.Option(help="Name of the sensor")],
    time: Annotated[
        list[str], typer.Option(help="Time column; give date and time columns in order")
    ],
    take: Annotated[
        list[str],
        typer.Option(help="quantity:unit:column, such as 'temperature:Cel:Temp (C)'; repeat"),
    ],
    time_format: Annotated[
        str,
        typer.Option(help="iso, s or ms (since 1970 UTC), or a pattern such as '%d.%m.%Y %H:%M'"),
    ] = "iso",
    zone: Annotated[
        str, typer.Option(help="Time zone of times that carry none, such as Europe/Paris or UTC")
    ] = "",
    decimal: Annotated[str, typer.Option(help="Decimal sign: . or ,")] = ".",
    delimiter: Annotated[str, typer.Option(help="Between fields; 'tab' for a tab")] = ",",
    encoding: Annotated[str, typer.Option(help="Encoding of the text")] = "utf-8-sig",
    skip: Annotated[int, typer.Option(min=0, help="Lines before the header")] = 0,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only tell what would be taken")
    ] = False,
    refused: Annotated[
        Path | None, typer.Option(help="Write every refused line and its reason to this file")
    ] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Take readings from a logger's CSV file. What is there already changes nothing."""
    from monitor.importing import Column, Plan, read_csv
    from monitor.store import Writer

    settings = _settings(data, config, demo=demo)
    if decimal not in (".", ","):
        _wrong(f"--decimal {decimal!r}: must be . or ,")
    if len(delimiter) != 1 and delimiter != "tab":
        _wrong(f"--delimiter {delimiter!r}: must be one character, or tab")
    with _told(wrong_use=MonitorError):
        columns = tuple(Column.parse(text) for text in take)
    plan = Plan(
        place=place, sensor=sensor, columns=columns, time_columns=tuple(time),
        time_format=time_format, zone=_zone(zone) if zone else None, decimal=decimal,
        delimiter="\t" if delimiter == "tab" else delimiter, encoding=encoding, skip_lines=skip,
    )  # fmt: skip
    with _told():
        found = read_csv(file, plan, now_ms=now_ms())
        new = repeated = 0
        if not dry_run and found.total:
            with (
                contextlib.closing(Writer(settings.store_path)) as writer,
                _progress() as progress,
            ):
                task = progress.add_task("importing", total=found.total)
                for batch in found.batches(IMPORT_BATCH):
                    stored = writer.write(batch)
                    new, repeated = new + stored.new, repeated + stored.repeated
                    progress.advance(task, len(batch))
    for line, reason in found.refused[:LINES_SHOWN]:
        err.print(f"line {line}: {reason}", highlight=False, markup=False, soft_wrap=True)
    if (more := len(found.refused) - LINES_SHOWN) > 0:
        err.print(f"and {more} more refused; --refused FILE writes them all")
    if refused is not None:
        refused.write_text(
            "line\treason\n" + "".join(f"{n}\t{why}\n" for n, why in found.refused),
            encoding="utf-8",
        )
    told = f"would take {found.total}" if dry_run else f"took {new}, had already {repeated}"
    out.print(
        f"{found.lines} lines, {found.span()}: {told} readings, refused {len(found.refused)}",
        highlight=False, soft_wrap=True,
    )  # fmt: skip
    if not found.total:
        raise typer.Exit(1)


@app.command()
def export(
    start: Annotated[
        str, typer.Option("--from", help="First day or time, shop's zone if none")
    ] = "",
    end: Annotated[
        str, typer.Option("--to", help="Up to this day (whole) or before this time")
    ] = "",
    place: Annotated[
        list[str] | None, typer.Option(help="Only this place; repeat for more")
    ] = None,
    every: Annotated[str, typer.Option(help="raw, 10min or hour")] = "raw",
    to: Annotated[
        Path | None,
        typer.Option("--out", help="File to write, .csv or .parquet; else the terminal"),
    ] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Write readings as CSV or Parquet."""
    from monitor import exporting
    from monitor.store import Reader

    settings = _settings(data, config, demo=demo)
    if every not in exporting.STEPS_S:
        _wrong(f"--every {every}: must be one of {', '.join(exporting.STEPS_S)}")
    if to is not None and to.suffix not in (".csv", ".parquet"):
        _wrong(f"--out {to}: must end in .csv or .parquet")
    start_ms = _moment(start, settings.zone, option="--from") if start else 0
    end_ms = _moment(end, settings.zone, option="--to", whole_day=True) if end else 2**53
    if start_ms >= end_ms:
        _wrong(f"--from {start} is not before --to {end}")
    with _told(), contextlib.closing(Reader(settings.store_path)) as reader:
        parts = exporting.tables(
            reader, start_ms=start_ms, end_ms=end_ms, places=place or (), step=every
        )
        if to is None:
            rows = exporting.write_csv(parts, sys.stdout)
        elif to.suffix == ".parquet":
            rows = exporting.write_parquet(parts, to)
        else:
            with to.open("w", encoding="utf-8", newline="") as file:
                rows = exporting.write_csv(parts, file)
    err.print(f"{rows} rows")


def _settings(data: Path | None, config: Path | None, *, demo: bool) -> Settings:
    try:
        return settings_module.load(data=data, config=config, demo=demo)
    except SettingsFault as exc:
        err.print("The settings cannot be used:", style="bold red")
        for fault in exc.faults:
            err.print(f"  {fault}", highlight=False, markup=False, soft_wrap=True)
        raise typer.Exit(2) from None


@contextlib.contextmanager
def _told(wrong_use: type[MonitorError] | tuple[()] = ()) -> Iterator[None]:
    """An error of ours as one line and an exit code."""
    try:
        yield
    except MonitorError as exc:
        err.print(str(exc), style="bold red", highlight=False, markup=False, soft_wrap=True)
        raise typer.Exit(2 if wrong_use and isinstance(exc, wrong_use) else 1) from None
    except BrokenPipeError:
        sys.stderr.close()  # whoever read our output has gone: nothing to tell
        raise typer.Exit(1) from None


def _wrong(text: str) -> Any:
    err.print(text, style="bold red", highlight=False, markup=False, soft_wrap=True)
    raise typer.Exit(2)


def _progress() -> Progress:
    return Progress(console=err, transient=True)


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        _wrong(f"--zone {name!r}: must be an IANA time zone name such as Europe/Paris")
        raise  # never reached: _wrong ends


def _moment(text: str, zone: ZoneInfo, *, option: str, whole_day: bool = False) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        _wrong(f"{option} {text!r}: must be a day or time such as 2026-01-31 or 2026-01-31T14:30")
        raise  # never reached: _wrong ends
    if whole_day and len(text) == len("2026-01-31"):
        moment += timedelta(days=1)
    return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=zone))
