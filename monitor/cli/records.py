"""`benchweather record` and `verify-record`: the record of an instrument's air in the shop."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.asking import ask
from monitor.cli.output import local, out, print_json
from monitor.cli.shared import Json, instrument_of, journal_of
from monitor.core.clock import now_ms
from monitor.core.files import read_content
from monitor.settings import Settings

RECORD_MAX = 50_000_000
"""Largest file that may be a record. [bytes]"""


def record(
    settings: Settings,
    reference: Annotated[
        str, typer.Argument(metavar="INSTRUMENT", help="Reference, id, or a part of it")
    ],
    to: Annotated[Path, typer.Option(help="Folder for the two files")] = Path(),
) -> None:
    """Write the record of an instrument's air in the shop as PDF and CSV.

    The service must be running. It keeps the files' fingerprints for
    `verify-record`.
    """
    from monitor.clients import air_certificate

    one = instrument_of(settings, reference)
    with journal_of(settings) as (reader, journal):
        rows = air_certificate.certificate_rows(reader, journal, settings, one, now_ms())
        paper = air_certificate.certificate_files(
            rows, settings.shop.name or "Benchweather", settings
        )
    ask(
        settings,
        "record",
        {"about": "instrument", "instrument": one.id, "fingerprints": paper.fingerprints},
    )
    to.mkdir(parents=True, exist_ok=True)
    for suffix, content in paper._asdict().items():
        path = to / f"air-{one.id}.{suffix}"
        path.write_bytes(content)
        out.print(str(path))


def verify_record(
    settings: Settings,
    file: Annotated[Path, typer.Argument(help="A record, PDF or CSV")],
    as_json: Json = False,
) -> None:
    """Check that a record file is unchanged since this shop made it."""
    from monitor.clients import air_certificate

    held = read_content(file, RECORD_MAX)
    with journal_of(settings) as (_, journal):
        found = air_certificate.check(held, journal)
    if as_json:
        print_json(
            {
                "file": file,
                "unchanged": found.known,
                "consistent": found.sound,
                "reference": found.reference or None,
                "made_ms": found.given_ms or None,
            }
        )
    elif found.known:
        day = local(found.given_ms, settings.zone)
        out.print(f"{file}: unchanged since this shop made it for {found.reference} on {day}")
    elif found.sound:
        out.print(f"{file}: consistent in itself, but this shop's history does not have it")
    else:
        out.print(f"{file}: changed since it was made, or not a record of Benchweather")
    if not found.known:
        raise typer.Exit(1)
