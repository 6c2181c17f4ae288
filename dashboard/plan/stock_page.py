"""The shop's stock of clamps and places, as steps of repairs need them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import dash
from dash import html

from dashboard.access.visitor import may_change
from dashboard.plan.page import read_only
from dashboard.plan.view import PLAN
from dashboard.ui import page_frame
from dashboard.ui.controls import action_button, choice, draft_form, tap_row, text_field
from monitor.domain.repairs.stock import Sort, in_use

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.plan import PlanQueries
    from monitor.domain.repairs.stock import Stock

PATH, TITLE = "/plan/stock", "Clamps and places"
SORTS = {str(Sort.CLAMPS): "Clamps", str(Sort.PLACE): "A place for instruments"}


def register(_app: dash.Dash, book: PlanQueries) -> None:
    """Hang the page into the app."""
    dash.register_page(
        "plan_stock",
        path=PATH,
        title=TITLE,
        order=1,  # before /plan/<any>
        layout=lambda **_: layout(book),
    )


@page_frame.where_store_fails(PLAN.failed(PATH, TITLE, "one"))
def layout(book: PlanQueries) -> Component:
    """The page: the stock with numbers, and a form to add to it."""
    may, journal = may_change(), book.journal()
    used = in_use(journal.repairs.values())
    rows = [_row(one, used[one.id], writer=may.allowed) for one in journal.stock.values()]
    return PLAN.page(
        PATH,
        [
            html.H1(TITLE),
            html.P(
                "The plan never uses more than these. The numbers that ship are examples: set "
                "your own."
            ),
            html.Ul(rows, className="plan-stock")
            if rows
            else html.P("Nothing is in the stock. Add what your shop has."),
            _adding() if may.allowed else read_only(may.why, sign_in=may.sign_in),
        ],
        "one",
    )


def _row(one: Stock, used: int, *, writer: bool) -> Component:
    words = f"{one.count} in the shop, {used} in use now."
    form = f"stock-{one.id}"
    own = {"about": "stock", "stock": one.id, "then": "reload"}
    parts: list[Component] = [html.H2(one.name), html.P(words)]
    if writer:
        parts += [
            draft_form(
                text_field(
                    f"{one.name}: how many",
                    f"{form}-count",
                    "count",
                    faults=True,
                    inputMode="numeric",
                    maxLength=5,
                    value=str(one.count),
                ),
                form,
                form,
            ),
            html.Div(
                [
                    action_button("Save", "set", form=form, said=f"Saved: {one.name}.", **own),
                    action_button(
                        "Remove", "remove", sure="Remove it? Tap again", said="Removed.", **own
                    ),
                ],
                className="taps",
            ),
        ]
    return html.Li(parts, key=one.id)


def _adding() -> Component:
    return html.Section(
        [
            html.H2("Add clamps or a place"),
            draft_form(
                [
                    text_field("Name", "stock-new-name", "name", faults=True, maxLength=40),
                    text_field(
                        "How many",
                        "stock-new-count",
                        "count",
                        faults=True,
                        inputMode="numeric",
                        maxLength=5,
                    ),
                    choice("Sort", "stock-new-sort", "sort", SORTS),
                ],
                "stock-new",
                "stock-new",
            ),
            tap_row(
                action_button(
                    "Add it", "set", about="stock", form="stock-new", said="Added.", then="reload"
                )
            ),
        ]
    )
