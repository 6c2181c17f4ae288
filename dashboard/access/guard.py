"""Guard of every answer: its headers, who may send requests, and who may change anything."""

from __future__ import annotations

import ipaddress
import secrets
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import flask
from dash.exceptions import DashException
from werkzeug.exceptions import HTTPException

from dashboard.access import callback_request
from monitor.settings.addresses import LOOPBACK

if TYPE_CHECKING:
    from dash import Dash

    from monitor.settings.network_groups import Board

REQUEST_MAX = 1_000_000
"""Largest request taken. [bytes]"""
WILDCARDS = ("0.0.0.0", "::", "")  # noqa: S104 - compared with, not bound to
SAFE = ("GET", "HEAD", "OPTIONS")
UPDATE_PATH = "/_dash-update-component"
MALFORMED = "The request is malformed."
SENTENCES = {
    400: MALFORMED,
    404: "There is nothing here.",
    405: "This cannot be done here.",
    413: "The request is too large.",
    416: "The file has no such part.",
    500: "The board failed to answer. The log has the reason.",
}
KEPT = "max-age=31536000, immutable"
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
        flask.g.nonce = secrets.token_urlsafe(16)
        if allowed(flask.request.host, board):
            if flask.request.method in SAFE or same_origin(flask.request):
                return None if _is_sound(app, flask.request) else _refusal(400, MALFORMED)
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
        return _refusal(404, SENTENCES[404])

    @server.errorhandler(HTTPException)
    def _failed(error: HTTPException) -> flask.Response | HTTPException:
        code = error.code or 500
        if code < 400:
            return error
        answer = _refusal(code, SENTENCES.get(code, f"{error.name}."))
        for name, value in error.get_headers():
            if name in ("Allow", "Content-Range"):
                answer.headers[name] = value
        return answer

    @server.after_request
    def _add_headers(response: flask.Response) -> flask.Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        page = response.mimetype == "text/html"
        response.headers.setdefault(
            "Content-Security-Policy", policy(app, flask.g.nonce) if page else "default-src 'none'"
        )
        if flask.request.is_secure:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        if page or response.mimetype == "application/json":
            response.headers["Cache-Control"] = "no-store"
        asked = flask.request
        if response.status_code == 200 and asked.path.startswith("/assets/") and "m" in asked.args:
            response.headers["Cache-Control"] = KEPT  # a changed file has another address
        response.headers.setdefault("Cache-Control", "no-store")  # files and refusals
        return response


def _refusal(code: int, text: str) -> flask.Response:
    return flask.Response(text + "\n", code, mimetype="text/plain")


def _is_sound(app: Dash, request: flask.Request) -> bool:
    """True if a request can be read, and one for an update has the shape that our pages give it."""
    try:
        texts = (request.path, *request.args, *request.args.values())
    except UnicodeDecodeError:
        return False
    if any("\0" in text or "\ufffd" in text for text in texts):
        return False
    if request.method != "POST" or not (request.is_json or request.path == UPDATE_PATH):
        return True
    try:
        body = request.get_json(silent=True)
    except RecursionError:
        return False
    if request.path == UPDATE_PATH:
        return callback_request.is_sound(app, body)
    return callback_request.is_shallow(body)


def policy(app: Dash, nonce: str) -> str:
    """The content security policy of a page; asked late, as Dash adds scripts at a request.

    The nonce is for the style blocks that the bundles of Dash and of the plots put into the page;
    `first_theme.js` gives it to them.
    """
    scripts = " ".join(app.csp_hashes())  # already quoted
    return (
        f"default-src 'self'; script-src 'self' {scripts}; style-src 'self' 'nonce-{nonce}'; "
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
        try:
            return urlsplit(origin).netloc.lower() == request.host.lower()
        except ValueError:
            return False
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
