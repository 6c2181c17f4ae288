"""`benchweather advise`: a sheet of advice on an instrument's case at a client's home."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.files import Decimal, Delimiter, Skip, TimeFormat, Zone, import_plan
from monitor.cli.output import err, out, print_json, print_table
from monitor.cli.shared import Json, exit_on, suggestion, wrong
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError, StoreFault
from monitor.core.files import read_content
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.clients.home_climate import HomeSources
    from monitor.clients.sheet import Sheet, SheetSection

UNITS = {
    "temp": "°C",
    "out": "°C",
    "rh": "%",
    "out_rh": "%",
    "band_low": "%",
    "band_high": "%",
    "set_point_c": "°C",
    "volume_m3": "m³",
    "humidified_l_day": "L/day",
    "air_l": "L",
    "closed_changes_day": "1/day",
    "device_water_ml": "mL",
    "device_release_g_day_pct": "g/day/%",
    "device_every_d": "d",
    "device_mass_g": "g",
    "device_set_pct": "%",
    "device_lost_g": "g",
    "device_lost_d": "d",
    "device_lost_rh": "%",
    "played": "hours",
    "left_out": "hours",
    "lid_open": "hours",
}
"""Unit of each field of a sheet that has one."""


def advise(
    settings: Settings,
    to: Annotated[
        Path | None, typer.Argument(help="File for the sheet (.pdf, .html or .ics), or a folder")
    ] = None,
    values: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="Such as case='cello, hard case', rh.1=28, temp.1=21C or 70F; may be repeated",
        ),
    ] = None,
    names: Annotated[
        bool, typer.Option("--names", help="List the names, units and choices of --set")
    ] = False,
    weather: Annotated[Path | None, typer.Option(help="Weather file, EPW or TMY3")] = None,
    log: Annotated[Path | None, typer.Option(help="The client's logger file, CSV")] = None,
    time: Annotated[
        list[str] | None,
        typer.Option(help="Time column of the log; for two columns give it twice, date first"),
    ] = None,
    take: Annotated[
        list[str] | None,
        typer.Option(help="quantity:unit:column, as in `import`; one for every column"),
    ] = None,
    time_format: TimeFormat = "iso",
    zone: Zone = "",
    decimal: Decimal = ".",
    delimiter: Delimiter = ",",
    skip: Skip = 0,
    keep: Annotated[
        bool, typer.Option("--keep/--no-keep", help="Keep the sheet, if it has a title")
    ] = True,
    as_json: Json = False,
) -> None:
    """Make a one-page advice sheet on keeping an instrument in a client's home.

    A sheet with a title, the client's name, is kept for `benchweather client`.
    """
    from monitor.clients import archive, home_climate
    from monitor.clients.calculation import calculate_sheet
    from monitor.clients.request import read_sheet_request
    from monitor.clients.sheet import sheet_of
    from monitor.store import Writer

    if names:
        _print_names(as_json=as_json)
        return
    if to is None:
        wrong("Missing argument TO: the file for the sheet (.pdf, .html or .ics), or a folder.")
    checked_target(to)
    given = dict(_value(text) for text in values or [])
    if log:
        given.setdefault("source", "log")
    if weather:
        measured = log is not None or any(name.startswith("rh.") for name in given)
        given.setdefault("source", "readings" if measured else "weather")
        given.setdefault("climate", "weather")
    airs = home_climate.HomeSources()
    with exit_on(wrong_use=MonitorError):
        asked = read_sheet_request(given)
        if weather:
            from monitor.clients import weather_files

            held = read_content(weather, weather_files.FILE_MAX)
            year = weather_files.read(held, str(weather))
            airs = replace(airs, outdoors=year.outdoors, station=year.name)
        if log:
            from monitor.readings.csv_import import read_csv

            plan = import_plan(
                place="home",
                sensor="log",
                take=take or [],
                time=time or ["time"],
                time_format=time_format,
                zone=zone,
                decimal=decimal,
                delimiter=delimiter,
                skip=skip,
            )
            found = read_csv(log, plan, now_ms=now_ms())
            read = {series.quantity: pair for series, pair in found.values.items()}
            hours = home_climate.hourly_log(read, plan.zone or settings.zone)
            airs = replace(airs, log=hours)
            for line in found.refused[:5]:
                err.print(f"line {line.line}: {line.reason}")
        if "shop" in (asked.source, asked.climate):
            airs = _with_shop_air(settings, airs)
        worked, made_ms = calculate_sheet(asked, airs), now_ms()
        sheet = sheet_of(worked, settings.shop.name, made_ms, settings.zone)
        write_sheet(to, sheet)
    number = None
    if keep and asked.title:
        with contextlib.closing(Writer(settings.store_address)) as writer:
            kept = archive.keeping(worked, airs, sheet, made_ms)
            number = archive.carry_out(writer, kept)["sheet"]
    if as_json:
        rows = [dict(zip(sheet.table.heads, row, strict=True)) for row in sheet.table.rows]
        sections = {section.heading: section.lines for section in sheet.sections}
        print_json(
            {
                "advice": sheet.lead,
                "table": rows,
                "refills": sheet.fills_words,
                "sections": sections,
                "notes": [*sheet.small, *sheet.details, sheet.repairer],
                "file": to,
                "sheet": number,
            }
        )
        return
    print_sheet(sheet)
    if number is not None:
        out.print(f"Kept as sheet {number}. `benchweather client erase` erases it.")


def print_sheet(sheet: Sheet) -> None:
    """Print every sentence of a sheet."""
    out.print(sheet.lead)
    for section in sheet.sections[:2]:
        _print_section(section)
    out.print(f"\n{sheet.plot_words}\n")
    print_table(sheet.table.heads, sheet.table.rows)
    if sheet.fills_words:
        out.print(f"\n{sheet.fills_heading}\n{sheet.fills_words}")
    for section in sheet.sections[2:]:
        _print_section(section)
    out.print("")
    for line in (*sheet.small, *sheet.details, sheet.repairer):
        out.print(line)


def _print_section(section: SheetSection) -> None:
    out.print(f"\n{section.heading}")
    for line in section.lines:
        out.print(f"- {line}")


def _with_shop_air(settings: Settings, airs: HomeSources) -> HomeSources:
    """The same with the shop's own outdoor log, if there is one."""
    from monitor.air import place_means
    from monitor.clients import home_climate
    from monitor.store import Reader

    with (
        contextlib.suppress(StoreFault),
        contextlib.closing(Reader(settings.store_address)) as reader,
    ):
        places = place_means.places(reader, settings)
        shop = home_climate.shop_log(reader, places, settings.zone, now_ms())
        return replace(airs, shop=shop)
    return airs


