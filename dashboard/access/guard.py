"""Guard of every answer: its headers, who may send requests, and who may change anything."""

from __future__ import annotations

import ipaddress
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import flask
from dash.exceptions import DashException

from monitor.settings import LOOPBACK

if TYPE_CHECKING:
    from dash import Dash

    from monitor.settings import Board

REQUEST_MAX = 1_000_000
"""Largest request taken. [bytes]"""
WILDCARDS = ("0.0.0.0", "::", "")  # noqa: S104 - compared with, not bound to
SAFE = ("GET", "HEAD", "OPTIONS")
UPDATE_PATH = "/_dash-update-component"
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # none at all would hide from us where a form came from
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}


def protect(app: Dash, board: Board) -> None:
    """Check the Host header of every request and put headers on every answer."""
    server = app.server
    server.config["MAX_CONTENT_LENGTH"] = REQUEST_MAX

    @server.before_request
    def _check() -> flask.Response | None:
        if allowed(flask.request.host, board):
            if flask.request.method in SAFE or same_origin(flask.request):
                return None if _sound(app, flask.request) else _refusal(400, "Not understood.")
            return flask.Response(
                "This request did not come from the board itself.\n", 403, mimetype="text/plain"
            )
        return flask.Response(
            "The board is not served under this name. Open it by its address, or add the name to "
            "board.names in the settings.\n",
            403,
            mimetype="text/plain",
        )

    @server.errorhandler(DashException)
    def _not_ours(_: DashException) -> flask.Response:
        return _refusal(404, "There is nothing here.")

    @server.after_request
    def _add_headers(response: flask.Response) -> flask.Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        page = response.mimetype == "text/html"
        response.headers["Content-Security-Policy"] = policy(app) if page else "default-src 'none'"
        if flask.request.is_secure:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        if page or response.mimetype == "application/json":
            response.headers["Cache-Control"] = "no-store"
        return response


def _refusal(code: int, text: str) -> flask.Response:
    return flask.Response(text + "\n", code, mimetype="text/plain")


def _sound(app: Dash, request: flask.Request) -> bool:
    """True if a request for an update has the shape that a page of ours gives it."""
    if request.method != "POST" or request.path != UPDATE_PATH:
        return True
    try:
        body = request.get_json(silent=True)
    except RecursionError:
        return False
    if not isinstance(body, dict) or not isinstance(body.get("output"), str):
        return False
    given = body.get("inputs")
    return (
        isinstance(given, list)
        and all(_is_input(item) for item in given)
        and isinstance(body.get("outputs"), dict | list)
        and isinstance(body.get("changedPropIds"), list)
        and isinstance(body.get("state", []), list)
        and body["output"] in app.callback_map
    )


def _is_input(item: object) -> bool:
    """True if this is a value of a component, or a list of such values."""
    many = item if isinstance(item, list) else [item]
    return all(isinstance(one, dict) for one in many)


def policy(app: Dash) -> str:
    """The content security policy of a page; asked late, as Dash adds scripts at a request."""
    scripts = " ".join(app.csp_hashes())  # already quoted
    return (
        f"default-src 'self'; script-src 'self' {scripts}; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; "
        "worker-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )


def allowed(host: str, board: Board) -> bool:
    """True if a Host header names this board.

    Loopback names, the address the board listens on, and `board.names`. A board that listens on
    every address is also reached by any bare address: a page elsewhere that has a name of its
    own point here cannot send one.
    """
    name = host_name(host)
    if name in {*LOOPBACK, board.host.lower(), *(n.lower() for n in board.names)}:
        return True
    return board.host in WILDCARDS and _is_address(name)


def same_origin(request: flask.Request, *, needed: bool = False) -> bool:
    """True if a request came from a page of the board, by the headers that the browser sends.

    `needed`: a request of which nothing tells is none.
    """
    site, origin = request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin")
    if site is not None and site != "same-origin":
        return False
    if origin is not None:
        return urlsplit(origin).netloc.lower() == request.host.lower()
    return site is not None or not needed


def host_name(host: str) -> str:
    """The name or address in a Host header, without port, brackets and final dot."""
    host = host.strip().lower()
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0].removesuffix(".")


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
