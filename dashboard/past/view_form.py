"""Form of a view of Past: places, quantity, span, steps and dates, and room for its plot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard.past.spans import SPANS
from dashboard.ui import formats, plots
from dashboard.ui.controls import fieldset, folded, labelled
from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.past.selection import Choice
    from dashboard.past.view_page import OfferedPlaces, PastView


def places(
    view: PastView,
    asked: OfferedPlaces,
    choice: Choice,
    shop: ShopData,
    offered: Mapping[str, set[str]],
) -> list[Component]:
    """Choices of places and of a quantity."""
    options = [{"label": label, "value": place} for place, label in asked.options]
    first = next(iter(choice.places), "")
    field: Component = (
        dcc.Checklist(id=f"{view.name}-places", value=list(choice.places), options=options)
        if asked.many
        else dcc.RadioItems(id=f"{view.name}-places", value=first, options=options)
    )
    found = [fieldset(asked.legend, field)]
    if view.two:
        second = dcc.RadioItems(id=f"{view.name}-beside", value=choice.places[-1], options=options)
        found.append(fieldset("Compared with", second))
    if view.quantities:
        unit = formats.unit_of(shop.settings)
        can = {q for place in offered.values() for q in place}
        known = [q for q in view.quantities if q in can]
        values = [{"label": formats.scale(q, unit).words, "value": q} for q in known]
        chosen = choice.quantity if choice.quantity in known else known[0]
        found.append(
            fieldset(
                "Quantity",
                dcc.RadioItems(id=f"{view.name}-quantity", value=chosen, options=values),
            )
        )
    return [*found, *([html.P(view.aside, className="aside")] if view.aside else [])]


def times(view: PastView, choice: Choice) -> list[Component]:
    """Span, steps, dates, and what is shown."""
    name = view.name
    found: list[Component] = []
    if len(view.spans) > 1:
        options = [{"label": SPANS[s], "value": s} for s in view.spans]
        found.append(
            fieldset(
                "Span",
                dcc.RadioItems(id=f"{name}-span", value=choice.span, inline=True, options=options),
                className="span-names",
            )
        )
    earlier = "Earlier" if len(view.spans) > 1 else f"A {view.spans[0]} earlier"
    steps = (("earlier", earlier), ("later", "Later"), ("now", "Now"))
    found.append(
        html.Div(
            [
                html.Button(word, id=f"{name}-{id_}", n_clicks=0, type="button")
                for id_, word in steps
            ],
            className="steps",
        )
    )
    if view.dates:
        found.append(_dates(name))
    found.append(html.P(id=f"{name}-shown", className="shown", **attributes(aria_live="polite")))
    return found


def _dates(name: str) -> Component:
    """Two days to enter, folded away."""
    fields = [
        labelled(
            word,
            f"{name}-{end}",
            dcc.Input(
                id=f"{name}-{end}",
                type="date",  # type: ignore[arg-type] # the browser's own field for a day
                value="",
            ),
        )
        for end, word in (("from", "From"), ("to", "To"))
    ]
    return folded(
        "Dates",
        html.Div(
            [*fields, html.Button("Show dates", id=f"{name}-dates", n_clicks=0, type="button")],
            className="dates",
        ),
        html.P(id=f"{name}-dates-fault", className="fault", role="alert"),
        className="pick-dates",
        unfold=f"{name}-dates",
    )


def plot(name: str) -> Component:
    """Room for the plot of a view."""
    return plots.frame(f"{name}-plot", "Plot; described by the sentences below it")