def _print_names(*, as_json: bool) -> None:
    """Print every name of --set with its unit, its default and its choices."""
    from monitor.clients import request
    from monitor.clients.language import LANGUAGES
    from monitor.science.case.home import Tightness
    from monitor.science.case.presets import PRESETS

    choices: dict[str, list[str]] = {
        "case": list(PRESETS),
        "source": list(request.SOURCES),
        "climate": list(filter(None, request.CLIMATES)),
        "tightness": [str(one) for one in Tightness],
        "device": ["humidifier", "buffer"],
        "language": [f"{code}-{region}" for code, region in LANGUAGES.items()],
        "unit": ["C", "F"],
    }
    monthly = {name.partition(".")[0] for name in request.NAMES if "." in name}
    rows: list[dict[str, Any]] = [
        {
            "name": name if name not in monthly else f"{name}.1 to {name}.12",
            "unit": UNITS.get(name, ""),
            "default": request.DEFAULTS.get(name),
            "choices": choices.get(name, []),
        }
        for name in dict.fromkeys(name.partition(".")[0] for name in request.NAMES)
    ]
    if as_json:
        print_json(rows)
        return
    print_table(
        ("name", "unit", "default", "choices"),
        [
            (row["name"], row["unit"], _default(row["default"]), "\n".join(row["choices"]))
            for row in rows
        ],
    )


def _default(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def checked_target(to: Path) -> None:
    """End with an error if a sheet cannot be written there."""
    if to.suffix not in (".pdf", ".html", ".ics", ""):
        wrong(f"{to}: must end in .pdf, .html or .ics, or be a folder")


def write_sheet(to: Path, sheet: Sheet) -> None:
    """Write a sheet as the kind of file given by the suffix, or all kinds into a folder."""
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
    for suffix, content in pages.items():
        if suffix != ".ics" or sheet.reminders:
            (to / f"sheet{suffix}").write_bytes(content())


def _value(text: str) -> tuple[str, Any]:
    """A name and its value from NAME=VALUE, in SI units: 70F is a temperature in °F."""
    from monitor.clients.request import DEFAULTS, NAMES

    name, sign, value = text.partition("=")
    if not sign:
        wrong(f"--set {text!r}: must be NAME=VALUE; `benchweather advise --names` lists them")
    if name not in NAMES:
        wrong(f"--set {name}: is not a name of a sheet. {suggestion(name, NAMES)}")
    if isinstance(DEFAULTS.get(name), str):
        return name, value
    try:
        if value[-1:] in ("C", "F"):
            number = float(value[:-1])
            return name, formats.to_celsius(number, formats.unit_of(value.endswith("F")))
        return name, float(value)
    except ValueError:
        wrong(f"--set {name}: {value!r} is not a number")
