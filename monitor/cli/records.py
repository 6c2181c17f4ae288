"""`benchweather record` and `verify-record`: the air an instrument had here, on paper."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.asking import ask, journal_of
from monitor.cli.shared import Config, Data, Demo, exit_on, load, out, wrong
from monitor.core import formats
from monitor.core.clock import now_ms


def record(
    reference: Annotated[str, typer.Argument(metavar="INSTRUMENT", help="Its reference or id")],
    to: Annotated[Path, typer.Option(help="Folder the two files go to")] = Path(),
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Write the record of an instrument's air in the shop, PDF and CSV, and note its fingerprints.

    The service must run: it keeps the fingerprints by which a record is known again.
    """
    from monitor.clients import air_certificate
    from monitor.domain import instrument

    settings = load(data, config, demo=demo)
    with journal_of(settings) as (reader, journal):
        one = journal.instruments.get(instrument.id_of(reference))
        if one is None:
            known = ", ".join(i.reference for i in journal.instruments.values()) or "none"
            wrong(f"there is no instrument {reference!r}: there is {known}")
        rows = air_certificate.rows_of(reader, journal, settings, one, now_ms())
        paper = air_certificate.paper_of(rows, settings.shop.name or "Benchweather", settings)
    ask(
        settings,
        "record",
        {"about": "instrument", "instrument": one.id, "fingerprints": paper.fingerprints},
    )
    with exit_on():
        to.mkdir(parents=True, exist_ok=True)
        for suffix, made in paper._asdict().items():
            path = to / f"air-{one.id}.{suffix}"
            path.write_bytes(made)
            out.print(str(path), highlight=False, soft_wrap=True)


def verify_record(
    file: Annotated[Path, typer.Argument(help="A record, PDF or CSV")],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Tell whether a record is as it was given out."""
    from monitor.clients import air_certificate

    settings = load(data, config, demo=demo)
    with exit_on():
        content = file.read_bytes()
    with journal_of(settings) as (_, journal):
        found = air_certificate.check(content, journal)
    if found.known:
        day = formats.numeric(found.given_ms, settings.zone)
        out.print(
            f"{file}: as it was given out here for {found.reference} on {day}",
            highlight=False,
            soft_wrap=True,
        )
        return
    if found.sound:
        out.print(
            f"{file}: its own fingerprint is right, but it was not given out from this store",
            highlight=False,
            soft_wrap=True,
        )
    else:
        out.print(
            f"{file}: changed since it was made, or no record of ours",
            highlight=False,
            soft_wrap=True,
        )
    raise typer.Exit(1)
