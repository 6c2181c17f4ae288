"""`benchweather client`: past sheets for clients, listed, made again, exported and erased."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.shared import Config, Data, Demo, exit_on, load, out, wrong
from monitor.core import formats

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.store import Writer

app = typer.Typer(no_args_is_help=True, help="Past sheets for clients: find, make again, erase.")
Client = Annotated[str, typer.Argument(metavar="CLIENT", help="The name the sheets are for")]


@contextlib.contextmanager
def _kept(settings: Settings) -> Iterator[Writer]:
    from monitor.store import Writer

    with exit_on(), contextlib.closing(Writer(settings.store_path)) as writer:
        yield writer


@app.command("list")
def list_(
    text: Annotated[str, typer.Argument(help="In the name or the instrument")] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """List past sheets, the one made last first."""
    from monitor.clients import archive

    settings = load(data, config, demo=demo)
    with _kept(settings) as writer:
        sheets = archive.found(writer, text)
    for one in sheets:
        made = formats.local(one.made_ms, settings.zone).date()
        instrument = one.typed.get("instrument") or one.typed["case"]
        out.print(
            f"{one.sheet_id}: {one.client}, {instrument}, {made}: {one.advised['lead']}",
            highlight=False,
            soft_wrap=True,
        )
    if not sheets:
        out.print("No sheet is kept." if not text else "No sheet kept has this.")


@app.command()
def again(
    sheet: Annotated[int, typer.Argument(help="Its number, as in the list")],
    to: Annotated[
        Path, typer.Argument(help="Where the sheet goes: .pdf, .html or .ics; or a folder")
    ],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Make a past sheet again, from what was said then."""
    from monitor.cli.advise import checked_target, write_sheet
    from monitor.clients import archive
    from monitor.clients.calculation import work_out
    from monitor.clients.sheet import sheet_of

    checked_target(to)
    settings = load(data, config, demo=demo)
    with _kept(settings) as writer:
        kept = archive.one(writer, sheet)
    if kept is None:
        wrong(f"there is no sheet {sheet}: `benchweather client list` lists them")
    with exit_on():
        worked = work_out(*archive.again(kept))
        write_sheet(to, sheet_of(worked, settings.shop.name, kept.made_ms, settings.zone))


@app.command()
def export(
    client: Client,
    to: Annotated[Path | None, typer.Argument(help="A JSON file; else it is printed")] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Write everything kept of a client, as JSON."""
    from monitor.clients import archive

    settings = load(data, config, demo=demo)
    with _kept(settings) as writer:
        found = archive.exported(writer, client)
    if not found["sheets"]:
        wrong(f"nothing is kept of {client!r}: `benchweather client list` lists the names")
    text = json.dumps(found, ensure_ascii=False, indent=1) + "\n"
    with exit_on():
        if to is None:
            sys.stdout.write(text)
        else:
            to.write_text(text, encoding="utf-8")


@app.command()
def erase(
    client: Client,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask")] = False,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Erase everything kept of a client, for good. Copies of the store made before keep theirs."""
    from monitor.clients import archive

    settings = load(data, config, demo=demo)
    with _kept(settings) as writer:
        sheets = archive.exported(writer, client)["sheets"]
        if not sheets and not yes:
            wrong(f"nothing is kept of {client!r}: `benchweather client list` lists the names")
        if not yes and not typer.confirm(f"Erase {len(sheets)} of {client}? It cannot be undone."):
            raise typer.Exit(1)
        erased = archive.carry_out(writer, archive.erasing(client))["erased"]
    out.print(f"Erased: {erased}.")
