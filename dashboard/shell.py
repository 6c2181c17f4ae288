"""The frame around every page: menu, theme, clock, and what is wrong with service or store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import dash
from dash import ClientsideFunction, Input, Output, dcc, html

from dashboard.access.visitor import may
from dashboard.ui import formats, sentences
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault
from monitor.core.steady_clock import ClockJump, JumpState
from monitor.people.roles import Role
from monitor.settings import open_to_network

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.records import ServiceState
    from dashboard.data.shop import ShopData

PAGES = (
    ("/", "Air"),
    ("/bench", "Bench"),
    ("/wood", "Wood"),
    ("/coming", "Coming"),
    ("/alerts", "Alerts"),
    ("/past", "Past"),
    ("/clients", "Clients"),
    ("/sensors", "Sensors"),
    ("/help", "Help"),
)
THEMES = {"auto": "This device", "day": "Day", "night": "Night", "contrast": "Contrast"}
YEAR_MS = 365.25 * 86_400_000
DEMO = "DEMO: all data is invented"


def register(app: dash.Dash, shop: ShopData) -> None:
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


def shell(shop: ShopData) -> Component:
    """Frame around every page."""
    settings = shop.settings
    name = settings.shop.name or "Benchweather"
    now = formats.local(now_ms(), settings.zone)
    return html.Div(
        [
            html.A("Skip the menu", href="#_pages_content", className="skip"),
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
            html.Div(
                banner(shop) if may(Role.VIEWER).allowed else [], id="troubles", role="status"
            ),
            dash.page_container,
            dcc.Store(id="started", data=0),
            dcc.Store(id="screen"),
            dcc.Store(id="token", data=""),
        ],
        className="board",
    )


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
    found += [
        sentences.Trouble("network", warning, "")
        for warning in map(sentences.full_stop, open_to_network(shop.settings.board))
    ]
    return [
        html.P(
            [html.Strong(t.sentence), " ", html.Span(t.remedy)], **attributes(data_trouble=t.kind)
        )
        for t in found
    ]


def troubles(
    state: ServiceState, fault: StoreFault | None, now_ms: int, zone: ZoneInfo
) -> list[sentences.Trouble]:
    """Troubles of the service, the worst first."""
    found = []
    if fault is not None:
        found.append(sentences.store_trouble(fault))
    if state.beat_ms is None:
        found.append(
            sentences.Trouble(
                "service",
                "The service has not run here yet. Nothing is being recorded.",
                "Start Benchweather on the shop's computer.",
            )
        )
    elif state.gone:
        found.append(
            sentences.Trouble(
                "service",
                f"The service stopped at {formats.when(state.beat_ms, now_ms, zone)}: "
                "nothing is being recorded.",
                (
                    "Start Benchweather again on the shop's computer. Sensors that keep their "
                    "readings will then send them."
                ),
            )
        )
    if not state.gone and state.store_trouble:
        found.append(
            sentences.Trouble(
                "store",
                f"Readings cannot be stored: {sentences.full_stop(state.store_trouble)}",
                (
                    "Free space on the disk, or make the data folder writable. Until then the "
                    "broker keeps new readings."
                ),
            )
        )
    if not state.gone and state.broker_trouble:
        found.append(
            sentences.Trouble(
                "broker",
                f"No connection to the broker{f' at {state.broker}' if state.broker else ''}: "
                f"{sentences.full_stop(state.broker_trouble)}",
                "Check that the broker runs, its address, and the user name and password.",
            )
        )
    if not state.gone and state.clock is not None:
        found.append(clock_trouble(state.clock, now_ms, zone))
    if not state.gone and state.round_trouble and not state.store_trouble:
        found.append(
            sentences.Trouble(
                "round",
                (
                    "Alerts and ready times have stopped: "
                    f"{sentences.full_stop(state.round_trouble)}"
                ),
                "Undo your last change to rules or settings. The log has the details.",
            )
        )
    return found


def clock_trouble(jump: ClockJump, now_ms: int, zone: ZoneInfo) -> sentences.Trouble:
    """A jump of the machine's clock, in words."""
    years = abs(jump.by_ms) / YEAR_MS
    by = f"{years:.0f} years" if years >= 2 else formats.duration(abs(jump.by_ms))
    at = formats.when(jump.at_ms, now_ms, zone)
    way = f"jumped ahead by {by}" if jump.by_ms > 0 else f"was set back by {by}"
    said = f"The clock of the shop's computer {way} at {at}"
    match jump.state:
        case JumpState.DOUBTED if jump.by_ms > 0:
            return sentences.Trouble(
                "clock",
                f"{said}. New readings without a right time of their own are kept aside.",
                "Set the clock and turn on network time. If the clock is right now, take the "
                "readings in as dated on Sensors, or restart Benchweather.",
            )
        case JumpState.DOUBTED:
            return sentences.Trouble(
                "clock",
                f"{said}. Times and ages may be wrong.",
                "Set the clock and turn on network time. If the clock is right now, restart "
                "Benchweather.",
            )
        case JumpState.UNDONE:
            ended = "It is right again."
        case JumpState.CONFIRMED:
            ended = "The new time is confirmed."
    return sentences.Trouble(
        "clock",
        f"{said}. {ended}",
        "Look on Sensors for readings that were kept aside. Void readings with a wrong time.",
    )
