"""Role that each page, address, callback and command of the board needs. The one place that checks.

What is not in these tables is the owner's alone; a test fails until it is in one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import dash
import flask
from dash import html
from werkzeug.test import EnvironBuilder

from dashboard.access import guard
from dashboard.access.page import read_only
from dashboard.access.visitor import bearer, may, record, visitor
from monitor.commands import REQUESTS
from monitor.commands.alerts import PutAwayCaution
from monitor.domain.events import About
from monitor.people.roles import Role

if TYPE_CHECKING:
    from collections.abc import Callable

    from dash import Dash
    from dash.development.base_component import Component

ANYONE = None
"""Need of what every stranger may have."""
Need = Role | None

PAST_VIEWS = ("compare", "calendar", "psychrometric", "emc", "climate")
"""Views of Past beside its history."""
ENDPOINTS: dict[str, Need] = {
    # The empty frame of the board; what it shows comes by pages and callbacks.
    "static": ANYONE,
    "_dash_assets.static": ANYONE,
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": ANYONE,
    "/_dash-layout": ANYONE,
    "/_dash-dependencies": ANYONE,
    "/_dash-update-component": ANYONE,  # each callback has a need of its own
    "/_reload-hash": ANYONE,
    "/_favicon.ico": ANYONE,
    "/": ANYONE,
    "/<path:path>": ANYONE,
    "old_sensors": ANYONE,
    "old_sensor": ANYONE,
    "manifest": ANYONE,  # the shop's name stands in the title of every page
    "push_worker": ANYONE,
    "here": ANYONE,  # without the token of changes for who may not look
    "health": ANYONE,  # sentences for this computer and people of the shop only
    "metrics": ANYONE,  # this computer; others by `board.metrics`, with a token
    # Ways in and out, each with a secret of its own.
    "open_here": ANYONE,
    "sign_in_now": ANYONE,
    "sign_out_now": ANYONE,
    "password_now": ANYONE,
    "calendar": ANYONE,
    "plan_calendar": ANYONE,
    # What may be looked at, and done.
    "wall": Role.VIEWER,
    "wall_content": Role.VIEWER,
    "past_csv": Role.VIEWER,
    "climate_csv": Role.VIEWER,
    "calendar_csv": Role.VIEWER,
    "past_picture": Role.VIEWER,  # a drawing of what the visitor sees becomes a page; nothing is kept
    "clients_file": Role.BENCH,
    "phone_do": Role.BENCH,
    "settings_file": Role.OWNER,
    "bench_do": Role.BENCH,  # each command has a need of its own
}
PAGES: dict[str, Need] = {
    "sign_in": ANYONE,
    **dict.fromkeys(
        (
            "air",
            "coming",
            "past",
            *(f"past_{view}" for view in PAST_VIEWS),
            "sensors",
            "sensors_one",
            "sensors_read",
            "bench",
            "bench_finished",
            "bench_glue",
            "bench_glue_now",
            "bench_glues",
            "bench_kind",
            "bench_kinds",
            "bench_plan",
            "bench_proof",
            "bench_proofs",
            "bench_wait",
            "wood",
            "wood_left",
            "wood_new",
            "wood_instrument",
            "plan",
            "plan_if",
            "plan_one",
            "plan_stock",
            "alerts",
            "alerts_one",
            "alerts_phones",
            "alerts_rule",
            "alerts_rules",
            "help",
            "help_subject",
        ),
        Role.VIEWER,
    ),
    "people": Role.OWNER,
    "shops": Role.OWNER,
    "guide": Role.VIEWER,  # it says itself what the owner may do
    "settings": Role.OWNER,
    "settings_section": Role.OWNER,
    "clients": Role.BENCH,  # it is about people
}
CALLBACKS: dict[str, Need] = {
    "_pages_content.children": ANYONE,  # each page has a need of its own
    **dict.fromkeys(
        (
            "air.children",
            "coming-head.children",
            "coming-plot.figure",
            *(f"{view}-plot.figure" for view in ("past", *PAST_VIEWS)),
            *(f"{view}-picture.data" for view in ("past", *PAST_VIEWS)),
            "sensors.children",
            "sensor-now.children",
            "sensor-plot.figure",
            "plan-if.data",
            "plan.children",
            "finished.children",
            "bench-next.children",
            "bench-kinds.children",
            "wait-now.children",
            "wait-why.children",
            "glues.children",
            "glue-now.children",
            "proof-plot.figure",
            "may.children",
            "bench-glue.children",
            "wood-live.children",
            "instrument-now.children",
            "repairs-now.children",
            "repairs-plot.figure",
            "repairs-if-said.children",
            "repair-now.children",
            "stay-plot.figure",
            "alerts-now.children",
            "alerts-open.children",
            "alert-now.children",
            "help-found.children",
            "troubles.children",
        ),
        Role.VIEWER,
    ),
    "people-said.children": Role.OWNER,
    "guide-steps.children": Role.OWNER,
    "shops.children": Role.OWNER,
    "channel-said.children": Role.OWNER,
    "wall-link.children": Role.OWNER,
    "client-live.children": Role.BENCH,
    "client-home-air.children": Role.BENCH,
    "client-tightness.value": Role.BENCH,
    "client-temp-1.value": Role.BENCH,
    "client-file.data": Role.BENCH,
    "record-file.data": Role.BENCH,
    "client-months.hidden": Role.BENCH,
    "client-case.value": Role.BENCH,
    "past-sheets.children": Role.BENCH,
}
"""Needs of callbacks by their first output."""
UPLOADS = {"/clients/file/": Role.BENCH, "/settings/file/": Role.OWNER}
"""Needs of the addresses that take a file, by their start."""
OWNERS_TAPS = ("client-erase",)
"""Buttons of the owner in callbacks that the bench may call as well."""
OWNERS_COMMANDS: Mapping[str, frozenset[str]] = {
    About.KIND: frozenset(("kind", "retire", "restore")),
    About.RULE: frozenset(("rule", "reset")),
    About.TEMPLATE: frozenset(("set", "retire", "restore")),
    About.SENSOR: frozenset(
        ("void", "inherit", "void-readings", "restore-readings", "rename", "undo-rename")
    ),
    About.ASIDE: frozenset(("take", "dismiss")),
    About.NEWCOMER: frozenset(("admit", "refuse")),
    About.CLOCK: frozenset(("confirm",)),
    About.SETTINGS: frozenset(("change", "undo", "restart")),
    About.GUIDE: frozenset(("skip", "resume")),
    About.CHANNEL: frozenset(("test",)),
    About.LISTENING: frozenset(("start",)),
}
"""Commands of the owner: settings, rules and wait types, and what takes readings out or puts them in."""
BENCH_COMMANDS: Mapping[str, frozenset[str]] = {
    About.WAIT: frozenset(
        ("open", "pause", "resume", "move", "release", "load", "reopen", "correct", "feel")
    ),
    About.INSTRUMENT: frozenset(("register", "open", "close", "move", "amend", "leave", "record")),
    About.ALERT: frozenset(("acknowledge", "snooze", "note")),
    About.RESERVOIR: frozenset(("filled",)),
    About.HUMIDIFIER: frozenset(("there", "none")),
    About.CLOSING: frozenset(("closed", "open")),
    About.CAUTION: frozenset((str(PutAwayCaution.__struct_config__.tag),)),
    About.SENSOR: frozenset(("move", "seal", "take", "compare", "back", "fit", "abandon", "note")),
    About.GLUE: frozenset(("mix", "pot on", "pot off", "correct", "discard", "restore")),
    About.PROOF: frozenset(("start", "add", "correct", "finish", "withdraw")),
    About.REPAIR: frozenset(
        (
            "take in",
            "correct",
            "add",
            "add template",
            "change",
            "start",
            "finish",
            "reopen",
            "move",
            "remove",
            "consent",
            "promise",
            "hand out",
        )
    ),
    About.STOCK: frozenset(("set", "remove")),
    About.READING: frozenset(("read", "withdraw")),
}
"""Commands of the bench."""


def enforce(app: Dash) -> None:
    """Check the role of every request to the app's server, and of every page.

    Called when all parts of the board are in place.
    """
    for page in dash.page_registry.values():
        need = PAGES.get(page["module"], Role.OWNER)
        page["layout"] = _gated(page["layout"], page["title"], need)
    app.server.before_request(_check)


def _bench(about: str) -> frozenset[str]:
    return BENCH_COMMANDS.get(about, frozenset())


def first_output(output: str) -> str:
    """The first output of a callback, without the mark of a shared one."""
    return output.strip(".").partition("...")[0].partition("@")[0]


def need_of(request: flask.Request) -> Need:
    """The role that a request needs; the owner's if it is in no table."""
    need = ENDPOINTS.get(request.endpoint or "", Role.OWNER) if request.endpoint else ANYONE
    if request.path == guard.UPDATE_PATH and request.method == "POST":
        body = request.get_json(silent=True)
        if not isinstance(body, dict) or any(
            mark in str(body.get("changedPropIds")) for mark in OWNERS_TAPS
        ):
            return Role.OWNER
        return CALLBACKS.get(first_output(str(body.get("output"))), Role.OWNER)
    if request.endpoint == "bench_do":
        body = request.get_json(silent=True)
        return command_need(body) if isinstance(body, dict) else Role.BENCH
    return need


