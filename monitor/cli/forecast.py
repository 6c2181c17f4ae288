"""`benchweather forecast`: the stored outdoor forecasts."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.files import to_csv
from monitor.cli.output import err, local, out, print_json, print_table
from monitor.cli.shared import From, Json, To, command, span_of, store_of, wrong
from monitor.core.clock import from_ms, now_ms
from monitor.core.files import read_content
from monitor.core.measurements import name_fault
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.outlook.weather.intake import ForecastIntake

app = typer.Typer(no_args_is_help=True, help="List, fetch, import and export outdoor forecasts.")
NOTES_SHOWN = 20
ARCHIVE_MAX = 100_000_000
"""Largest archive of forecasts. [bytes]"""


@command(app, "list")
def list_(
    settings: Settings,
    limit: Annotated[int, typer.Option(min=1, help="Number of forecasts")] = 12,
    as_json: Json = False,
) -> None:
    """Show the newest forecasts, and when each source was last asked."""
    from monitor.outlook.weather.providers import credit_of
    from monitor.store import forecasts

    zone = settings.zone
    with store_of(settings) as reader:
        kept = forecasts.recent(reader, limit)
        states = [forecasts.progress_of(reader, one.id) for one in settings.forecasts if one.asked]
    if as_json:
        print_json(
            {
                "forecasts": kept,
                "sources": [
                    {
                        "source": state.source,
                        "asked_ms": state.tried_ms or None,
                        "next_ms": state.next_ms or None,
                        "trouble": state.trouble,
                    }
                    for state in states
                ],
            }
        )
        return
    if kept:
        print_table(
            ("source", "issued", "known since", "until", "hours", "members", "notes"),
            [
                (
                    one.source,
                    local(one.issued_ms, zone),
                    local(one.known_ms, zone),
                    local(one.ends_ms, zone),
                    str(one.hours),
                    str(one.members or ""),
                    "; ".join(filter(None, (one.doubt, *one.notes))),
                )
                for one in kept
            ],
        )
    else:
        out.print("No forecast is stored yet.")
    for state in states:
        text = "never asked"
        if state.tried_ms:
            text = f"asked {local(state.tried_ms, zone)}, next {local(state.next_ms, zone)}"
        out.print(f"{state.source}: {text}{f'; {state.trouble}' if state.trouble else ''}")
    for source in settings.forecasts:
        if credit := credit_of(source):
            out.print(f"{source.id}: {credit}")


@command(app)
def fetch(settings: Settings) -> None:
    """Ask the sources that are due. A source is never asked before its next time."""
    from monitor.outlook.weather.poller import ForecastPoller

    if not any(source.asked for source in settings.forecasts):
        wrong("The settings have no [[forecasts]] that is asked over the network. Add one first.")
    with _intake(settings) as intake:
        found = ForecastPoller(settings, intake).poll(now_ms())
    for one in found:
        out.print(
            f"{'good' if one.good else 'BAD '}  {one.source}  {one.text}",
            style="" if one.good else "bold red",
        )
    if not found[-1].good:
        raise typer.Exit(1)


@command(app, "import")
def import_(
    settings: Settings,
    file: Annotated[Path, typer.Argument(help="CSV or JSON; a CSV may hold years of forecasts")],
    source: Annotated[str, typer.Option(help="Name of the forecasts' source")],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would be stored; store nothing")
    ] = False,
) -> None:
    """Store an archive of old forecasts. Each counts as known from its time of issue."""
    from monitor.outlook.weather.drop_folder import read

    if fault := name_fault(source):
        wrong(f"--source {source!r} {fault}")
    now = now_ms()
    content = read_content(file, ARCHIVE_MAX)
    found = read(file.name, content, source, now, archive=True)
    first, last = (f"{from_ms(one.issued_ms):%Y-%m-%d}" for one in (found[0], found[-1]))
    hours = sum(len(one) for one in found)
    notes = dict.fromkeys(note for one in found for note in one.notes)
    done = f"{len(found)} forecasts would be stored"
    if not dry_run:
        with _intake(settings) as intake:
            kept = intake.keep(found, now, archive=True)
        done = f"{kept.new} forecasts stored, {kept.repeated} already stored"
    for note in list(notes)[:NOTES_SHOWN]:
        err.print(note)
    out.print(f"{hours} hours issued {first} to {last}: {done}")


@command(app)
def export(
    settings: Settings,
    start: From = "",
    end: To = "",
    source: Annotated[str, typer.Option(help="Only this source")] = "",
    to: Annotated[
        Path | None, typer.Option("--out", help="File to write, .csv (default: the terminal)")
    ] = None,
) -> None:
    """Write forecasts and their members as CSV, in the form that `import` reads."""
    from monitor.outlook.weather.formats import write_csv
    from monitor.store import forecasts

    if to is not None and to.suffix != ".csv":
        wrong(f"--out {to}: must end in .csv")
    start_ms, end_ms = span_of(start, end, settings.zone)
    with store_of(settings) as reader:
        found = forecasts.between(reader, start_ms, end_ms, source or None)
        if to is None:
            hours = write_csv(found, sys.stdout)
        else:
            hours = to_csv(to, lambda file: write_csv(found, file))
    err.print(f"{hours} hours")


@contextlib.contextmanager
def _intake(settings: Settings) -> Iterator[ForecastIntake]:
    """The intake of forecasts, with a writer and a reader of its own."""
    from monitor.outlook.weather.intake import ForecastIntake
    from monitor.store import Reader, Writer

    with (
        contextlib.closing(Writer(settings.store_address)) as writer,
        contextlib.closing(Reader(settings.store_address)) as reader,
    ):
        yield ForecastIntake(settings, reader, writer)
