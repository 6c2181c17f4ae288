"""`benchweather stock` and `benchweather template`: what repairs need, and usual repairs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.asking import ask
from monitor.cli.output import out, print_json, print_table
from monitor.cli.shared import Json, command, journal_of, known, wrong
from monitor.domain.events import About
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.domain.repairs.templates import Template

stock = typer.Typer(no_args_is_help=True, help="Show and change the stock of clamps and places.")
template = typer.Typer(no_args_is_help=True, help="Show and change templates of usual repairs.")

StockId = Annotated[str, typer.Argument(metavar="STOCK", help="Id, such as crack-clamps")]
TemplateId = Annotated[str, typer.Argument(metavar="TEMPLATE", help="Id, such as top-cracks")]


@command(stock, "list")
def stock_list(settings: Settings, as_json: Json = False) -> None:
    """Show the stock, and how much of it is in use."""
    from monitor.domain.repairs.stock import in_use

    with journal_of(settings) as (_, journal):
        there = list(journal.stock.values())
        used = in_use(journal.repairs.values())
    if as_json:
        print_json([{"stock": o.id, "name": o.name, "count": o.count, "sort": o.sort,
                     "in_use": used[o.id]} for o in there])  # fmt: skip # several on a line: a table
        return
    print_table(
        ("stock", "name", "sort", "there are", "in use"),
        [(one.id, one.name, str(one.sort), str(one.count), str(used[one.id])) for one in there],
    )


@command(stock, "set")
def stock_set(
    settings: Settings,
    own: StockId,
    count: Annotated[int | None, typer.Option(min=0, help="Number of pieces")] = None,
    name: Annotated[str, typer.Option(help="Name")] = "",
    place: Annotated[
        bool | None, typer.Option("--place/--clamps", help="A place, such as a cupboard")
    ] = None,
) -> None:
    """Change a stock of clamps or places, or add one."""
    fields: dict[str, Any] = {} if count is None else {"count": count}
    fields |= {"name": name} if name else {}
    if place is not None:
        fields["sort"] = "place" if place else "clamps"
    ask(settings, "set", {"about": About.STOCK, "stock": own} | fields)
    out.print(f"Stock {own} is set.")


@command(stock, "remove")
def stock_remove(settings: Settings, own: StockId) -> None:
    """Remove a stock that no open repair and no template needs."""
    ask(settings, "remove", {"about": About.STOCK, "stock": own})
    out.print(f"Stock {own} is removed.")


@command(template, "list")
def template_list(settings: Settings, as_json: Json = False) -> None:
    """Show the templates of usual repairs."""
    with journal_of(settings) as (_, journal):
        there = list(journal.templates.values())
    if as_json:
        print_json([_record(one) for one in there])
        return
    print_table(
        ("template", "name", "steps", "source"),
        [(one.id, one.name, str(len(one.steps)), one.source) for one in there],
    )


@command(template, "show")
def template_show(settings: Settings, own: TemplateId) -> None:
    """Print a template as JSON: change it and give it to `template set`."""
    with journal_of(settings) as (_, journal):
        print_json(_record(journal.templates[known(own, journal.templates, "template")]))


@command(template, "set")
def template_set(
    settings: Settings,
    own: TemplateId,
    file: Annotated[
        Path | None, typer.Argument(help="JSON file, as `template show` prints it")
    ] = None,
    like: Annotated[str, typer.Option(help="Template to copy the steps from")] = "",
    name: Annotated[str, typer.Option(help="Name")] = "",
) -> None:
    """Change a template, or add one."""
    fields: dict[str, Any] = {"name": name} if name else {}
    if like:
        fields["like"] = like
    if file is not None:
        try:
            given = json.loads(file.read_text("utf-8"))
            fields = {"name": str(given.get("name", ""))} | fields | {"steps": given["steps"]}
        except (ValueError, KeyError, TypeError, AttributeError) as exc:
            wrong(
                f"{file}: must be JSON with name and steps, as `template show` prints it ({exc})"
            )
    ask(settings, "set", {"about": About.TEMPLATE, "template": own} | fields)
    out.print(f"Template {own} is set.")


@command(template, "retire")
def template_retire(settings: Settings, own: TemplateId) -> None:
    """Take a template off the list. Repairs taken in from it go on."""
    ask(settings, "retire", {"about": About.TEMPLATE, "template": own})
    out.print(f"Template {own} is retired.")


@command(template, "restore")
def template_restore(settings: Settings, own: TemplateId) -> None:
    """Put a retired template back on the list."""
    ask(settings, "restore", {"about": About.TEMPLATE, "template": own})
    out.print(f"Template {own} is back.")


def _record(one: Template) -> dict[str, Any]:
    from monitor.domain.repairs.templates import body_of

    return {"template": one.id} | body_of(one)
