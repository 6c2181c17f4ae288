"""The board as a Dash app: shell, pages, and the small answer that says if anything changed."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import TYPE_CHECKING

import dash
import flask
from dash import ClientsideFunction, Input, Output, dcc, html

from dashboard import calendar_feed, desk_calls, formats, guard, sign_in, words
from dashboard.alert_book import AlertBook
from dashboard.coming_book import ComingBook
from dashboard.kept_journal import KeptJournal
from dashboard.markup import attributes
from dashboard.pages import (
    air,
    alerts,
    alerts_one,
    alerts_rules,
    bench,
    bench_finished,
    bench_kinds,
    bench_plan,
    bench_wait,
    clients,
    coming,
    past,
    past_climate,
    probes,
    probes_one,
    sign_in_page,
    wood,
    wood_instrument,
    wood_new,
)
from dashboard.queries import Shop
from dashboard.wait_book import WaitBook
from dashboard.wood_book import WoodBook
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from monitor.settings import Settings

PAGES = (
    ("/", "Air"),
    ("/bench", "Bench"),
    ("/wood", "Wood"),
    ("/coming", "Coming"),
    ("/alerts", "Alerts"),
    ("/past", "Past"),
    ("/clients", "Clients"),
    ("/probes", "Probes"),
)
THEMES = {"auto": "As the screen", "day": "Day", "night": "Night", "contrast": "Contrast"}
DEMO = "DEMO: all is invented"

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
<script src="/assets/first_theme.js"></script>
{%css%}
</head>
<body>
<div id="lost" role="alert" hidden></div>
<noscript>The board needs JavaScript, which is switched off in this browser.</noscript>
{%app_entry%}
<footer>
{%config%}
{%scripts%}
{%renderer%}
</footer>
</body>
</html>
"""


def create_app(settings: Settings) -> dash.Dash:
    """Make the board for these settings. It reads the store when a page is asked for."""
    shop = Shop(settings)
    dash.page_registry.clear()  # Dash keeps it for the whole process
    app = dash.Dash(
        "dashboard",
        use_pages=True,
        pages_folder="",
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_ignore="^first_.*",
        include_pages_meta=False,
        serve_locally=True,
        compress=True,
        update_title=None,  # type: ignore[arg-type] # None is meant: leave the title be
        suppress_callback_exceptions=True,
        title=settings.shop.name or "Benchweather",
        index_string=INDEX,
    )
    guard.protect(app, settings.board)
    sign_in.register(app, settings)
    kept = KeptJournal(shop)
    coming_book = ComingBook(shop)
    book, woods = WaitBook(shop, kept), WoodBook(shop, kept, coming_book)
    alert_book = AlertBook(shop, kept, book, woods)
    air.register(app, shop, book, alert_book, coming_book)
    coming.register(app, shop, coming_book, woods)
    for page in (past, past_climate, probes, probes_one, sign_in_page):
        page.register(app, shop)
    for page in (bench_plan, bench_kinds, bench_finished):
        page.register(app, shop, book)
    for page in (bench, bench_wait):
        page.register(app, shop, book, woods)
    for wood_page in (wood, wood_new, wood_instrument):  # the last takes any other address
        wood_page.register(app, shop, woods)
    for alert_page in (alerts, alerts_rules, alerts_one):
        alert_page.register(app, shop, alert_book)
    clients.register(app, shop, kept)
    desk_calls.register(app, shop, desk_calls.readings(shop, book, woods, alert_book))
    calendar_feed.register(app, shop, book)
    app.layout = lambda: shell(shop)
    _register_shell(app, shop)
    _register_here(app, shop, secrets.token_hex(8))
    return app


def _register_shell(app: dash.Dash, shop: Shop) -> None:
    app.clientside_callback(
        ClientsideFunction("board", "chosen"),
        Output("theme-choice", "value"),
        Input("started", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("board", "screen"),
        Output("screen", "data"),
        Input("theme-choice", "value"),
    )

    @app.callback(
        Output("troubles", "children"), Input("token", "data"), prevent_initial_call=True
    )
    def refresh(_token: str) -> list[Component]:
        return banner(shop)


def _register_here(app: dash.Dash, shop: Shop, start_id: str) -> None:
    """`/here`: asked by each open page every second; whether it is still the same board, what time
    it has, and the token that changes with the store."""
    zone = shop.settings.zone.key

    def here() -> flask.Response:
        token = shop.change_token()
        return flask.jsonify(start=start_id, now_ms=now_ms(), token=token, zone=zone)

    app.server.add_url_rule("/here", "here", here)


def shell(shop: Shop) -> Component:
    """What every page stands in."""
    settings = shop.settings
    name = settings.shop.name or "Benchweather"
    now = formats.local(now_ms(), settings.zone)
    return html.Div(
        [
            html.Header(
                [
                    html.Span(name, className="shop"),
                    html.Nav(
                        [dcc.Link(_entry(path, word), href=path) for path, word in PAGES],
                        **attributes(aria_label="Pages"),
                    ),
                    html.Strong(DEMO, className="demo") if settings.demo else None,
                    html.Fieldset(
                        [
                            html.Legend("Light", className="unseen"),
                            dcc.RadioItems(
                                id="theme-choice",
                                options=[{"label": w, "value": v} for v, w in THEMES.items()],
                                inline=True,
                            ),
                        ],
                        className="theme",
                    ),
                    html.Time(f"{formats.day(now.date())} {now:%H:%M}", className="clock"),
                ],
                className="top",
            ),
            html.Div(banner(shop), id="troubles", role="status"),
            dash.page_container,
            dcc.Store(id="started", data=0),
            dcc.Store(id="screen"),
            dcc.Store(id="token", data=""),
        ],
        className="board",
    )


def _entry(path: str, word: str) -> list[Component | str]:
    """A page in the menu; beside Alerts stands how many are open."""
    if path != "/alerts":
        return [word]
    return [word, html.Span(id="alerts-open", className="count-of")]


def banner(shop: Shop) -> list[Component]:
    """The troubles of the service and the store, loud, each with what to do."""
    state = shop.service_state()
    fault: StoreFault | None = None
    try:
        with shop.reader() as reader:
            reader.tallies()
    except StoreFault as exc:
        fault = exc
    found = words.troubles(state, fault, now_ms(), shop.settings.zone)
    return [
        html.P(
            [html.Strong(t.sentence), " ", html.Span(t.remedy)], **attributes(data_trouble=t.kind)
        )
        for t in found
    ]
