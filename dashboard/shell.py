"""The frame around every page: menu, theme, clock, and what is wrong with service or store."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import dash
import flask
from dash import ClientsideFunction, Input, Output, dcc, html

from dashboard.access.visitor import PEOPLE_AWAY, access, may
from dashboard.ui import formats, sentences
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault
from monitor.people.roles import Role
from monitor.runtime import service_troubles
from monitor.settings.checks import open_without_password

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.records import ServiceState
    from dashboard.data.shop import ShopData
    from monitor.runtime.service_troubles import Trouble
    from monitor.settings import Settings

PAGES = (
    ("/", "Air"),
    ("/bench", "Bench"),
    ("/wood", "Wood"),
    ("/coming", "Coming"),
    ("/plan", "Plan"),
    ("/alerts", "Alerts"),
    ("/past", "Past"),
    ("/clients", "Clients"),
    ("/sensors", "Sensors"),
    ("/settings", "Settings"),
    ("/help", "Help"),
)
SHOPS = ("/shops", "Shops")
THEMES = {"auto": "This device", "day": "Day", "night": "Night", "contrast": "Contrast"}
DEMO = "DEMO: all data is invented"


def register(app: dash.Dash, shop: ShopData) -> None:
    app.server.add_url_rule("/manifest.webmanifest", "manifest", lambda: manifest(shop))
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


def manifest(shop: ShopData) -> flask.Response:
    """The web manifest, by which a browser installs the board as an application."""
    icons = [
        {
            "src": f"/assets/icons/icon-{size}{'-maskable' * (purpose == 'maskable')}.png",
            "sizes": f"{size}x{size}",
            "type": "image/png",
            "purpose": purpose,
        }
        for size, purpose in ((192, "any"), (512, "any"), (512, "maskable"))
    ]
    fields = {
        "id": "/",
        "name": shop.settings.shop.name or "Benchweather",
        "short_name": "Benchweather",
        "description": "The air of the shop, what is in clamps, and what is coming",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#f5f0e4",
        "theme_color": "#f5f0e4",
        "icons": icons,
    }
    return flask.Response(json.dumps(fields), mimetype="application/manifest+json")


def shell(shop: ShopData) -> Component:
    """Frame around every page."""
    settings = shop.settings
    name = settings.shop.name or "Benchweather"
    now = formats.local(now_ms(), settings.zone)
    return html.Div(
        [
            html.A("Skip the menu", href="#_pages_content", className="skip", id="skip-menu"),
            html.Header(
                [
                    html.Span(name, className="shop"),
                    html.Nav(
                        [
                            dcc.Link(_entry(path, word), href=path)
                            for path, word in pages(settings)
                        ],
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
            html.Div(
                banner(shop) if may(Role.VIEWER).allowed else [], id="troubles", role="status"
            ),
            dash.page_container,
            dcc.Store(id="started", data=0),
            dcc.Store(id="screen"),
            dcc.Store(id="token", data=""),
        ],
        className="board",
        **attributes(data_drawn=shop.change_token() if may(Role.VIEWER).allowed else ""),
    )


def pages(settings: Settings) -> tuple[tuple[str, str], ...]:
    """Pages of the menu; Shops for who has several."""
    return ((SHOPS,) if settings.shops else ()) + PAGES


def _entry(path: str, word: str) -> list[Component | str]:
    """Entry of a page in the menu; Alerts has the number of open ones beside it."""
    if path != "/alerts":
        return [word]
    return [word, html.Span(id="alerts-open", className="count-of")]


def banner(shop: ShopData) -> list[Component]:
    """The troubles of the service and the store, loud, each with what to do."""
    state = shop.service_state()
    fault: StoreFault | None = None
    try:
        with shop.reader() as reader:
            reader.tallies()
    except StoreFault as exc:
        fault = exc
    found = troubles(state, fault, now_ms(), shop.settings.zone)
    try:
        people = bool(access().store.people())
    except StoreFault as exc:
        found.append(sentences.Trouble("people", PEOPLE_AWAY, sentences.full_stop(str(exc))))
    else:
        found += [
            sentences.Trouble("network", sentences.full_stop(warning), "")
            for warning in open_without_password(shop.settings.board, people=people)
        ]
    return [
        html.P(
            [html.Strong(t.sentence), " ", html.Span(t.remedy)], **attributes(data_trouble=t.kind)
        )
        for t in found
    ]


def troubles(
    state: ServiceState, fault: StoreFault | None, now_ms: int, zone: ZoneInfo
) -> list[Trouble]:
    """Troubles of the store as it is read here, and of the service."""
    fault = fault or state.fault
    found = [] if fault is None else [sentences.store_trouble(fault)]
    if state.fault is not None:
        return found
    return [*found, *service_troubles.troubles(state.beat, now_ms, zone, gone=state.gone)]
