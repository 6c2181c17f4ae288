"""`benchweather import` and `export`: readings from files and into files."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.output import err, out
from monitor.cli.shared import From, To, exit_on, progress, span_of, store_of, wrong, zone_of
from monitor.core.clock import now_ms
from monitor.core.csv_text import CsvWriter
from monitor.core.errors import MonitorError
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.readings.csv_import import ImportPlan

IMPORT_BATCH = 10_000
"""Readings in one transaction of an import."""
LINES_SHOWN = 20
"""Most rejected lines printed; the rest are counted."""

TimeFormat = Annotated[
    str, typer.Option(help="iso, s or ms (since 1970 UTC), or a pattern such as '%d.%m.%Y %H:%M'")
]
Zone = Annotated[
    str, typer.Option(help="Time zone of times without one, such as Europe/Paris or UTC")
]
Decimal = Annotated[str, typer.Option(help="Decimal sign: . or ,")]
Delimiter = Annotated[str, typer.Option(help="Sign between fields; 'tab' for a tab")]
Skip = Annotated[int, typer.Option(min=0, help="Number of lines before the header")]


def import_plan(
    *,
    place: str,
    sensor: str,
    take: list[str],
    time: list[str],
    time_format: str,
    zone: str,
    decimal: str,
    delimiter: str,
    skip: int,
    encoding: str = "utf-8-sig",
) -> ImportPlan:
    """Plan for reading a logger's CSV file, from the options of a command."""
    from monitor.readings.csv_import import Column, ImportPlan

    if decimal not in (".", ","):
        wrong(f"--decimal {decimal!r}: must be . or ,")
    if len(delimiter) != 1 and delimiter != "tab":
        wrong(f"--delimiter {delimiter!r}: must be one character, or tab")
    with exit_on(wrong_use=MonitorError):
        columns = tuple(Column.parse(text) for text in take)
    return ImportPlan(
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


def import_(
    settings: Settings,
    file: Annotated[Path, typer.Argument(help="CSV file of any logger")],
    place: Annotated[str, typer.Option(help="Place of the readings")],
    sensor: Annotated[str, typer.Option(help="Name of the sensor")],
    time: Annotated[
        list[str], typer.Option(help="Time column; repeat for date and time in two columns")
    ],
    take: Annotated[
        list[str],
        typer.Option(
            help="quantity:unit:column, such as 'temperature:Cel:Temp (C)'; one for every column"
        ),
    ],
    time_format: TimeFormat = "iso",
    zone: Zone = "",
    decimal: Decimal = ".",
    delimiter: Delimiter = ",",
    encoding: Annotated[str, typer.Option(help="Text encoding")] = "utf-8-sig",
    skip: Skip = 0,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would be stored; store nothing")
    ] = False,
    rejected: Annotated[
        Path | None,
        typer.Option(
            "--rejected", "--refused", help="File for every rejected line and its reason"
        ),
    ] = None,
) -> None:
    """Store readings from a logger's CSV file. Readings already stored are skipped."""
    from monitor.readings.csv_import import read_csv
    from monitor.store import Writer

    plan = import_plan(
        place=place,
        sensor=sensor,
        take=take,
        time=time,
        time_format=time_format,
        zone=zone,
        decimal=decimal,
        delimiter=delimiter,
        skip=skip,
        encoding=encoding,
    )
    if rejected is not None:
        rejected.touch()
    found = read_csv(file, plan, now_ms=now_ms())
    new = repeated = too_old = 0
    if not dry_run and found.total:
        with contextlib.closing(Writer(settings.store_address)) as writer, progress() as bar:
            task = bar.add_task("importing", total=found.total)
            for batch in found.batches(IMPORT_BATCH):
                stored = writer.write(batch, note_old=False)  # the file has them
                new, repeated = new + stored.new, repeated + stored.repeated
                too_old += len(batch) - sum(stored)
                bar.advance(task, len(batch))
    for line, reason in found.refused[:LINES_SHOWN]:
        err.print(f"line {line}: {reason}")
    if (more := len(found.refused) - LINES_SHOWN) > 0:
        err.print(f"{more} more lines were rejected; --rejected FILE lists them all")
    if rejected is not None:
        with rejected.open("w", encoding="utf-8", newline="") as file_of_lines:
            table = CsvWriter(file_of_lines, line_end="\n", delimiter="\t")
            table.rows([("line", "reason"), *found.refused])
    done = (
        f"{found.total} readings would be stored"
        if dry_run
        else f"{new} readings stored, {repeated} already stored"
    )
    out.print(f"{found.lines} lines, {found.span()}: {done}, {len(found.refused)} rejected")
    if too_old:
        err.print(
            f"{too_old} readings were rejected: the readings of their time were deleted "
            "(keep.readings_years). They stay in your file only."
        )
    if not found.total:
        raise typer.Exit(1)


