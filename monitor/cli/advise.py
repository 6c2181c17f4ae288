"""`benchweather advise`: a client's case at home, worked out and put on a page."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.shared import Config, Data, Demo, exit_on, load, out, wrong, zone_of
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError, StoreFault

if TYPE_CHECKING:
    from monitor.clients.sheet import Sheet

Set = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="NAME=VALUE",
        help="Such as case='cello, hard case', rh.1=28, temp.1=21C or 70F; repeat",
    ),
]


def advise(
    to: Annotated[
        Path, typer.Argument(help="Where the sheet goes: .pdf, .html or .ics; or a folder")
    ],
    values: Set = None,
    names: Annotated[bool, typer.Option("--names", help="List the names and end")] = False,
    weather: Annotated[Path | None, typer.Option(help="Weather file, EPW or TMY3")] = None,
    log: Annotated[Path | None, typer.Option(help="The client's logger file, CSV")] = None,
    time: Annotated[
        list[str] | None, typer.Option(help="Its time column; repeat in order")
    ] = None,
    take: Annotated[
        list[str] | None, typer.Option(help="quantity:unit:column, as in import; repeat")
    ] = None,
    time_format: Annotated[str, typer.Option(help="As in import")] = "iso",
    zone: Annotated[str, typer.Option(help="Time zone of times that carry none")] = "",
    decimal: Annotated[str, typer.Option(help="Decimal sign: . or ,")] = ".",
    delimiter: Annotated[str, typer.Option(help="Between fields; 'tab' for a tab")] = ",",
    skip: Annotated[int, typer.Option(min=0, help="Lines before the header")] = 0,
    keep: Annotated[
        bool, typer.Option("--keep/--no-keep", help="Keep it under its title, if it has one")
    ] = True,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Work out what keeps an instrument well in a client's home, as a sheet of one page.

    With a title, the name it is for, it is kept among the past sheets (`benchweather client`).
    """
    from monitor.clients import archive, home_climate
    from monitor.clients.calculation import work_out
    from monitor.clients.request import DEFAULTS, NAMES, read_wish
    from monitor.clients.sheet import sheet_of
    from monitor.store import Reader, Writer

    if names:
        for name in NAMES:
            out.print(f"{name}={DEFAULTS.get(name, '')}", highlight=False)
        return
    checked_target(to)
    settings = load(data, config, demo=demo)
    given = dict(_value(text) for text in values or [])
    if weather:
        given.setdefault("source", "weather")
    if log:
        given.setdefault("source", "log")
    airs = home_climate.HomeSources()
    with exit_on(wrong_use=MonitorError):
        wish = read_wish(given)
        if weather:
            from monitor.clients import weather_files

            year = weather_files.read(weather.read_bytes(), str(weather))
            airs = home_climate.HomeSources(outdoors=year.outdoors, station=year.name)
        if log:
            from monitor.readings.csv_import import (  # slow to load, as pandas is
                Column,
                ImportPlan,
                read_csv,
            )

            plan = ImportPlan(
                place="home",
                sensor="log",
                columns=tuple(Column.parse(t) for t in take or []),
                time_columns=tuple(time or ["time"]),
                time_format=time_format,
                zone=zone_of(zone) if zone else None,
                decimal=decimal,
                delimiter="\t" if delimiter == "tab" else delimiter,
                skip_lines=skip,
            )
            found = read_csv(log, plan, now_ms=now_ms())
            read = {series.quantity: pair for series, pair in found.values.items()}
            airs = home_climate.HomeSources(
                airs.outdoors,
                airs.station,
                home_climate.hourly_log(read, plan.zone or settings.zone),
            )
            for line in found.refused[:5]:
                out.print(f"line {line.line}: {line.reason}", highlight=False, soft_wrap=True)
        if wish.source == "shop":
            from monitor.air import place_means

            with (
                contextlib.suppress(StoreFault),
                contextlib.closing(Reader(settings.store_path)) as reader,
            ):
                places = place_means.places(reader, settings)
                shop = home_climate.shop_log(reader, places, settings.zone, now_ms())
                airs = home_climate.HomeSources(airs.outdoors, airs.station, airs.log, shop)
        worked, made_ms = work_out(wish, airs), now_ms()
        sheet = sheet_of(worked, settings.shop.name, made_ms, settings.zone)
        write_sheet(to, sheet)
    out.print(sheet.lead, highlight=False, soft_wrap=True)
    for row in sheet.table.rows:
        out.print("  " + "; ".join(row), highlight=False, soft_wrap=True)
    if keep and wish.title:
        with exit_on(), contextlib.closing(Writer(settings.store_path)) as writer:
            number = archive.carry_out(writer, archive.keeping(worked, airs, sheet, made_ms))[
                "sheet"
            ]
        out.print(f"Kept as sheet {number}, until `benchweather client erase`.", highlight=False)


def checked_target(to: Path) -> None:
    """End where a sheet cannot go there."""
    if to.suffix not in (".pdf", ".html", ".ics", ""):
        wrong(f"{to}: must end in .pdf, .html or .ics, or be a folder")


def write_sheet(to: Path, sheet: Sheet) -> None:
    """A sheet into a file, by its ending, or all of it into a folder."""
    from monitor.clients.html import html_of
    from monitor.clients.pdf import pdf_of

    pages = {
        ".pdf": lambda: pdf_of(sheet),
        ".html": lambda: html_of(sheet).encode(),
        ".ics": lambda: sheet.reminders.encode(),
    }
    if to.suffix:
        to.write_bytes(pages[to.suffix]())
        return
    to.mkdir(parents=True, exist_ok=True)
    for suffix, made in pages.items():
        if suffix != ".ics" or sheet.reminders:
            (to / f"sheet{suffix}").write_bytes(made())


def _value(text: str) -> tuple[str, Any]:
    """A name and its value, in SI units: 70F is a temperature in °F."""
    from monitor.clients.request import DEFAULTS

    name, sign, value = text.partition("=")
    if not sign:
        wrong(f"--set {text!r}: must be NAME=VALUE; `--names` lists the names")
    if isinstance(DEFAULTS.get(name), str):
        return name, value
    try:
        if value[-1:] in ("C", "F"):
            number = float(value[:-1])
            return name, formats.to_celsius(number, formats.unit_of(value.endswith("F")))
        return name, float(value)
    except ValueError:
        wrong(f"--set {name}: {value!r} is no number")
