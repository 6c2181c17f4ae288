"""Signing in from another device of the shop."""

from __future__ import annotations

from typing import TYPE_CHECKING

import dash
import flask
from dash import dcc, html

from dashboard.access import sign_in

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the page into the app."""
    del app
    dash.register_page(
        "sign_in",
        path="/sign-in",
        title="Sign in",
        layout=lambda **query: layout(shop, query.get("said", ""), query.get("s", "")),
    )


def layout(shop: ShopData, code: str, seconds: str) -> Component:
    """The one field, or why it is not there."""
    may = sign_in.writing(flask.request, shop.settings)
    parts: list[Component] = [html.H1("Sign in")]
    if may.allowed:
        text = "This device may change things on the board."
        parts += [
            html.P(text),
            html.P(dcc.Link("To the bench", href="/bench", className="tap main")),
        ]
        parts.append(
            html.Form(
                html.Button("Sign out", type="submit", className="tap"),
                action="/sign-out",
                method="POST",
            )
        )
    elif not may.sign_in:
        if text := fault(code, seconds):
            parts.append(html.P(text, role="alert", className="lead"))
        parts.append(html.P(may.why))
    else:
        if text := fault(code, seconds):
            parts.append(html.P(text, role="alert", className="lead"))
        parts += [
            html.P(
                "The password of the board is set in the settings on the shop's computer. On that "
                "computer, `benchweather board` prints a link that needs no password."
            ),
            html.Form(
                [
                    html.Div(
                        [
                            html.Label("Password", htmlFor="password"),
                            dcc.Input(
                                id="password",
                                name="password",
                                type="password",
                                autoComplete="current-password",
                            ),
                        ],
                        className="field",
                    ),
                    html.Button("Sign in", type="submit", className="tap main"),
                ],
                action="/sign-in",
                method="POST",
                className="fields",
            ),
            html.P(
                f"This device stays signed in for {sign_in.KEPT_DAYS} days.", className="aside"
            ),
        ]
    return html.Main(parts, className="sheet bench one", id="sign-in")


def fault(code: str, seconds: str) -> str:
    """Reason why signing in failed; empty if it did not."""
    if code == "ended":
        return (
            "This link is no longer good. Run `benchweather board` on the shop's computer for a "
            "new one."
        )
    if code == "wrong":
        return "Wrong password."
    if code == "wait" and seconds.isdigit():
        return f"Too many wrong passwords: wait {int(seconds) + 1} s, then try again."
    return ""


def read_only(may: sign_in.Writing) -> Component:
    """Notice shown instead of the taps where nothing may be changed."""
    link = dcc.Link("Sign in", href="/sign-in", className="tap main") if may.sign_in else None
    return html.Section([html.H2("Read only"), html.P(may.why), html.P(link)])
