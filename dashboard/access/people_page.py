"""People of the shop for its owner: who may sign in, from where, and who did what."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import dash
from dash import ALL, Input, Output, State, dcc, html

from dashboard.access.visitor import NAMELESS, access, record, visitor
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import folded, labelled, picks, tap_row
from dashboard.ui.markup import attributes
from dashboard.ui.tables import stacked_table
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError
from monitor.people import passwords
from monitor.people.entries import SESSIONS, TOKENS, EntryKind
from monitor.people.roles import MAY, Role

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dash.development.base_component import Component

    from monitor.people.entries import Credential, Person

HISTORY_SHOWN = 60
"""Most entries of the history on the page."""
KINDS = {EntryKind.SCRIPT: "token of a script", EntryKind.WALL: "link of a wall screen"}


def register(app: dash.Dash) -> None:
    """Hang the page and its taps into the app."""
    dash.register_page("people", path="/people", title="People", layout=lambda **_: layout())

    @app.callback(
        Output("people-said", "children"),
        Output("people-live", "children"),
        Output("people-name", "value"),
        Input("people-add", "n_clicks"),
        Input({"type": "people-do", "do": ALL, "of": ALL}, "n_clicks"),
        State("people-name", "value"),
        State("people-role", "value"),
        prevent_initial_call=True,
    )
    def tapped(
        _add: int | None, _clicks: list[int | None], name: str | None, role: str | None
    ) -> tuple[Any, ...]:
        tap = dash.ctx.triggered_id
        if not dash.ctx.triggered[0]["value"]:  # buttons that were only drawn
            raise dash.exceptions.PreventUpdate
        try:
            if tap == "people-add":
                return _added(name or "", role or ""), live(), ""
            said = ACTIONS[tap["do"]](tap["of"])
        except MonitorError as exc:
            return html.P(f"{exc}"), live(), dash.no_update
        except (KeyError, ValueError) as exc:  # no button of ours
            raise dash.exceptions.PreventUpdate from exc
        return html.P(said), live(), dash.no_update


def layout() -> Component:
    """The page."""
    roles = {role.value: f"{role.capitalize()}: {MAY[role]}" for role in Role}
    name = dcc.Input(id="people-name", type="text", autoComplete="off")
    return html.Main(
        [
            html.H1("People"),
            html.Div(id="people-said", role="status", **attributes(aria_live="polite")),
            html.Div(live(), id="people-live"),
            html.H2("Add a person"),
            html.Div(
                [
                    labelled("Name", "people-name", name),
                    picks("Role", "people-role", roles, Role.BENCH.value),
                ],
                className="fields",
            ),
            tap_row(html.Button("Add this person", id="people-add", className="tap main")),
        ],
        className="sheet bench one people",
    )


@page_frame.where_store_fails(page_frame.sentence_of)
def live() -> list[Component]:
    """People, sessions, tokens and history, as they are now."""
    store, now = access().store, now_ms()
    people, sessions = store.people(), store.credentials(SESSIONS, now)
    tokens, entries = store.credentials(TOKENS, now), store.history(HISTORY_SHOWN)
    return [
        _people(people),
        html.H2("Signed in"),
        stacked_table(
            ("Who", "Role", "Browser", "From", "Since", "Last used", ""),
            [[*_session(one), _withdraw(one)] for one in sessions],
            "Sessions",
        ),
        html.H2("Tokens and wall screens"),
        stacked_table(
            ("Name", "What", "Role", "Until", "Last used", ""),
            [
                [
                    one.name,
                    KINDS[one.kind],
                    one.role,
                    _at(one.until_ms),
                    _at(one.used_ms),
                    _withdraw(one),
                ]
                for one in tokens
            ],
            "Tokens",
        )
        if tokens
        else html.P(
            "None. Make one with “benchweather token add” or “benchweather board --wall”."
        ),
        html.H2("History of access"),
        stacked_table(
            ("When", "Who", "What", "Session", "From"),
            [
                [
                    _at(one.at_ms),
                    one.who,
                    f"{one.action}: {one.detail}" if one.detail else one.action,
                    one.session,
                    one.address,
                ]
                for one in entries
            ],
            "History of access",
        ),
        html.P("“benchweather audit” prints more of it.", className="aside"),
    ]


def _people(people: Sequence[Person]) -> Component:
    if not people:
        return html.P(
            "Nobody has been added. The link of “benchweather board” signs in the owner."
        )
    items = []
    for one in people:
        others = [role for role in Role if role != one.role]
        taps = [
            *(_tap(f"Change role to {role}", f"role {role}", one.name) for role in others),
            _asked_once_more(
                "New passphrase…",
                f"All sessions of {one.name} end at once.",
                _tap(f"Make a new passphrase for {one.name}", "passphrase", one.name),
            ),
            _asked_once_more(
                "Remove…",
                f"{one.name} can no longer sign in.",
                _tap(f"Remove {one.name}", "remove", one.name),
            ),
        ]
        items.append(
            html.Li(
                [
                    html.P([html.Strong(one.name), f", {one.role}, added {_at(one.added_ms)}"]),
                    html.Div(taps, className="taps"),
                ]
            )
        )
    return html.Ul(items, className="plain")


def _session(one: Credential) -> list[Any]:
    present = visitor().credential
    mine = " (this browser)" if present and present.credential_id == one.credential_id else ""
    name = NAMELESS.get(one.kind, one.name) if one.person_id is None else one.name
    if one.kind == EntryKind.WALL_SESSION:
        name = f"{name} {one.name}"
    return [
        f"{name}{mine}",
        one.role,
        one.browser,
        one.address,
        _at(one.made_ms),
        _at(one.used_ms),
    ]


def _withdraw(one: Credential) -> Component:
    return _tap("Withdraw", "withdraw", str(one.credential_id))


def _asked_once_more(word: str, result: str, tap: Component) -> Component:
    """A tap that cannot be undone: it is shown by a first tap, with its result."""
    return folded(word, html.P(result), tap)


def _tap(text: str, do: str, of: str) -> Component:
    return html.Button(text, id={"type": "people-do", "do": do, "of": of}, className="tap")


def _at(ms: int) -> str:
    return formats.when(ms, now_ms(), access().settings.zone)


def _added(name: str, role: str) -> Component:
    """Add a person; the passphrase is shown this once."""
    password = passwords.passphrase()
    access().store.add_person(name, Role(role), password, now_ms())
    record("person added", f"{name.strip()}, {role}")
    return _shown_once(name.strip(), password)


def _shown_once(name: str, password: str) -> Component:
    return html.P(
        [
            f"Passphrase of {name}: ",
            html.Strong(password),
            ". It is shown only now: write it down. The person can change it after signing in.",
        ]
    )


def _passphrase(name: str) -> Any:
    password = passwords.passphrase()
    access().store.set_password(name, password, now_ms())
    record("password changed", f"of {name}")
    return _shown_once(name, password).children


def _role(role: Role) -> Callable[[str], str]:
    def change(name: str) -> str:
        access().store.set_role(name, role)
        record("role changed", f"{name} is {role}")
        return f"{name} has the role {role} now."

    return change


def _remove(name: str) -> str:
    access().store.remove_person(name)
    record("person removed", name)
    return f"{name} is removed. Their sessions have ended."


def _end(number: str) -> str:
    one = access().store.withdraw(int(number), now_ms())
    record("withdrawn", f"{one.label}, {NAMELESS.get(one.kind, one.name)}")
    return "Withdrawn."


ACTIONS: dict[str, Callable[[str], Any]] = {
    "withdraw": _end,
    "remove": _remove,
    "passphrase": _passphrase,
    **{f"role {role}": _role(role) for role in Role},
}
"""Actions of the buttons: each returns its result in words."""
