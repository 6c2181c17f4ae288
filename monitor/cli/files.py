"""`benchweather import` and `export`: readings from files and into files."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.shared import (
    Config,
    Data,
    Demo,
    err,
    exit_on,
    load,
    moment_of,
    out,
    progress,
    wrong,
    zone_of,
)
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError

IMPORT_BATCH = 10_000
"""Readings in one transaction of an import."""
LINES_SHOWN = 20
"""Refused lines printed; the rest are counted."""


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
    from monitor.readings.csv_import import Column, ImportPlan, read_csv
    from monitor.store import Writer

    settings = load(data, config, demo=demo)
    if decimal not in (".", ","):
        wrong(f"--decimal {decimal!r}: must be . or ,")
    if len(delimiter) != 1 and delimiter != "tab":
        wrong(f"--delimiter {delimiter!r}: must be one character, or tab")
    with exit_on(wrong_use=MonitorError):
        columns = tuple(Column.parse(text) for text in take)
    plan = ImportPlan(
        place=place,
        sensor=sensor,
        columns=columns,
        time_columns=tuple(time),
        time_format=time_format,
        zone=zone_of(zone) if zone else None,
        decimal=decimal,
        delimiter="\t" if delimiter == "tab" else delimiter,
        encoding=encoding,
        skip_lines=skip,
    )
    with exit_on():
        if refused is not None:
            refused.touch()
        found = read_csv(file, plan, now_ms=now_ms())
        new = repeated = 0
        if not dry_run and found.total:
            with contextlib.closing(Writer(settings.store_path)) as writer, progress() as bar:
                task = bar.add_task("importing", total=found.total)
                for batch in found.batches(IMPORT_BATCH):
                    stored = writer.write(batch)
                    new, repeated = new + stored.new, repeated + stored.repeated
                    bar.advance(task, len(batch))
    for line, reason in found.refused[:LINES_SHOWN]:
        err.print(f"line {line}: {reason}", highlight=False, soft_wrap=True)
    if (more := len(found.refused) - LINES_SHOWN) > 0:
        err.print(f"and {more} more refused; --refused FILE writes them all")
    if refused is not None:
        refused.write_text(
            "line\treason\n" + "".join(f"{n}\t{why}\n" for n, why in found.refused),
            encoding="utf-8",
        )
    done = f"would take {found.total}" if dry_run else f"took {new}, had already {repeated}"
    out.print(
        f"{found.lines} lines, {found.span()}: {done} readings, refused {len(found.refused)}",
        highlight=False,
        soft_wrap=True,
    )
    if not found.total:
        raise typer.Exit(1)


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
    raw: Annotated[
        bool,
        typer.Option("--raw", help="What the sensors told, uncorrected, at their topics' places"),
    ] = False,
    to: Annotated[
        Path | None,
        typer.Option("--out", help="File to write, .csv or .parquet; else the terminal"),
    ] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Write readings as CSV or Parquet: corrected, or with --raw as the sensors told them."""
    from monitor.readings import export as exporting
    from monitor.store import Reader

    settings = load(data, config, demo=demo)
    if every not in exporting.STEPS_S:
        wrong(f"--every {every}: must be one of {', '.join(exporting.STEPS_S)}")
    if raw and every != "raw":
        wrong(f"--every {every}: --raw writes each reading as it was told, so not with it")
    if to is not None and to.suffix not in (".csv", ".parquet"):
        wrong(f"--out {to}: must end in .csv or .parquet")
    start_ms = moment_of(start, settings.zone, option="--from") if start else 0
    end_ms = moment_of(end, settings.zone, option="--to", whole_day=True) if end else 2**53
    if start_ms >= end_ms:
        wrong(f"--from {start} is not before --to {end}")
    with exit_on(), contextlib.closing(Reader(settings.store_path)) as reader:
        span = {"start_ms": start_ms, "end_ms": end_ms}
        if raw:
            parts, digits = exporting.raw_tables(reader, **span, places=place or ()), None
        else:
            parts = exporting.tables(reader, **span, places=place or (), step=every)
            digits = 10
        if to is None:
            rows = exporting.write_csv(parts, sys.stdout, digits)
        else:
            beside = to.with_name(to.name + ".part")  # what stands there stays until this is whole
            try:
                if to.suffix == ".parquet":
                    rows = exporting.write_parquet(parts, beside)
                else:
                    with beside.open("w", encoding="utf-8", newline="") as file:
                        rows = exporting.write_csv(parts, file, digits)
                beside.replace(to)
            finally:
                beside.unlink(missing_ok=True)
    err.print(f"{rows} rows")
