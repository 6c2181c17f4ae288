"""Form that changes a step of a repair: its work, its order, its clamps, its place, being alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard.ui.controls import (
    action_button,
    choice,
    draft_form,
    fault_line,
    fieldset,
    tap_row,
    text_field,
)
from monitor.planning.words import Names

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.commands import Journal
    from monitor.domain.repairs.repair import Repair
    from monitor.domain.repairs.step import Step

YES_NO = {"yes": "Yes", "no": "No"}


def changing(repair: Repair, step: Step, shop: ShopData, journal: Journal) -> list[Component]:
    """The form with the fields of a step as they are."""
    places = {"": "As the instrument"} | dict(shop.place_names(indoors=True))
    return [
        html.H1(f"Change: {step.label}"),
        html.P(dcc.Link(Names(journal).repair(repair.id), href=f"/plan/{repair.id}")),
        draft_form(
            [
                text_field(
                    "Name", "change-name", "name", faults=True, maxLength=80, value=step.name
                ),
                text_field(
                    f"Minutes of work (now {step.hands_on_min.usual:.0f})",
                    "change-minutes",
                    "minutes",
                    faults=True,
                    inputMode="decimal",
                ),
                choice("Place", "change-place", "place", places, step.place),
                choice(
                    "May it be left overnight?",
                    "change-overnight",
                    "overnight",
                    YES_NO,
                    _word(step.overnight),
                ),
                choice(
                    "May it be left over a weekend?",
                    "change-weekend",
                    "weekend",
                    YES_NO,
                    _word(step.weekend),
                ),
                _order(repair, step),
                _stock(step, journal),
            ],
            "change-form",
            f"repair-change-{repair.id}-{step.id}",
        ),
        tap_row(
            [
                action_button(
                    "Save the changes",
                    "change",
                    name="tap main",
                    about="repair",
                    repair=repair.id,
                    step=step.id,
                    form="change-form",
                    said=f"Changed: {step.label}.",
                    then="reload",
                ),
                dcc.Link("Back to the repair", href=f"/plan/{repair.id}", className="tap"),
            ]
        ),
    ]


def _order(repair: Repair, step: Step) -> Component:
    options: list[Any] = [
        {"label": one.label, "value": one.id} for one in repair.steps if one.id != step.id
    ]
    return fieldset(
        "This step comes after",
        dcc.Checklist(id="change-after", options=options, value=list(step.after)),
        fault_line("after"),
        className="picks",
    )


def _stock(step: Step, journal: Journal) -> Component:
    fields = [
        text_field(
            one.name,
            f"change-needs-{one.id}",
            f"needs.{one.id}",
            inputMode="numeric",
            maxLength=5,
            value=str(step.needs.get(one.id, 0)),
        )
        for one in journal.stock.values()
    ]
    return fieldset(
        "Clamps and places that it needs",
        html.Div(fields, className="fields"),
        fault_line("needs"),
        className="picks",
    )


def _word(yes: bool) -> str:
    return "yes" if yes else "no"
