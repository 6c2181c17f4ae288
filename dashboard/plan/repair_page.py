"""A repair: its steps with their taps, a step found on the way, the promise, handing out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import dcc, html

from dashboard.access.visitor import may_change
from dashboard.plan import agenda as agendas
from dashboard.plan import step_form, text, view
from dashboard.plan.page import read_only
from dashboard.plan.view import PLAN
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import action_button, choice, draft_form, folded, tap_row, text_field
from monitor.core.clock import now_ms
from monitor.domain.repairs.step import StepKind
from monitor.planning.words import Names

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.plan import PlanQueries
    from dashboard.data.shop import ShopData
    from monitor.commands import Journal
    from monitor.domain.repairs.repair import Repair

PATH = "/plan/one"
FIRST_KINDS = (
    StepKind.GLUE_CRACK,
    StepKind.CLEAT,
    StepKind.FILL,
    StepKind.FIT,
    StepKind.CLEAN,
    StepKind.RETOUCH,
)
"""Kinds of work that are most often found on the way: a tap each."""


def register(app: dash.Dash, shop: ShopData, book: PlanQueries) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "plan_one",
        path_template="/plan/<repair_id>",
        title="Repair",
        layout=lambda repair_id="", step="", **_: layout(shop, book, repair_id, step),
    )

    @page_frame.drawn_again(app, "repair-now", of="repair-id")
    def refresh(repair_id: str) -> list[Any]:
        found = book.journal().repairs.get(repair_id)
        return live(shop, book, found, writer=may_change().allowed) if found else []


@page_frame.where_store_fails(PLAN.failed(PATH, "Repair", "one"))
def layout(shop: ShopData, book: PlanQueries, repair_id: str, step_id: str = "") -> Component:
    """The page of a repair, or the form that changes one of its steps."""
    may, found = may_change(), book.journal().repairs.get(repair_id)
    if found is None:
        return PLAN.page(
            PATH, [html.H1("No such repair"), html.P(dcc.Link("All repairs", href="/plan"))], "one"
        )
    forms: list[Component] = [read_only(may.why, sign_in=may.sign_in)]
    if may.allowed:
        forms = [
            *adding(found, book.journal()),
            promising(found, shop),
            *moving(found),
            *ending(found),
        ]
        forms = forms if found.open else ending(found)
    step = next((one for one in found.steps if one.id == step_id), None)
    if may.allowed and found.open and step is not None and step.started_ms is None:
        return PLAN.page(PATH, step_form.changing(found, step, shop, book.journal()), "one")
    return PLAN.page(
        PATH,
        [
            dcc.Store(id="repair-id", data=found.id),
            html.Div(live(shop, book, found, writer=may.allowed), id="repair-now"),
            *forms,
        ],
        "one",
    )


def live(shop: ShopData, book: PlanQueries, repair: Repair, *, writer: bool) -> list[Component]:
    """Heading, ready time, promise and steps of a repair."""
    now, zone = now_ms(), shop.settings.zone
    journal, present = book.journal(), book.plan()
    unit = formats.unit_of(shop.settings)
    names, hours, hands_on = Names(journal), book.hours(), book.hands_on()
    trouble, present = text.state(journal, present, now), text.usable(present, now)
    planned = agendas.planned_steps(present)
    wrong = agendas.in_wrong_air(present)
    if repair.handed_out_ms is not None:
        lines = [f"Handed out {formats.when(repair.handed_out_ms, now, zone)}."]
    else:
        lines = [
            text.ready(repair, present, now, zone),
            text.promise(repair, present, now, zone),
            text.sensitive(repair, present, names, shop.place_names(), now, zone),
            *text.notes(repair, present, names, unit),
            trouble,
        ]
    lines.append(repair.note)
    return [
        html.H1(names.repair(repair.id)),
        *(
            html.P(line, className="lead" if i == 0 else "")
            for i, line in enumerate(lines)
            if line
        ),
        html.H2("Steps"),
        html.Ol(
            [
                view.step_row(
                    repair,
                    step,
                    journal,
                    planned,
                    hands_on.of(step).usual,
                    hours,
                    now,
                    zone,
                    unit,
                    writer=writer,
                    wrong_air=wrong.get((repair.id, step.id), ""),
                )
                for step in repair.steps
            ],
            className="plan-steps",
        ),
    ]


def adding(repair: Repair, journal: Journal) -> list[Component]:
    """Taps that add a step found on the way, a form for any other, and one for a usual repair."""

    def tap(kind: StepKind) -> Component:
        word = str(kind).capitalize()
        return action_button(
            word,
            "add",
            about="repair",
            repair=repair.id,
            kind=str(kind),
            said=f"Added: {word}. What followed now follows this step too.",
        )

    others = {str(kind): str(kind).capitalize() for kind in StepKind}
    return [
        folded(
            "Add a step that you found",
            html.P("It comes after the step done last. Tap the kind of work."),
            tap_row([tap(kind) for kind in FIRST_KINDS]),
            draft_form(
                [
                    choice("Another kind of work", "add-kind", "kind", others),
                    text_field("Name", "add-name", "name", faults=True, maxLength=80),
                    text_field(
                        "Minutes of work",
                        "add-minutes",
                        "minutes",
                        faults=True,
                        inputMode="decimal",
                    ),
                ],
                "add-form",
                f"repair-add-{repair.id}",
            ),
            tap_row(
                action_button(
                    "Add it",
                    "add",
                    about="repair",
                    repair=repair.id,
                    form="add-form",
                    said="Added.",
                    then="reload",
                )
            ),
            id="repair-add",
            unfold="repair-add",
        ),
        folded(
            "Add a usual repair",
            html.P(
                "Its steps are added to those of this repair. Set-up, settling and handing out "
                "stay single. If another step is now there twice, such as opening, remove one."
            ),
            draft_form(
                choice(
                    "Usual repair",
                    "add-template",
                    "template",
                    {one.id: one.name for one in journal.templates.values()},
                ),
                "add-template-form",
                f"repair-template-{repair.id}",
            ),
            tap_row(
                action_button(
                    "Add its steps",
                    "add template",
                    about="repair",
                    repair=repair.id,
                    form="add-template-form",
                    said="Added.",
                    then="reload",
                )
            ),
            unfold="repair-template",
        ),
    ]


def promising(repair: Repair, shop: ShopData) -> Component:
    """The form of the promised time."""
    own = {"about": "repair", "repair": repair.id}
    shown = formats.to_input(repair.promised_ms, shop.settings.zone)
    filled = {"value": shown} if shown else {}
    taps = [action_button("Promise it", "promise", form="promise-form", said="Noted.", **own)]
    if repair.promised_ms is not None:
        taps.append(
            action_button("Remove the promise", "promise", remove="yes", said="Removed.", **own)
        )
    return folded(
        "Promise a time",
        draft_form(
            text_field("Promised for", "promise-at", "promised", faults=True, **filled),
            "promise-form",
            f"repair-promise-{repair.id}",
        ),
        tap_row(taps),
        unfold="repair-promise",
    )


def moving(repair: Repair) -> list[Component]:
    """The form that moves a step to a time."""
    steps = {one.id: one.label for one in repair.steps if one.started_ms is None}
    if not steps:
        return []
    own = {"about": "repair", "repair": repair.id}
    return [
        folded(
            "Move a step to a time",
            draft_form(
                [
                    choice("Step", "move-step", "step", steps),
                    text_field("Start", "move-at", "fixed", faults=True),
                ],
                "move-form",
                f"repair-move-{repair.id}",
            ),
            tap_row(action_button("Move it", "move", form="move-form", said="Moved.", **own)),
            unfold="repair-move",
        )
    ]


def ending(repair: Repair) -> list[Component]:
    """Taps that hand the instrument out, or undo that."""
    own = {"about": "repair", "repair": repair.id}
    if not repair.open:
        sure = "Undo the handing out? Tap again"
        undo = action_button(
            "Undo handing out", "reopen", sure=sure, said="Undone.", then="reload", **own
        )
        return [tap_row(undo)]
    return [
        folded(
            "Hand out",
            html.P("The repair ends, and the instrument leaves the shop."),
            tap_row(
                [
                    action_button(
                        "Hand out",
                        "hand out",
                        name="tap main",
                        sure="Hand it out? Tap again",
                        said="Handed out.",
                        then="reload",
                        **own,
                    ),
                    action_button(
                        "Hand out unfinished",
                        "hand out",
                        on="yes",
                        sure="Hand it out unfinished? Tap again",
                        said="Handed out.",
                        then="reload",
                        **own,
                    ),
                ]
            ),
            unfold="repair-out",
        )
    ]