def export(
    settings: Settings,
    start: From = "",
    end: To = "",
    place: Annotated[
        list[str] | None, typer.Option(help="Only this place; repeat for more")
    ] = None,
    every: Annotated[str, typer.Option(help="Step: raw, 10min or hour")] = "raw",
    raw: Annotated[
        bool, typer.Option("--raw", help="Uncorrected values, at the place in the topic")
    ] = False,
    to: Annotated[
        Path | None,
        typer.Option("--out", help="File to write, .csv or .parquet (default: the terminal)"),
    ] = None,
) -> None:
    """Write readings as CSV or Parquet, corrected by calibration or raw.

    If single readings were deleted (keep.readings_years), it lists their sensors and times. With --out,
    FILE.README.txt has this list too.
    """
    from monitor.readings import export as exporting
    from monitor.readings import left_out

    if every not in exporting.STEPS_S:
        wrong(f"--every {every}: must be one of {', '.join(exporting.STEPS_S)}")
    if raw and every != "raw":
        wrong(f"--every {every}: --raw writes single readings, so leave out --every")
    if to is not None and to.suffix not in (".csv", ".parquet"):
        wrong(f"--out {to}: must end in .csv or .parquet")
    start_ms, end_ms = span_of(start, end, settings.zone)
    with store_of(settings) as reader:
        gone = (
            one
            for one in left_out.deleted(reader, start_ms, end_ms)
            if every == "raw" and (not place or one.place in place)
        )
        head = "Not exported:" if raw else "Means of ten minutes instead of single readings:"
        if notes := left_out.lines(head, gone, settings.zone, now_ms()):
            err.print("\n".join(notes))
        if raw:
            parts, digits = (
                exporting.raw_tables(reader, start_ms=start_ms, end_ms=end_ms, places=place or ()),
                None,
            )
        else:
            parts, digits = (
                exporting.tables(
                    reader, start_ms=start_ms, end_ms=end_ms, places=place or (), step=every
                ),
                10,
            )
        if to is None:
            rows = exporting.write_csv(parts, sys.stdout, digits)
        elif to.suffix == ".parquet":
            with replaced(to) as part:
                rows = exporting.write_parquet(parts, part)
        else:
            rows = to_csv(to, lambda file: exporting.write_csv(parts, file, digits))
    err.print(f"{rows} rows")
    if to is None:
        return
    readme = to.with_name(f"{to.name}.README.txt")
    if notes or readme.exists():
        text = [to.name, *(notes or ["Nothing was deleted in the time of this file."]), ""]
        readme.write_text("\n".join(text), encoding="utf-8")


@contextlib.contextmanager
def replaced(path: Path) -> Iterator[Path]:
    """A file to write beside `path`, which it replaces once it is whole."""
    part = path.with_name(path.name + ".part")
    try:
        yield part
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def to_csv(path: Path, write: Callable[..., int]) -> int:
    """Write a CSV file whole or not at all. Returns the number of rows."""
    with replaced(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        return write(file)
