"""`benchweather place`: new places and sensors that wait to be admitted."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.asking import ask
from monitor.cli.output import local, out, print_json, print_table, printable
from monitor.cli.shared import Json, command, store_of, wrong
from monitor.settings import Settings

app = typer.Typer(
    no_args_is_help=True,
    help="List, admit or refuse new places and sensors whose readings are waiting.",
)
Names = Annotated[
    list[str] | None, typer.Argument(metavar="[PLACE]...", help="PLACE, or PLACE/SENSOR")
]
All = Annotated[bool, typer.Option("--all", help="All places and sensors that wait")]


@command(app, name="list")
def list_(settings: Settings, as_json: Json = False) -> None:
    """List the new places and sensors that wait, and the refused ones."""
    from monitor.store import newcomers

    with store_of(settings) as reader:
        found = newcomers.every(reader, newcomers.WAITING, newcomers.REFUSED)
        beyond = newcomers.beyond(reader)
    if as_json:
        print_json({"newcomers": [one._asdict() for one in found], "beyond": beyond})
        return
    if not found:
        out.print("No new place or sensor waits.")
    else:
        print_table(
            ("place or sensor", "state", "since", "messages kept", "not kept"),
            [
                (
                    printable(one.name),
                    one.state,
                    local(one.first_ms, settings.zone),
                    str(one.messages),
                    str(one.unkept),
                )
                for one in found
            ],
        )
    if beyond:
        out.print(f"{beyond} messages of further new names were not kept.")


@command(app)
def admit(settings: Settings, names: Names = None, every: All = False) -> None:
    """Admit new places or sensors. Their waiting readings are stored."""
    _settle(settings, "admit", names or [], every=every)


@command(app)
def refuse(settings: Settings, names: Names = None, every: All = False) -> None:
    """Refuse new places or sensors. Their messages are dropped and counted."""
    _settle(settings, "refuse", names or [], every=every)


def _settle(settings: Settings, do: str, names: list[str], *, every: bool) -> None:
    if bool(names) == every:
        wrong("Give the places or sensors, or --all.")
    done = "admitted" if do == "admit" else "refused"
    for fields in [{"every": True}] if every else [{"newcomer": name} for name in names]:
        answer = ask(settings, do, {"about": "newcomer", **fields})
        for name in answer["newcomers"]:
            out.print(f"{printable(name)}: {done}")
        out.print(f"{answer['messages']} messages {'stored' if do == 'admit' else 'dropped'}")
