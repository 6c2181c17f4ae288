"""Signing in from another device of the shop, and a person's own password."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import dash
from dash import dcc, html

from dashboard.access.visitor import access, may, may_manage, visitor
from dashboard.ui.controls import labelled
from monitor.core.formats import hours
from monitor.people.access_store import has_people
from monitor.people.passwords import LENGTH_MAX, LENGTH_MIN
from monitor.people.roles import Role

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.access.visitor import Permission, Visitor

FAULTS = {
    "ended": "This link has expired or was withdrawn. Run “benchweather board” on the shop's "
    "computer for a new one.",
    "none": "Nobody can sign in with a password yet. On the shop's computer, run “benchweather people "
    "add”.",
    "trouble": "Signing in does not work at the moment: the list of sessions cannot be read or "
    "written. The log of the service has the reason.",
    "unfit": f"The new password was not accepted. It must have {LENGTH_MIN} to {LENGTH_MAX} "
    "characters. It must not be a password that many people use, and not your name or the shop's.",
}
DONE = {"changed": "Your password is changed. Your other sessions have ended."}


def register() -> None:
    """Hang the page into the app."""
    dash.register_page(
        "sign_in",
        path="/sign-in",
        title="Sign in",
        layout=lambda **query: layout(query.get("said", ""), query.get("s", "")),
    )


def layout(code: str, seconds: str) -> Component:
    """The fields, or who is signed in already."""
    text, one = fault(code, seconds), visitor()
    parts: list[Component] = [html.H1("Sign in")]
    if text:
        parts.append(html.P(text, role="alert", className="lead"))
    if code in DONE:
        parts.append(html.P(DONE[code], role="status", className="lead"))
    if one.role is not None:
        parts += _signed_in(one, one.role)
    permission = may(Role.OWNER)
    if permission.sign_in:
        parts += _fields()
    elif not permission.allowed:
        parts.append(html.P(permission.why))
    return html.Main(parts, className="sheet bench one", id="sign-in")


def _signed_in(one: Visitor, role: Role) -> list[Component]:
    who = f"You are signed in as {one.person}" if one.person else "This browser is signed in"
    parts: list[Component] = [
        html.P(f"{who}, with the role {role}."),
        html.P(dcc.Link("Open Bench", href="/bench", className="tap main")),
    ]
    if may_manage().allowed:
        parts.append(html.P(dcc.Link("People and sessions", href="/people", className="tap")))
    parts.append(_form("/sign-out", [], "Sign out", main=False))
    if one.person:
        parts += [
            html.H2("Your password"),
            _form(
                "/password",
                [
                    _field("present-password", "password", "Current password", "current-password"),
                    _field("new-password", "new", "New password", "new-password"),
                ],
                "Change password",
            ),
            html.P(
                f"At least {LENGTH_MIN} characters; a few words that do not belong together are "
                "good. When you change it, your other sessions end.",
                className="aside",
            ),
        ]
    return parts


def _fields() -> list[Component]:
    """Fields of signing in: a name only where there are people."""
    people = has_people(access().store)
    board = access().settings.board
    shop = bool(board.password.get_secret_value())
    hint = " Leave the name empty for the shop's password." if people and shop else ""
    fields = [_field("name", "name", "Name", "username")] if people else []
    fields.append(_field("password", "password", "Password", "current-password"))
    return [
        html.P(
            f"On the shop's computer you need no password: open the link that “benchweather board” "
            f"prints.{hint}"
        ),
        _form("/sign-in", fields, "Sign in"),
        html.P(
            f"This device stays signed in for {hours(86_400 * board.session_days)}. It is signed "
            f"out earlier if it is not used for {hours(86_400 * board.session_idle_days)}.",
            className="aside",
        ),
    ]


def _form(action: str, fields: list[Component], text: str, *, main: bool = True) -> Component:
    button = html.Button(text, type="submit", className="tap main" if main else "tap")
    return html.Form([*fields, button], action=action, method="POST", className="fields")


def _field(id_: str, name: str, label: str, use: str) -> Component:
    kind: Literal["text", "password"] = "text" if use == "username" else "password"
    return labelled(label, id_, dcc.Input(id=id_, name=name, type=kind, autoComplete=use))


def fault(code: str, seconds: str) -> str:
    """Reason why signing in failed; empty if it did not."""
    if code == "wait" and seconds.isdigit():
        return f"Too many wrong passwords: wait {int(seconds) + 1} s, then try again."
    if code == "wrong":
        return "Wrong name or password." if has_people(access().store) else "Wrong password."
    return FAULTS.get(code, "")


def read_only(permission: Permission) -> Component:
    """Notice shown instead of the taps where nothing may be changed."""
    link = (
        dcc.Link("Sign in", href="/sign-in", className="tap main") if permission.sign_in else None
    )
    return html.Section([html.H2("Read only"), html.P(permission.why), html.P(link)])
