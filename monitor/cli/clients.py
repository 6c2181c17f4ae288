"""`benchweather client`: the sheets kept for clients."""

from __future__ import annotations

import contextlib
import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.output import local, out, print_json, print_table
from monitor.cli.shared import Json, command, exit_on, failed, store_of
from monitor.settings import Settings

app = typer.Typer(no_args_is_help=True, help="Find, print, export and erase clients' sheets.")
Client = Annotated[str, typer.Argument(metavar="CLIENT", help="Name of the client")]


@command(app, "list")
def list_(
    settings: Settings,
    text: Annotated[str, typer.Argument(help="Text in the name or the instrument")] = "",
    as_json: Json = False,
) -> None:
    """List past sheets, the newest first."""
    from monitor.clients import archive

    with store_of(settings) as reader:
        sheets = archive.found(reader, text)
    rows = [
        {
            "sheet": one.sheet_id,
            "client": one.client,
            "instrument": one.typed.get("instrument") or one.typed["case"],
            "made_ms": one.made_ms,
            "advice": one.advised["lead"],
        }
        for one in sheets
    ]
    if as_json:
        print_json(rows)
    elif not rows:
        out.print("No sheet is kept with this text." if text else "No sheet is kept yet.")
    else:
        print_table(
            ("sheet", "client", "instrument", "made", "advice"),
            [
                (
                    one["sheet"],
                    one["client"],
                    one["instrument"],
                    local(one["made_ms"], settings.zone)[:10],
                    one["advice"],
                )
                for one in rows
            ],
        )


@command(app)
def again(
    settings: Settings,
    sheet: Annotated[int, typer.Argument(help="Number of the sheet, from `client list`")],
    to: Annotated[
        Path, typer.Argument(help="File for the sheet (.pdf, .html or .ics), or a folder")
    ],
) -> None:
    """Make a past sheet again, from what was entered then."""
    from monitor.cli.advise import checked_target, write_sheet
    from monitor.clients import archive
    from monitor.clients.calculation import calculate_sheet
    from monitor.clients.sheet import sheet_of

    checked_target(to)
    with store_of(settings) as reader:
        kept = archive.one(reader, sheet)
    if kept is None:
        failed(f"There is no sheet {sheet}. `benchweather client list` lists them.")
    worked = calculate_sheet(*archive.again(kept))
    write_sheet(to, sheet_of(worked, settings.shop.name, kept.made_ms, settings.zone))


@command(app)
def export(
    settings: Settings,
    client: Client,
    to: Annotated[Path | None, typer.Argument(help="JSON file (default: the terminal)")] = None,
) -> None:
    """Write everything that is kept about a client, as JSON."""
    from monitor.clients import archive

    with store_of(settings) as reader:
        found = archive.exported(reader, client)
    if not found["sheets"]:
        _nothing_kept(client)
    text = json.dumps(found, ensure_ascii=False, indent=1) + "\n"
    if to is None:
        sys.stdout.write(text)
    else:
        to.write_text(text, encoding="utf-8")


@command(app)
def erase(
    settings: Settings,
    client: Client,
    yes: Annotated[bool, typer.Option("--yes", help="Erase without asking")] = False,
) -> None:
    """Erase everything that is kept about a client. You cannot undo this.

    Earlier copies of the store keep their sheets.
    """
    from monitor.clients import archive
    from monitor.store import Writer

    with store_of(settings) as reader:
        sheets = archive.exported(reader, client)["sheets"]
    if not sheets and not yes:
        _nothing_kept(client)
    if not yes and not typer.confirm(
        f"Erase {len(sheets)} sheets of {client}? You cannot undo this."
    ):
        raise typer.Exit(1)
    with exit_on(), contextlib.closing(Writer(settings.store_address)) as writer:
        erased = archive.carry_out(writer, archive.erasing(client))["erased"]
    out.print(f"Erased: {erased}.")


def _nothing_kept(client: str) -> None:
    failed(f"Nothing is kept about {client!r}. `benchweather client list` lists the names.")
