"""Notices on this phone: the page that turns web push on for a browser, and its requests."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import dash
import flask
from dash import dcc, html

from dashboard.access.guard import host_name
from dashboard.access.visitor import may_change, record, visitor
from dashboard.alerts.view import ALERTS
from dashboard.server.replies import json_reply
from dashboard.ui import formats
from dashboard.ui.markup import attributes
from monitor.alerting.notifications import phones
from monitor.commands import link
from monitor.commands.ipc import ServiceUnavailable
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError, Rejected, StoreFault, StoreUnavailable
from monitor.people.homes import home_of
from monitor.settings.addresses import LOOPBACK

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.alerting.notifications.phones import PhoneBook

ADDRESS = "/alerts/phones"
WORKER = Path(__file__).parent.parent / "assets" / "push-worker.js"
FIELDS = ("do", "name", "endpoint", "key", "secret", "phone")
NEEDS_TLS = (
    "Browsers allow notices only on a page that came over HTTPS. Set a TLS certificate and its key "
    "under Settings, Network. Then open the board on the phone by its https address."
)


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the page, its requests and the service worker into the app."""
    dash.register_page(
        "alerts_phones",
        path=ADDRESS,
        name="Notices on this phone",
        title="Notices on this phone",
        order=1,  # before the page of any alert
        layout=lambda **_: layout(shop),
    )
    app.server.add_url_rule("/phone/do", "phone_do", lambda: answer(shop), methods=["POST"])
    app.server.add_url_rule("/push-worker.js", "push_worker", worker)


def worker() -> flask.Response:
    """The service worker; at the root, so that it serves every page."""
    icons = {"Content-Security-Policy": "default-src 'none'; img-src 'self'"}  # for its notices
    return flask.Response(
        WORKER.read_text(encoding="utf-8"), 200, icons, mimetype="text/javascript"
    )


def layout(shop: ShopData) -> Component:
    """The page as this request may see it."""
    may = may_change()
    parts: list[Component] = [html.H1("Notices on this phone")]
    if not may.allowed:
        return ALERTS.page(ADDRESS, [*parts, html.P(may.why)], "one")
    try:
        book = phones.read(home_of(shop.settings).files)
    except StoreFault as exc:
        return ALERTS.page(ADDRESS, [*parts, html.P(_sentence(str(exc)))], "one")
    parts.append(this_phone(shop, book))
    parts.append(html.Section([html.H2("Phones with notices"), *listed(book, shop)]))
    return ALERTS.page(ADDRESS, parts, "one")


def this_phone(shop: ShopData, book: PhoneBook) -> Component:
    """The switch for the browser that asks, or what is missing for it."""
    said = html.P(role="alert", **attributes(data_part="said"))
    if not is_secure(flask.request):
        manual = dcc.Link("Help: HTTPS", href="/help/network")
        return html.Section([html.P(NEEDS_TLS), html.P(manual), said], id="this-phone")
    try:
        key = str(link.ask(shop.settings, {"about": phones.ABOUT, "do": "key"})["key"])
    except MonitorError as exc:
        return html.Section([html.P(_sentence(str(exc))), said], id="this-phone")
    person = visitor().person
    usual = f"Phone of {person}" if person else "Phone"
    return html.Section(
        [
            html.P(
                "Alerts and the morning brief appear on this device, also while the board is closed. "
                "They travel encrypted through the push service of the browser's maker."
            ),
            html.P(role="status", className="lead", **attributes(data_part="state")),
            html.Div(
                [
                    html.Label("Name of this device", htmlFor="phone-name"),
                    dcc.Input(
                        id="phone-name",
                        type="text",
                        value=usual[: phones.NAME_MAX],
                        maxLength=phones.NAME_MAX,
                        autoComplete="off",
                    ),
                    html.Button(
                        "Turn notices on",
                        type="button",
                        className="tap main",
                        **attributes(data_push="on"),
                    ),
                ],
                className="field",
                hidden=True,
                **attributes(data_part="on"),
            ),
            html.Div(
                [
                    html.Button(
                        "Send a test notice",
                        type="button",
                        className="tap",
                        **attributes(data_push="test"),
                    ),
                    html.Button(
                        "Turn notices off",
                        type="button",
                        className="tap",
                        **attributes(data_push="off"),
                    ),
                ],
                className="taps",
                hidden=True,
                **attributes(data_part="off"),
            ),
            said,
        ],
        id="this-phone",
        **attributes(data_key=key, data_marks=" ".join(mark(one.endpoint) for one in book.phones)),
    )


def listed(book: PhoneBook, shop: ShopData) -> list[Component]:
    """The phones that get notices, and those that went."""
    now, zone = now_ms(), shop.settings.zone
    rows = [
        html.Li(
            [
                html.Span(
                    f"{one.name}, since {formats.when(one.added_ms, now, zone)}"
                    + (f", added by {one.by}" if one.by else "")
                ),
                html.Button(
                    ["Remove", html.Span(f" {one.name}", className="unseen")],
                    type="button",
                    className="tap",
                    **attributes(data_push="remove", data_phone=one.id),
                ),
            ],
            key=one.id,
        )
        for one in book.phones
    ]
    gone = [
        html.P(
            f"{one.name} was removed {formats.when(one.at_ms, now, zone)}: its push service no longer "
            "knows it. Turn notices on again on that device."
        )
        for one in reversed(book.gone)
    ]
    return [html.Ul(rows, className="phones") if rows else html.P("None."), *gone]


def answer(shop: ShopData) -> flask.Response:
    """Carry a request of this page out, which `access/permissions.py` has let through."""
    asked = flask.request.get_json(silent=True)
    if not isinstance(asked, dict):
        return json_reply(400, refused="This is not a command.")
    fields = {name: asked[name] for name in FIELDS if name in asked}
    if fields.get("do") == "add":
        fields["by"] = visitor().person
    try:
        done = link.ask(shop.settings, {"about": phones.ABOUT, **fields})
    except Rejected as exc:
        return json_reply(409, refused=_sentence(str(exc)))
    except (ServiceUnavailable, StoreUnavailable) as exc:
        return json_reply(503, later=_sentence(str(exc)))
    record("phone", str(fields.get("do")))
    return json_reply(200, done=dict(done))


def mark(endpoint: str) -> str:
    """Mark by which a browser finds itself in the list, without the list showing addresses."""
    return hashlib.sha256(endpoint.encode()).digest()[:8].hex()


def is_secure(request: flask.Request) -> bool:
    """Return whether the browser holds the page for secure: by HTTPS, or from this machine."""
    return bool(request.is_secure) or host_name(request.host) in LOOPBACK


def _sentence(text: str) -> str:
    text = text.rstrip(". ")
    return f"{formats.first_upper(text)}."
