"""A test of a channel for notices from the board, and the terms of the weather services."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import dash
from dash import ALL, Input, Output, html

from dashboard.access.visitor import record
from dashboard.ui.markup import attributes
from monitor.core.errors import MonitorError

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.settings import SettingsQueries

TAP, SAID = "channel-test", "channel-said"


def register(app: dash.Dash, book: SettingsQueries) -> None:
    """Hang the test into the app."""

    @app.callback(
        Output(SAID, "children"),
        Input({"type": TAP, "of": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def tapped(_clicks: list[int | None]) -> str:
        tap = dash.ctx.triggered_id
        if not isinstance(tap, dict) or not dash.ctx.triggered[0]["value"]:
            raise dash.exceptions.PreventUpdate
        return f"{tap.get('of')}: {result(book, str(tap.get('of')))}"


def test(channel: str) -> Component:
    """The tap that tests a channel."""
    return html.Button(
        "Send a test notice", id={"type": TAP, "of": channel}, className="tap", type="button"
    )


def said() -> Component:
    """The line where the result of a test appears."""
    return html.P(id=SAID, role="status", className="said", **attributes(aria_live="polite"))


def result(book: SettingsQueries, channel: str) -> str:
    """Result of a test notice through a channel as it is saved now."""
    from monitor.notifications.channel_test import new_id, send_test

    try:
        now = book.present()
        one = next((one for one in now.channels if one.id == channel), None)
        if one is None:
            return "This channel is not saved any more. Load the page again."
        took_s = send_test(one, now.shop.name, new_id())
    except MonitorError as exc:
        record("notice test", f"{channel}: not delivered")
        return f"Not delivered: {exc}. Correct the address and try again."
    record("notice test", channel)
    return f"Delivered in {took_s:.1f} s. Look at the phone or in the mailbox."


def terms() -> list[Component]:
    """The weather services with their licence lines, and where their terms are."""
    from monitor.weather.providers import READY

    return [
        html.Ul(
            [
                html.Li(f"{one.attribution}. Read its terms at {urlsplit(one.base).hostname}.")
                for one in READY.values()
            ]
        )
    ]
