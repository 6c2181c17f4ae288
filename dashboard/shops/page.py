"""The page Shops: a line for each shop in the settings, a search, and pages of bounded length."""

from __future__ import annotations

from typing import TYPE_CHECKING

import dash
from dash import Input, Output, State, dcc, html

from dashboard.shops import text
from dashboard.ui import formats, paging
from dashboard.ui.markup import attributes
from dashboard.ui.tables import stacked_table
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.shops import ShopLine, ShopsQueries

PATH, TITLE = "/shops", "Shops"
A_PAGE = 50
"""Most shops on one page."""
AGAIN_MS = 30_000
"""Interval between refreshes: the token changes with this shop's own store only. [ms]"""
HEADS = ("Shop", "Urgency", "State", "Waits", "Places")
MISSING = (
    "No shops are in the settings. List them under [[shops]] in the settings file. The help page “The "
    "store on a database server” shows how."
)


def register(app: dash.Dash, shop: ShopData, shops: ShopsQueries) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "shops",
        path=PATH,
        title=TITLE,
        layout=lambda **query: layout(shop, shops, query.get("q", ""), query.get("page", "")),
    )

    @app.callback(
        Output("shops", "children"),
        Input("shops-again", "n_intervals"),
        Input("shops-query", "value"),
        State("_pages_location", "search"),
        prevent_initial_call=True,
    )
    def refresh(_times: int, words: str | None, search: str | None) -> list[Component]:
        asked, words = paging.asked_in(search), words or ""
        return live(shop, shops, words, asked.page if words == asked.words else "")


def layout(shop: ShopData, shops: ShopsQueries, words: str, page: str) -> Component:
    """The page with the shops that a search finds."""
    return html.Main(
        [
            html.H1(TITLE),
            paging.search_form("Search by shop, place or alert", "shops-query", PATH, words),
            html.Div(live(shop, shops, words, page), id="shops"),
            dcc.Interval(id="shops-again", interval=AGAIN_MS),
        ],
        className="sheet",
    )


def live(shop: ShopData, shops: ShopsQueries, words: str, page: str) -> list[Component]:
    """Results of the search, one page of them."""
    now, zone = now_ms(), shop.settings.zone
    if not shop.settings.shops:
        return [html.P(MISSING)]
    every, read_ms = shops.lines(now), shops.read_ms
    if read_ms is None:
        return [
            html.P("Benchweather reads the stores. The shops appear here within half a minute.")
        ]
    lines = text.found(every, words)
    shown = paging.page_of(lines, page, A_PAGE)
    head = text.summary(every, now) + paging.found_words(shown, words)
    return [
        html.P(f"{head} Read at {formats.when(read_ms, now, zone)}.", className="lead"),
        stacked_table(
            HEADS, [_row(one, shop, now) for one in shown.rows], "Shops, the gravest first"
        )
        if lines
        else html.P("No shop matches these words."),
        *paging.links(shown, PATH, words, "shops"),
    ]


def _row(line: ShopLine, shop: ShopData, now: int) -> tuple[Component | str, ...]:
    unit = formats.unit_of(shop.settings)
    gravity = line.gravity(now)
    return (
        html.A(line.name, href=line.shop.board, target="_blank", rel="noopener")
        if line.shop.board
        else line.name,
        html.Span(
            text.GRAVITY[gravity],
            className="urgency",
            **attributes(data_urgency=str(min(gravity, 3))),
        ),
        text.gravest(line, now, shop.settings.zone, unit),
        text.waits(line),
        text.places(line),
    )