def command_need(command: Mapping[str, Any]) -> Role:
    """The role that a command needs; the bench's if there is no such command."""
    do = command.get("do")
    do = do if isinstance(do, str) else ""
    about = command.get("about", About.KIND if do in REQUESTS[About.KIND] else About.WAIT)
    if about == About.GUIDE:  # a form of the guide becomes a change of the settings
        return Role.OWNER
    if not isinstance(about, str) or do not in REQUESTS.get(about, ()) or do in _bench(about):
        return Role.BENCH
    return Role.OWNER


def may_upload(server: flask.Flask, method: str, path: str, headers: Mapping[str, str]) -> bool:
    """True if a request comes from somebody who may send a file there; asked before its body is
    read."""
    need = next((need for start, need in UPLOADS.items() if path.startswith(start)), None)
    if method != "POST" or need is None:
        return False
    environ = EnvironBuilder(method="POST").get_environ()
    environ |= {f"HTTP_{name}": value for name, value in headers.items()}
    if "__Host-" in headers.get("COOKIE", ""):  # a browser has such cookies of TLS only
        environ["wsgi.url_scheme"] = "https"
    with server.request_context(environ):
        return may(need).allowed


def _check() -> flask.Response | None:
    """Refuse the present request if its visitor has not the role that it needs."""
    request = flask.request
    if bearer(request) is not None and visitor().wrong_token:
        return _refusal(401, "This token is wrong, has expired or was withdrawn.")
    try:
        need = need_of(request)
    except RecursionError:
        return _refusal(400, "The request was not understood.")
    if need is ANYONE:
        return None
    changes = request.method not in guard.SAFE and need.covers(Role.BENCH)
    if changes and bearer(request) is None and not guard.same_origin(request, needed=True):
        return _refusal(403, "This request did not come from the board itself.")
    permission = may(need)
    if permission.allowed:
        return None
    if changes and visitor().role is not None:
        record("denied", f"{request.method} {request.path}")
    return _refusal(403, permission.why)


def _refusal(code: int, why: str) -> flask.Response:
    """A refusal in the form that the asker reads."""
    if flask.request.endpoint in ("bench_do", "phone_do", "clients_file", "settings_file"):
        of_file = flask.request.endpoint in ("clients_file", "settings_file")
        name = "fault" if of_file else "refused"
        return flask.Response(json.dumps({name: why}), code, mimetype="application/json")
    response = flask.Response(f"{why}\n", code, mimetype="text/plain")
    if code == 401:
        response.headers["WWW-Authenticate"] = "Bearer"
    return response


def _gated(layout: Callable[..., Component], title: str, need: Need) -> Callable[..., Component]:
    """A page for who may look at it, and the reason for all others."""

    def shown(**query: Any) -> Component:
        if need is not None and not (permission := may(need)).allowed:
            return html.Main([html.H1(title), read_only(permission)], className="sheet")
        return layout(**query)

    return shown
