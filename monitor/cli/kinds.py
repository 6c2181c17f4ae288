"""`benchweather kind`: the kinds of wait and all they rest on, from the terminal."""

from __future__ import annotations

from typing import Annotated, Any

import typer
from rich.table import Table

from monitor.cli.asking import ask, journal_of
from monitor.cli.shared import Config, Data, Demo, exit_on, load, out

app = typer.Typer(no_args_is_help=True, help="Kinds of wait: their basis and every parameter.")


@app.command("list")
def list_kinds(
    kind: Annotated[str, typer.Argument(help="One kind, with every parameter")] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Show the kinds of wait; with a name, everything that kind rests on."""
    from monitor.domain.wait_type_registry import KindFault
    from monitor.science.waits.parameters import parameters

    settings = load(data, config, demo=demo)
    with journal_of(settings) as (_, journal):
        book = journal.book
        learned = journal.learned(kind) if kind else None
    if not kind:
        table = Table("kind", "name", "basis h", "least h", "rests on")
        for one in book.values():
            table.add_row(
                one.id,
                one.name,
                f"{one.basis_s / 3600:g}",
                f"{one.minimum_s / 3600:g}",
                one.source,
            )
        out.print(table)
        return
    with exit_on():
        if kind not in book:
            raise KindFault(f"there is no kind {kind!r}: it must be one of {', '.join(book)}")
    one = book[kind]
    out.print(
        f"{one.name}: basis {one.basis_s / 3600:g} h at 20 °C and 50 % RH, never below "
        f"{one.minimum_s / 3600:g} h ({one.source})",
        highlight=False,
    )
    if learned is not None and learned.evidence:
        out.print(
            f"What {len(learned.evidence)} release(s) taught: {learned.basis_s / 3600:.1f} h "
            f"({learned.low_s / 3600:.1f} to {learned.high_s / 3600:.1f})",
            highlight=False,
        )
    table = Table("parameter", "value", "unit", "from", "to", "what it is", "source")
    for p in parameters(one.law):
        table.add_row(
            p.name, f"{p.value:g}", p.unit, f"{p.low:g}", f"{p.high:g}", p.help, p.source
        )
    out.print(table)


@app.command("set")
def set_kind(
    kind: Annotated[str, typer.Argument(help="Kind to change, or a new one's id")],
    like: Annotated[str, typer.Option(help="For a new one: the kind it is like")] = "",
    name: Annotated[str, typer.Option(help="Name on screen")] = "",
    basis_h: Annotated[float | None, typer.Option(help="Wait at 20 °C and 50 % RH [h]")] = None,
    least_h: Annotated[float | None, typer.Option(help="Never below this [h]")] = None,
    parameter: Annotated[
        list[str] | None, typer.Option(help="name=value of the law; repeat")
    ] = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Change a kind, or add one like another. Open waits keep what they were opened with."""
    from monitor.domain.wait_type_registry import KindFault

    settings = load(data, config, demo=demo)
    wish: dict[str, Any] = {}
    if like:
        wish["like"] = like
    if name:
        wish["name"] = name
    if basis_h is not None:
        wish["basis_s"] = 3600 * basis_h
    if least_h is not None:
        wish["minimum_s"] = 3600 * least_h
    with exit_on(wrong_use=KindFault):
        law = {}
        for item in parameter or ():
            key, sign, value = item.partition("=")
            try:
                law[key] = float(value)
            except ValueError:
                sign = ""
            if not sign:
                raise KindFault(f"--parameter {item!r}: must be name=number")
    if law:
        wish["law"] = law
    ask(settings, "kind", {"kind": kind} | wish)
    out.print(f"{kind} is set")


@app.command("retire")
def retire_kind(
    kind: Annotated[str, typer.Argument(help="Kind to take off the list")],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Take a kind off the list. Waits opened under it go on."""
    ask(load(data, config, demo=demo), "retire", {"kind": kind})
    out.print(f"{kind} is off the list")


@app.command("restore")
def restore_kind(
    kind: Annotated[str, typer.Argument(help="Kind to put back on the list")],
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Put a kind that was taken off the list back on it, as it last was."""
    ask(load(data, config, demo=demo), "restore", {"kind": kind})
    out.print(f"{kind} is back on the list")
