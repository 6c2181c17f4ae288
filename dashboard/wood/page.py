"""Wood: every instrument in the shop, the one furthest from its rest first; and those handed out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import dash
from dash import dcc, html

from dashboard.ui import formats, page_frame
from dashboard.wood import text, view
from dashboard.wood.view import WOOD
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.wood import WoodQueries
    from monitor.domain.instrument import Instrument

LEFT_SHOWN = 50


def register(app: dash.Dash, shop: ShopData, book: WoodQueries) -> None:
    """Hang the pages and their refreshing into the app."""
    dash.register_page(
        "wood", path="/wood", name="Wood", title="Wood", layout=lambda **_: layout(shop, book)
    )
    dash.register_page(
        "wood_left",
        path="/wood/left",
        title="Handed out",
        order=1,
        layout=lambda **_: handed_out(shop, book),
    )

    page_frame.drawn_again(app, "wood-live")(lambda: live(shop, book))


@page_frame.where_store_fails(WOOD.failed("/wood", "Wood", "all"))
def layout(shop: ShopData, book: WoodQueries) -> Component:
    """Every instrument in the shop."""
    content = live(shop, book)
    return WOOD.page("/wood", [html.Div(content, id="wood-live")], "all")


def live(shop: ShopData, book: WoodQueries) -> list[Component]:
    """Parts that change by themselves: the sentence on top, the instruments, cautions."""
    now, zone, places = now_ms(), shop.settings.zone, shop.place_names()
    unit, found = formats.unit_of(shop.settings), book.statuses()
    head, after = text.title(found)
    keys = dict.fromkeys(key for one in found for key in text.cautions(one))
    top = html.Div([html.H1(head), html.P(after)], className="wood-head")
    if not found:
        return [
            top,
            html.P(dcc.Link("Take an instrument in", href="/wood/new", className="tap main")),
        ]
    return [
        top,
        view.heads(),
        html.Ul(
            [view.row(one, places, now, zone, unit) for one in found], className="instruments"
        ),
        *view.cautions(list(keys)),
        html.P(
            [
                (
                    "Bar: the range where a part may be now. Mark: its most likely moisture. "
                    "Hollow mark: where it settles in the present air. Moisture in % of dry "
                    "wood; differences in points. "
                ),
                dcc.Link("Climate record of the year", href="/past/climate"),
                ".",
            ],
            className="aside small-print",
        ),
    ]


@page_frame.where_store_fails(WOOD.failed("/wood/left", "Handed out"))
def handed_out(shop: ShopData, book: WoodQueries) -> Component:
    """Page of the instruments handed out last."""
    gone = book.left(LEFT_SHOWN)
    shown = (
        html.Ul([_gone(one, shop) for one in gone], className="gone")
        if gone
        else html.P("No instrument has been handed out yet.")
    )
    return WOOD.page("/wood/left", [html.H1("Handed out"), shown])


def _gone(one: Instrument, shop: ShopData) -> Component:
    now, zone = now_ms(), shop.settings.zone
    out = formats.when(one.left_ms or now, now, zone)
    days = round(((one.left_ms or now) - one.arrived_ms) / formats.DAY_MS)
    return html.Li(
        [
            html.H2(dcc.Link(one.reference, href=f"/wood/{one.id}")),
            html.P(f"{one.kind}, handed out {out}, after {formats.counted(days, 'day')}"),
            dcc.Link("Take it in again", href=f"/wood/new?back={one.id}", className="tap"),
        ],
        key=one.id,
    )
