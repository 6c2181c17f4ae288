"""Effects of a change on each repair in days: a repair more, clamps, a Saturday, held air."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, State, dcc, html

from dashboard.data.plan import WhatIf
from dashboard.plan import text
from dashboard.plan.view import PLAN
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import labelled, picks, tap_row
from dashboard.ui.form_input import number
from dashboard.ui.markup import attributes
from dashboard.ui.sentences import full_stop
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.domain.repairs.stock import Sort
from monitor.planning.what_if import HELD_PCT, NEW
from monitor.planning.words import AS_PLANNED, ASSUMED_IF, Names, planned_at, range_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.plan import Effect, PlanQueries
    from dashboard.data.shop import ShopData

PATH, TITLE = "/plan/what-if", "What if"
MORE_MAX = 100
"""Most clamps of a sort to ask about."""
FIELDS = ("template", "rush", "clamps", "more", "saturday", "place", "rh")
NOTHING = "Choose at least one change."


def register(app: dash.Dash, shop: ShopData, book: PlanQueries) -> None:
    """Hang the page and its answer into the app."""
    dash.register_page("plan_if", path=PATH, title=TITLE, layout=lambda **_: layout(shop, book))

    @app.callback(
        Output("repairs-if-said", "children"),
        Input("repairs-if-ask", "n_clicks"),
        *(State(f"repairs-if-{name}", "value") for name in FIELDS),
        prevent_initial_call=True,
    )
    @page_frame.where_store_fails(page_frame.sentence_of)
    def answer(_clicks: int | None, *typed: str | None) -> list[Any]:
        given = dict(zip(FIELDS, (one or "" for one in typed), strict=True))
        return answered(shop, book, given)


@page_frame.where_store_fails(PLAN.failed(PATH, TITLE, "one"))
def layout(shop: ShopData, book: PlanQueries) -> Component:
    """The choices, and where the answer goes."""
    journal = book.journal()
    templates = {"": "None"} | {one.id: one.name for one in journal.templates.values()}
    clamps = {one.id: one.name for one in journal.stock.values() if one.sort is Sort.CLAMPS}
    places = {"": "None"} | dict(shop.place_names(indoors=True))
    return PLAN.page(
        PATH,
        [
            html.H1(TITLE),
            html.P("Nothing is changed by asking. The answer takes a few seconds."),
            html.Div(
                [
                    _picks("Take in a repair", "template", templates, ""),
                    _picks("Its order", "rush", {"": "With the others", "yes": "Rush job"}, ""),
                    _picks("More of", "clamps", clamps, next(iter(clamps), "")),
                    _typed("How many more", "more"),
                    _picks("Saturdays", "saturday", {"": "As now", "yes": "Open"}, ""),
                    _picks("Hold the air at", "place", places, ""),
                    _typed("Relative humidity [%]", "rh", value="45"),
                ],
                className="plan-ifs",
            ),
            tap_row(html.Button("Ask", id="repairs-if-ask", type="button", className="tap main")),
            dcc.Loading(
                html.Div(
                    id="repairs-if-said", className="if-answer", **attributes(aria_live="polite")
                ),
                custom_spinner=html.P("One moment …"),
                delay_show=300,
            ),
        ],
        "one",
    )


def _picks(legend: str, name: str, options: Mapping[str, str], value: str) -> Component:
    return picks(legend, f"repairs-if-{name}", options, value, classes="", inline=True)


def _typed(label: str, name: str, **more: Any) -> Component:
    own = f"repairs-if-{name}"
    line = dcc.Input(id=own, type="text", autoComplete="off", inputMode="numeric", **more)
    return labelled(label, own, line)


def asked(given: Mapping[str, str]) -> WhatIf:
    """The change that the fields mean.

    Raises
    ------
    Rejected
        If there is none, or a number cannot be used.
    """
    more: tuple[tuple[str, int], ...] = ()
    if given["more"].strip():
        count = _number(given["more"], "How many more", 0, MORE_MAX)
        if count != int(count):
            raise Rejected(f"How many more: must be a whole number from 0 to {MORE_MAX}")
        if count and given["clamps"]:
            more = ((given["clamps"], int(count)),)
    rh_pct = 45.0
    if given["place"]:
        rh_pct = _number(given["rh"], "Relative humidity", *HELD_PCT)
    found = WhatIf(
        template=given["template"],
        rush=given["rush"] == "yes",
        more=more,
        saturday=given["saturday"] == "yes",
        place=given["place"],
        rh_pct=rh_pct,
    )
    if not (found.template or found.more or found.saturday or found.place):
        raise Rejected(NOTHING)
    return found


def _number(typed: str, label: str, low: float, high: float) -> float:
    try:
        found = number(typed)
    except ValueError:
        found = -1.0
    if not low <= found <= high:
        raise Rejected(f"{label}: must be {low:g} to {high:g}")
    return found


def answered(shop: ShopData, book: PlanQueries, given: Mapping[str, str]) -> list[Component]:
    """The effect on each repair, or why there is no answer."""
    try:
        wanted = asked(given)
        found = book.what_if(wanted)
    except Rejected as exc:
        return [html.P(full_stop(formats.first_upper(str(exc))), role="alert")]
    names, now = Names(book.journal()), now_ms()
    lines = effect_lines(found, names, now, shop.settings.zone)
    if not lines:
        return [html.P("No repairs are open. There is nothing to compare.")]
    return [
        *(html.P(line, className="lead") for line in lines[:1]),
        *(html.P(line) for line in lines[1:]),
    ]


def effect_lines(found: Sequence[Effect], names: Names, now: int, zone: ZoneInfo) -> list[str]:
    """Effects of a change: the new repair and its earliest promise first, then each repair, and what
    the times assume."""
    first, rest = [], []
    for one in found:
        if one.repair == NEW:
            if one.after is None:
                first.append("The new repair: it cannot be planned in the known opening hours.")
                continue
            ready = range_words(one.after, now, zone)
            promise = text.earliest_promise(one.after, f", {AS_PLANNED}", now, zone)
            first.append(f"The new repair: ready {ready}. {promise}")
            continue
        name = names.repair(one.repair)
        if one.before is None or one.after is None:
            rest.append(f"{name}: its ready time is not known.")
            continue
        moved = text.moved_words(one.before.usual_ms, one.after.usual_ms)
        ready = planned_at(one.after.usual_ms, now, zone)
        rest.append(f"{name}: {moved}. Ready {ready}.")
    return [*first, *rest, ASSUMED_IF] if found else []
