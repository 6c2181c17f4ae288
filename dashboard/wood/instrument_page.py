"""Page of one instrument: its wood, its stay as a plot, everything that can be done to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
import numpy as np
from dash import Input, Output, State, dcc, html

from dashboard.access.page import read_only
from dashboard.access.visitor import may_change
from dashboard.ui import formats, page_frame, plates_text, plots
from dashboard.ui.controls import action_button, draft_form, folded, tap_row
from dashboard.ui.event_list import event_list
from dashboard.ui.tables import wide_table
from dashboard.ui.themes import theme_of
from dashboard.wood import figure, history_text, text
from dashboard.wood import view as wood_view
from dashboard.wood.correction_view import amend
from dashboard.wood.view import WOOD
from monitor.core.clock import now_ms
from monitor.domain.wait import held_s
from monitor.waits.text import released_word

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.wood import WoodQueries
    from monitor.domain.instrument import Instrument
    from monitor.science.plates.assessment import PartStatus, WoodStatus

REDRAW_MS = 10 * formats.MINUTE_MS
"""New readings redraw the plot after this; what was done redraws it at once. [ms]"""
WAITS_SHOWN = 20


def register(app: dash.Dash, shop: ShopData, book: WoodQueries) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "wood_instrument",
        path_template="/wood/<instrument_id>",
        title="Instrument",
        layout=lambda instrument_id="", **_: layout(shop, book, instrument_id),
    )

    parts = ("instrument-now", "instrument-parts", "instrument-history")

    @page_frame.drawn_again(app, *parts, of="instrument-id")
    def refresh(instrument_id: str) -> tuple[Any, ...] | None:
        found = book.instrument(instrument_id)
        if found is None:
            return None
        state = current_state(found, shop, book, may_change().allowed)
        return state, inside(found, shop, book), history(found, shop)

    @app.callback(
        Output("stay-plot", "figure"),
        Output("stay-words", "children"),
        Output("stay-drawn", "data"),
        Input("screen", "data"),
        Input("token", "data"),
        Input("bench-changed", "data"),
        State("stay-drawn", "data"),
        State("instrument-id", "data"),
    )
    def draw(
        screen: Mapping[str, Any] | None,
        _token: str,
        changed: str,
        drawn: Mapping[str, Any] | None,
        id_: str,
    ) -> tuple[Any, ...]:
        now, held = now_ms(), drawn or {}
        does = {"screen": screen, "changed": changed}
        same = does == {name: held.get(name) for name in does}
        if same and now - held.get("at", 0) < REDRAW_MS:
            raise dash.exceptions.PreventUpdate
        plot, sentence = drawing(id_, screen or {}, shop, book)
        return plots.sent(plot), sentence, does | {"at": now}


@page_frame.where_store_fails(WOOD.failed("/wood/one", "Instrument", "one"))
def layout(shop: ShopData, book: WoodQueries, instrument_id: str) -> Component:
    """The page as this request may see it."""
    may = may_change()
    one = book.instrument(instrument_id)
    if one is None:
        back = html.P(dcc.Link("All in the shop", href="/wood"))
        return WOOD.page("/wood/one", [html.H1("No such instrument"), back])
    state, wood = current_state(one, shop, book, may.allowed), inside(one, shop, book)
    done = history(one, shop)
    places = shop.place_names(indoors=True)
    return WOOD.page(
        "/wood/one",
        [
            dcc.Store(id="instrument-id", data=one.id),
            dcc.Store(id="stay-drawn"),
            html.H1(one.reference),
            html.Div(state, id="instrument-now"),
            move(one, places) if may.allowed and one.here else None,
            html.H2("Moisture during its stay"),
            plots.frame("stay-plot", "Plot; described by the sentence below it"),
            html.P(id="stay-words", className="aside"),
            html.Div(wood, id="instrument-parts"),
            amend(one, shop) if may.allowed else read_only(may),
            html.H2("History"),
            html.Div(done, id="instrument-history"),
        ],
        "one",
    )


def current_state(
    one: Instrument, shop: ShopData, book: WoodQueries, writer: bool
) -> list[Component]:
    """State of an instrument, with the taps, the facts and the cautions."""
    now, zone, places = now_ms(), shop.settings.zone, shop.place_names()
    status = book.status(one.id) if one.here else None
    lead = f"Handed out {formats.when(one.left_ms or now, now, zone)}."
    if one.here:
        lead = f"{text.facts(one, places)}; {text.stay(one, now, zone)}."
    parts: list[Component] = [html.P(formats.first_upper(lead), className="lead")]
    if status is not None:
        unit = formats.unit_of(shop.settings)
        foreseen = book.outlook_and_plates(one)
        ahead = None
        if foreseen is not None:
            outlook, its = foreseen
            ahead = plates_text.closing_ahead(one, its, outlook, now, zone)
        parts.append(wood_view.closing(status, now, zone, unit, ahead))
    if writer and one.here:
        parts.append(tap_row(_taps(one)))
    elif writer:
        parts.append(
            dcc.Link("Take it in again", href=f"/wood/new?back={one.id}", className="tap main")
        )
    parts.append(_facts(one, shop))
    if one.note:
        parts.append(html.P(one.note, className="note"))
    return [*parts, *wood_view.cautions(text.cautions(status))]


def inside(one: Instrument, shop: ShopData, book: WoodQueries) -> list[Component]:
    """Its parts and what is taken for granted, and its waits."""
    status = book.status(one.id) if one.here else None
    parts: list[Component] = []
    if status is not None and status.answer is not None:
        parts = [html.H2("Its parts"), _table(status.answer), wood_view.assumed(status.answer)]
    return [*parts, *_waits(one, shop, book)]


def _taps(one: Instrument) -> list[Component]:
    about = {"about": "instrument", "instrument": one.id, "form": "at-form", "then": "reload"}
    turn = (
        action_button("Closed now", "close", said="Closed.", name="tap main", **about)
        if one.open_now
        else action_button("Opened now", "open", said="Opened.", name="tap main", **about)
    )
    out = action_button(
        "Handed out",
        "leave",
        said="Handed out.",
        sure="Tap again to hand it out",
        **about | {"then": "/wood/left"},
    )
    return [turn, out]


def _facts(one: Instrument, shop: ShopData) -> Component:
    now, zone = now_ms(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    rows = [
        ("came in", formats.when(one.arrived_ms, now, zone)),
        ("air at home", text.home(one, unit)),
    ]
    if one.arrived_temp_c is not None:
        rows.append(
            ("temperature on arrival", formats.with_unit("temperature", one.arrived_temp_c, unit))
        )
    if one.due_ms is not None:
        rows.append(("due out", formats.day(formats.local(one.due_ms, zone).date())))
    return html.Dl(
        [html.Div([html.Dt(what), html.Dd(value)]) for what, value in rows], className="facts"
    )


def _table(answer: WoodStatus) -> Component:
    heads = [
        "Part",
        "Drier | damper",
        "From home moisture",
        "Width",
        "Settles",
        "Strain",
        "Stress",
    ]
    rows = [_part(one) for one in answer.parts]
    return wide_table(heads, rows, "Its parts", "parts-table")


def _part(one: PartStatus) -> list[Component]:
    part, stress = one.part, one.stress_mpa
    stress_text = "stress not known"
    if stress is not None:
        low, middle, high = (
            formats.figure(value, 1) for value in (stress.low, stress.median, stress.high)
        )
        stress_text = f"stress at most about {middle} MPa ({low} to {high})"
    faces = (
        f"outside {formats.figure(one.outer_pct.median, 1)}, inside "
        f"{formats.figure(one.inner_pct.median, 1)} %"
    )
    return [
        html.Th(
            [
                part.name,
                html.Span(
                    f"{text.wood(part.species)}, {part.thickness_mm:g} mm", className="sensor"
                ),
            ],
            scope="row",
        ),
        html.Td(wood_view.scale(one)),
        html.Td(
            [
                text.off_home(one.from_home_pct),
                html.Small(
                    f"now {formats.figure(one.moisture_pct.median, 1)} % ({faces}), home "
                    f"{formats.figure(one.home_moisture_pct.median, 1)} %"
                ),
            ]
        ),
        html.Td(
            [
                text.moved(one.change_mm, part.width_mm),
                html.Small(f"settled: {text.moved(one.settled_change_mm, part.width_mm)}"),
            ]
        ),
        html.Td(text.settles_words(one.settles_in_s)),
        html.Td(f"{text.percent(one.yield_share)} of what it can bear"),
        html.Td(stress_text),
    ]


def _waits(one: Instrument, shop: ShopData, book: WoodQueries) -> list[Component]:
    now, zone = now_ms(), shop.settings.zone
    found = book.waits(one)[:WAITS_SHOWN]
    if not found:
        return []
    rows = [
        html.Li(
            [
                dcc.Link(wait.what or str(wait.kind["name"]), href=f"/bench/wait/{wait.id}"),
                html.Span(str(wait.kind["name"])),
                html.Span(
                    f"since {formats.when(wait.started_ms, now, zone)}"
                    if wait.released_ms is None
                    else f"{released_word(wait).lower()} "
                    f"{formats.when(wait.released_ms, now, zone)}, after "
                    f"{formats.hours(held_s(wait, now))}",
                    className="moment",
                ),
            ],
            key=wait.id,
        )
        for wait in found
    ]
    return [html.H2("Its waits"), html.Ul(rows, className="own-waits")]


def move(one: Instrument, places: dict[str, str]) -> Component:
    """A tap for each other place, and when it was if not now."""
    return html.Section(
        [
            html.H2("Move to"),
            tap_row(wood_view.move_to(one, places)),
            folded(
                "Another time? Enter it",
                draft_form(
                    wood_view.field("at", "at-at", text="Opened, closed, moved or handed out at"),
                    "at-form",
                    f"at-{one.id}",
                ),
            ),
        ]
    )


@page_frame.where_store_fails(
    lambda trouble, _instrument, screen, *_: (
        plots.empty_plot(trouble.sentence, theme_of(screen)),
        "",
    )
)
def drawing(
    instrument_id: str, screen: Mapping[str, Any], shop: ShopData, book: WoodQueries
) -> tuple[plots.Plot, str]:
    """Plot of a stay and its sentence; if it cannot be shown, why."""
    look = theme_of(screen)
    one = book.instrument(instrument_id)
    found = book.history(one) if one else None
    waits = book.waits(one) if one else []
    ahead = book.outlook_and_plates(one) if one else None
    if one is None or found is None:
        return plots.empty_plot("There is no reading of its air yet.", look), ""
    start, end = int(found.at_ms[0]), int(found.at_ms[-1])
    coming, zone, more = None, shop.settings.zone, ""
    if ahead is not None:
        foreseen, its = ahead
        steps = [plates_text.step_ms(foreseen, its, i) for i in range(len(its.closable))]
        coming = figure.PartsAhead(
            np.array(steps), {part.part.name: part.middle_pct for part in its.parts}
        )
        end = min(steps[-1], end + max(end - start, formats.DAY_MS))
        more = f" Outlook: {plates_text.plate_words(one, its, foreseen, now_ms(), zone)}"
    view = plots.View(
        min(start, max(one.arrived_ms, start - formats.DAY_MS)),
        end,
        zone,
        "C",
        plots.width_of(screen),
    )
    plot = figure.stay_plot(found, waits, view, look, coming)
    return plot, figure.summary(found, view) + more


def history(one: Instrument, shop: ShopData) -> Component:
    """History of an instrument, newest first: who did what and when."""
    now, zone, places = now_ms(), shop.settings.zone, shop.place_names()
    unit = formats.unit_of(shop.settings)
    return event_list(
        one.events,
        lambda event: history_text.event_words(event, places, now, zone, unit),
        now,
        zone,
    )
