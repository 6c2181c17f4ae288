"""`benchweather forecast`: the outdoor forecasts that are kept, and more of them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from monitor.cli.shared import Config, Data, Demo, err, exit_on, load, moment_of, out, wrong
from monitor.core import formats
from monitor.core.clock import from_ms, now_ms
from monitor.core.measurements import name_fault

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.weather.intake import Intake

app = typer.Typer(
    no_args_is_help=True, help="Forecasts of the outdoor air: list, fetch, import, export"
)


@app.command("list")
def list_(
    limit: Annotated[int, typer.Option(min=1, help="How many")] = 12,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Show the newest forecasts, and how far we are with each source that is asked."""
    from monitor.store import Reader, forecasts
    from monitor.weather.poller import attribution

    settings = load(data, config, demo=demo)

    def local(ms: int) -> str:
        return formats.numeric(ms, settings.zone)

    with exit_on(), contextlib.closing(Reader(settings.store_path)) as reader:
        kept = forecasts.recent(reader, limit)
        states = [forecasts.asked(reader, one.id) for one in settings.forecasts if one.asked]
    table = Table("source", "issued", "known since", "until", "hours", "to be said")
    for one in kept:
        notes = "; ".join([*([one.doubt] if one.doubt else []), *one.notes])
        table.add_row(
            one.source,
            local(one.issued_ms),
            local(one.known_ms),
            local(one.ends_ms),
            str(one.hours),
            notes,
        )
    out.print(table if kept else f"no forecast is kept yet; times in {settings.zone}")
    for state in states:
        when = f"asked {local(state.tried_ms)}" if state.tried_ms else "never asked"
        then = f", not again before {local(state.next_ms)}" if state.tried_ms else ""
        _say(f"{state.source}: {when}{then}{f'; {state.trouble}' if state.trouble else ''}")
    for source in settings.forecasts:
        if credit := attribution(source):
            _say(f"{source.id}: {credit}")


@app.command()
def fetch(data: Data = None, config: Config = None, demo: Demo = False) -> None:
    """Ask the sources that are due, in their order; none before the time it set."""
    from monitor.weather.poller import Asker

    settings = load(data, config, demo=demo)
    if not any(source.asked for source in settings.forecasts):
        wrong("the settings have no [[forecasts]] that is asked over the network: see the README")
    with exit_on(), _intake(settings) as intake:
        found = Asker(settings, intake).go(now_ms())
    for one in found:
        _say(
            f"{'good' if one.good else 'BAD '}  {one.source}  {one.text}",
            style="" if one.good else "bold red",
        )
    if not found[-1].good:
        raise typer.Exit(1)


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="CSV or JSON; a CSV may hold years of forecasts")],
    source: Annotated[str, typer.Option(help="Whose forecasts they are")],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only tell what would be taken")
    ] = False,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Take an archive of old forecasts. Each counts as known from its issue on."""
    from monitor.weather.drop_folder import read

    settings = load(data, config, demo=demo)
    if fault := name_fault(source):
        wrong(f"--source {source!r} {fault}")
    with exit_on():
        now = now_ms()
        found = read(file.name, file.read_bytes(), source, now, archive=True)
        span = f"{from_ms(found[0].issued_ms):%Y-%m-%d} to {from_ms(found[-1].issued_ms):%Y-%m-%d}"
        hours = sum(len(one) for one in found)
        notes = dict.fromkeys(note for one in found for note in one.notes)
        done = f"would take {len(found)}"
        if not dry_run:
            with _intake(settings) as intake:
                took = intake.keep(found, now, archive=True)
            done = f"took {took.new}, had already {took.repeated}"
    for note in list(notes)[:20]:
        err.print(note, highlight=False, soft_wrap=True)
    _say(f"{hours} hours issued {span}: {done} forecasts")


@app.command()
def export(
    start: Annotated[
        str, typer.Option("--from", help="Issued from this day or time, shop's zone if none")
    ] = "",
    end: Annotated[
        str, typer.Option("--to", help="Up to this day (whole) or before this time")
    ] = "",
    source: Annotated[str, typer.Option(help="Only this source")] = "",
    to: Annotated[
        Path | None, typer.Option("--out", help="File to write, .csv; else the terminal")
    ] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Write forecasts as CSV: issued_at, valid_at, temp_c, rh_pct, wind_m_s, pressure_hpa."""
    import sys

    from monitor.store import Reader, forecasts
    from monitor.weather.formats import write_csv

    settings = load(data, config, demo=demo)
    if to is not None and to.suffix != ".csv":
        wrong(f"--out {to}: must end in .csv")
    start_ms = moment_of(start, settings.zone, option="--from") if start else 0
    end_ms = moment_of(end, settings.zone, option="--to", whole_day=True) if end else 2**53
    if start_ms >= end_ms:
        wrong(f"--from {start} is not before --to {end}")
    with exit_on(), contextlib.closing(Reader(settings.store_path)) as reader:
        found = forecasts.between(reader, start_ms, end_ms, source or None)
        if to is None:
            hours = write_csv(found, sys.stdout)
        else:
            beside = to.with_name(to.name + ".part")  # what stands there stays until this is whole
            try:
                with beside.open("w", encoding="utf-8", newline="") as file:
                    hours = write_csv(found, file)
                beside.replace(to)
            finally:
                beside.unlink(missing_ok=True)
    err.print(f"{hours} hours")


@contextlib.contextmanager
def _intake(settings: Settings) -> Iterator[Intake]:
    from monitor.store import Reader, Writer
    from monitor.weather.intake import Intake

    with (
        contextlib.closing(Writer(settings.store_path)) as writer,
        contextlib.closing(Reader(settings.store_path)) as reader,
    ):
        yield Intake(settings, reader, writer)


def _say(text: str, style: str = "") -> None:
    out.print(text, style=style, highlight=False, markup=False, soft_wrap=True)
