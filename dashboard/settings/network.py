"""Switch that lets other devices in, and the address to open as text and as a QR code."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.visitor import access, record
from dashboard.ui.controls import action_button, draft_form, folded, tap_row, text_field
from dashboard.ui.markup import attributes
from dashboard.ui.setting_fields import setting_field
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError
from monitor.core.formats import DAY_MS
from monitor.core.own_address import own_address
from monitor.core.qr_code import qr_of
from monitor.people.access_store import has_people
from monitor.people.entries import EntryKind, checked_name
from monitor.people.roles import Role
from monitor.settings.addresses import LOOPBACK
from monitor.settings.checks import lacks_certificate
from monitor.settings.schema import is_given, member

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.ui.formats import Unit
    from monitor.settings import Settings

EVERY = "0.0.0.0"  # noqa: S104 - written into the settings after a password was set
WALL_DAYS = 3650
FORM = "let-in-form"
ADVICE = (
    "At least 12 characters: a few words that do not belong together. Anyone who knows the password "
    "can do everything. Write it down and keep it safe."
)
READABLE = (
    "Without a TLS certificate, others in the same network can read all that is sent, "
    "passwords too."
)


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the tap that makes the link of a wall screen into the app."""

    @app.callback(
        Output("wall-link", "children"),
        Input("wall-make", "n_clicks"),
        State("wall-name", "value"),
        prevent_initial_call=True,
    )
    def tapped(clicks: int | None, name: str | None) -> Any:
        if not clicks:
            raise dash.exceptions.PreventUpdate
        try:
            return wall_link(shop.settings, name or "wall screen")
        except MonitorError as exc:
            return html.P(f"{exc}")


def address_of(settings: Settings) -> str:
    """Address of the board for another device; empty if this computer is in no network."""
    board = settings.board
    host = board.host if board.host not in (EVERY, "::", *LOOPBACK) else own_address()
    if board.cert_file and board.names:  # what is in the certificate is a name
        host = board.names[0]
    if not host:
        return ""
    shown = f"[{host}]" if ":" in host else host
    return f"{'https' if board.cert_file else 'http'}://{shown}:{board.port}"


def let_in(shop: ShopData, now: Settings) -> list[Component]:
    """The switch, and what the phone and the wall screen have to open."""
    is_open = now.board.host not in LOOPBACK
    about = {"about": "settings", "version": now.version, "form": FORM, "then": "restart"}
    if not is_open:
        return [*_closed(now, about)]
    running = shop.settings.board.host not in LOOPBACK
    address = address_of(now)
    parts: list[Component] = [
        html.H2("Other devices can open the board"),
        html.Div(
            dcc.Input(type="hidden", name="board/host", value="127.0.0.1", id="let-in"), id=FORM
        ),
    ]
    if not address:
        parts.append(
            html.P("This computer is in no network. Connect it and load this page again.")
        )
    elif running:
        parts += [
            html.P(
                [
                    "On a phone in the same network, open ",
                    html.Strong(address, className="address"),
                    " or scan this code. Then sign in there.",
                ]
            ),
            qr(address, f"QR code of {address}"),
            *([html.P(READABLE)] if lacks_certificate(shop.settings.board) else []),
            html.H3("Wall screen"),
            html.P(
                "The link for a wall screen is read-only. It is shown once. To withdraw it, open the "
                "page People."
            ),
            html.Div(
                [
                    text_field(
                        "Name of the screen",
                        "wall-name",
                        "wall",
                        value="wall screen",
                        maxLength=60,
                    ),
                    html.Button("Make a link", id="wall-make", className="tap", type="button"),
                ],
                className="taps",
            ),
            html.Div(id="wall-link", role="status", **attributes(aria_live="polite")),
        ]
    off = action_button(
        "Let no other devices in",
        "change",
        sure="Close the board to all other devices?",
        said="Benchweather restarts. Then only this computer can open the board.",
        **about,
    )
    return [*parts, tap_row(off)]


def _closed(now: Settings, about: dict[str, str]) -> list[Component]:
    address = own_address()
    has_password = is_given(now.board.password) or has_people(access().store)
    fields: list[Component] = [
        dcc.Input(type="hidden", name="board/host", value=EVERY, id="let-in")
    ]
    if not has_password:
        fields.append(
            setting_field(
                "board/password",
                "A password for the shop",
                now.board.password,
                member("board", "password"),
                "C",
                help_text=ADVICE,
            )
        )
    tls = "" if now.board.cert_file else f" {READABLE}"
    who = "To see or change anything from there, a person must sign in."
    if now.board.readers == "anyone":
        who = "Anyone in that network can then read it. To change anything, a person must sign in."
    draft = attributes(data_draft=f"let-in-{now.version[:8]}")
    return [
        html.H2("Only this computer can open the board"),
        html.P(
            "If you let other devices in, a phone or a wall screen in the same network can open the "
            f"board{f' at {address}' if address else ''}. {who}{tls}"
        ),
        html.Div(fields, id=FORM, className="fields", **draft),
        tap_row(
            action_button(
                "Let other devices in",
                "change",
                name="tap main",
                said="Benchweather restarts. Then other devices can open the board.",
                **about,
            )
        ),
    ]


def password(now: Settings, unit: Unit) -> Component | None:
    """Fields to change or remove the shop's password, if there is one."""
    if not is_given(now.board.password):
        return None
    about = {"about": "settings", "version": now.version, "then": "restart"}
    return folded(
        "The shop's password",
        draft_form(
            setting_field(
                "board/password",
                "A new password",
                now.board.password,
                member("board", "password"),
                unit,
                help_text=ADVICE,
            ),
            "password-form",
            "password",
        ),
        tap_row(
            [
                action_button("Change the password", "change", form="password-form", **about),
                action_button(
                    "Remove the password",
                    "change",
                    remove="board/password",
                    sure="Remove the shop's password?",
                    **about,
                ),
            ]
        ),
    )


def qr(text: str, words: str) -> Component:
    """A QR code as a picture."""
    code = base64.b64encode(qr_of(text).encode()).decode()
    return html.Img(src=f"data:image/svg+xml;base64,{code}", alt=words, className="qr")


def wall_link(settings: Settings, name: str) -> list[Component]:
    """Make the read-only link of a wall screen."""
    name = checked_name(name)
    token, _ = access().store.issue(
        EntryKind.WALL, Role.VIEWER, now_ms(), WALL_DAYS * DAY_MS, name=name
    )
    record("token made", f"{name} ({EntryKind.WALL}), {Role.VIEWER}")
    link = f"{address_of(settings)}/open/{token}"
    return [
        html.P(["Open this on the wall screen: ", html.Strong(link, className="address")]),
        qr(link, f"QR code of the link for {name}"),
    ]
