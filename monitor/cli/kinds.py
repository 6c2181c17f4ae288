"""`benchweather kind`: the kinds of wait with their usual times and parameters."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.asking import ask
from monitor.cli.output import out, print_json, print_table
from monitor.cli.shared import Json, command, in_reader_unit, journal_of, known, wrong
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.domain.wait_types import WaitType
    from monitor.science.waits.learning import LearnedUsualTime

app = typer.Typer(no_args_is_help=True, help="Show, change and add the kinds of wait.")
Kind = Annotated[str, typer.Argument(help="Id of the kind")]


@command(app, "list")
def list_(
    settings: Settings,
    kind: Annotated[str, typer.Argument(help="One kind, with every parameter")] = "",
    as_json: Json = False,
) -> None:
    """Show the kinds of wait, or one kind with all its parameters."""
    from monitor.science.waits.parameters import parameters

    with journal_of(settings) as (_, journal):
        kinds = journal.book
        learned = journal.learned(known(kind, kinds, "kind of wait")) if kind else None
        usual = {one: _usual_h(kinds[one], journal.learned(one)) for one in kinds}
    if not kind:
        if as_json:
            print_json(list(kinds.values()))
            return
        print_table(
            ("kind", "name", "usual h", "load h", "least h", "source"),
            [
                (
                    one.id,
                    one.name,
                    usual[one.id],
                    f"{one.load_s / 3600:g}" if one.load_s else "",
                    f"{one.minimum_s / 3600:g}",
                    one.source,
                )
                for one in kinds.values()
            ],
        )
        return
    one, taught = kinds[kind], learned if learned is not None and learned.evidence else None
    if as_json:
        names = ("basis_s", "low_s", "high_s", "used_s", "shorter_s")
        learned_json = taught and {name: getattr(taught, name) for name in names}
        print_json({"kind": one, "learned": learned_json, "parameters": list(parameters(one.law))})
        return
    out.print(
        in_reader_unit(
            f"{one.name}: usual time {one.basis_s / 3600:g} h at 20 °C and 50 % RH, at least "
            f"{one.minimum_s / 3600:g} h ({one.source})",
            settings,
        )
    )
    if one.load_s:
        out.print(
            f"It may be worked, loaded or strung {one.load_s / 3600:g} h after its start in that air."
        )
    if taught:
        out.print(
            f"Learned from {len(taught.evidence)} release(s): estimate {taught.basis_s / 3600:.1f} h "
            f"({taught.low_s / 3600:.1f} to {taught.high_s / 3600:.1f}); new waits use "
            f"{taught.used_s / 3600:.1f} h"
        )
    if taught and taught.shorter_s is not None:
        hours = f"{taught.shorter_s / 3600:g}"
        out.print(
            f"The last {taught.shorter_from} were ready long before. To use {hours} h from now on: "
            f"benchweather kind set {kind} --basis-h {hours}"
        )
    print_table(
        ("parameter", "value", "from\nto", "meaning and source"),
        [
            (
                p.name,
                f"{p.value:g} {p.unit}".rstrip(),
                f"{p.low:g}\n{p.high:g}",
                f"{p.help}\n{p.source}",
            )
            for p in parameters(one.law)
        ],
    )


def _usual_h(kind: WaitType, learned: LearnedUsualTime | None) -> str:
    """Usual time that new waits use and, where that was learned, the one that is set. [h]"""
    set_h = f"{kind.basis_s / 3600:g}"
    if learned is None or not learned.evidence:
        return set_h
    return f"{learned.used_s / 3600:.1f}\nlearned; set: {set_h}"


@command(app, "set")
def set_(
    settings: Settings,
    kind: Annotated[str, typer.Argument(help="Id of the kind to change or to add")],
    like: Annotated[str, typer.Option(help="For a new kind: the kind to copy")] = "",
    name: Annotated[str, typer.Option(help="Name on screen")] = "",
    basis_h: Annotated[
        float | None, typer.Option(help="Usual time at 20 °C and 50 % RH, in hours")
    ] = None,
    least_h: Annotated[float | None, typer.Option(help="Shortest time, in hours")] = None,
    load_h: Annotated[
        float | None,
        typer.Option(
            help="Usual time from the start until it may be worked, loaded or strung, in hours"
        ),
    ] = None,
    parameter: Annotated[
        list[str] | None, typer.Option(metavar="NAME=VALUE", help="A parameter; may be repeated")
    ] = None,
) -> None:
    """Change a kind, or add one like another. Open waits keep their old values."""
    request: dict[str, Any] = {}
    if like:
        request["like"] = like
    if name:
        request["name"] = name
    if basis_h is not None:
        request["basis_s"] = 3600 * basis_h
    if least_h is not None:
        request["minimum_s"] = 3600 * least_h
    if load_h is not None:
        request["load_s"] = 3600 * load_h
    law = {}
    for item in parameter or ():
        key, _, value = item.partition("=")
        try:
            law[key] = float(value)
        except ValueError:
            wrong(f"--parameter {item!r}: must be NAME=VALUE with a number")
    if law:
        request["law"] = law
    ask(settings, "kind", {"kind": kind} | request)
    out.print(f"{kind} is set")


@command(app)
def retire(settings: Settings, kind: Kind) -> None:
    """Remove a kind from the list. Its open waits continue."""
    ask(settings, "retire", {"kind": kind})
    out.print(f"{kind} is removed from the list")


@command(app)
def restore(settings: Settings, kind: Kind) -> None:
    """Put a removed kind back on the list, as it was."""
    ask(settings, "restore", {"kind": kind})
    out.print(f"{kind} is back on the list")
