"""Visitor of a request: who sends it, by which session or token, and what they may do."""

from __future__ import annotations

import functools
import logging
from typing import TYPE_CHECKING, NamedTuple, cast

import flask

from dashboard.access import guard
from dashboard.access.throttle import Throttle
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault
from monitor.people.access_store import AccessStore
from monitor.people.board_keys import read_board_keys
from monitor.people.entries import SESSIONS, AuditEntry, EntryKind
from monitor.people.roles import Role

if TYPE_CHECKING:
    from monitor.people.entries import Credential
    from monitor.settings import Settings

log = logging.getLogger(__name__)

EXTENSION = "benchweather-access"
BEARER = "bearer "
PEOPLE_AWAY = "Nobody can sign in now: the list of people cannot be read."
NAMELESS = {
    EntryKind.LINK: "shop's computer",
    EntryKind.SHOP: "shop password",
    EntryKind.WALL_SESSION: "wall screen",
}
"""Names in the history of sessions that are nobody's."""


class Access(NamedTuple):
    """Parts of the board that decide who may do what."""

    settings: Settings
    store: AccessStore
    throttle: Throttle


class Visitor(NamedTuple):
    """Visitor of a request. `role`: None for a stranger.

    `trouble`: reason why the sessions cannot be read just now. `wrong_token`: the request bears a
    token that does not hold.
    """

    role: Role | None = None
    credential: Credential | None = None
    trouble: str = ""
    wrong_token: bool = False

    @property
    def person(self) -> str:
        """Name of the person; empty if the session is nobody's."""
        one = self.credential
        return (
            one.name if one and (one.person_id is not None or one.kind == EntryKind.SCRIPT) else ""
        )

    @property
    def who(self) -> str:
        """Name in the history."""
        kind = self.credential.kind if self.credential else None
        return self.person or NAMELESS.get(cast("EntryKind", kind), "a stranger")


class Permission(NamedTuple):
    """Permission of a request; if refused, why and what to do.

    `sign_in`: whether signing in would help.
    """

    allowed: bool
    why: str = ""
    sign_in: bool = False


def access() -> Access:
    """The access of the present board."""
    return cast("Access", flask.current_app.extensions[EXTENSION])


def visitor() -> Visitor:
    """The visitor of the present request, found once."""
    if "visitor" not in flask.g:
        flask.g.visitor = _found(access(), flask.request)
    return cast("Visitor", flask.g.visitor)


def may(needed: Role) -> Permission:
    """Decide whether the present request may do what a role may."""
    settings, one = access().settings, visitor()
    if one.role is not None and one.role.covers(needed):
        return Permission(True)
    if needed == Role.VIEWER and settings.board.readers == "anyone" and not one.wrong_token:
        return Permission(True)
    if one.wrong_token:
        return Permission(False, "This token is wrong, has expired or was withdrawn.")
    if one.trouble:
        return Permission(
            False, f"The list of sessions cannot be read at the moment: {one.trouble}."
        )
    if one.role is not None:
        who = f"{one.person} has the role" if one.person else "This browser has the role"
        return Permission(False, f"This needs the role {needed}. {who} {one.role}.", sign_in=True)
    try:
        some_way_in = ways_in(access())
    except StoreFault:
        return Permission(False, PEOPLE_AWAY)
    if not some_way_in:
        return Permission(
            False,
            "This browser can only read. On the shop's computer, run “benchweather board” and open "
            "the link that it prints. Another device needs a password: run “benchweather people "
            "add”, or set board.password in the settings.",
        )
    what = "read the board" if needed == Role.VIEWER else "change anything from this browser"
    return Permission(False, f"Sign in to {what}.", sign_in=True)


def may_change() -> Permission:
    """Decide whether the present request may do the work of the bench."""
    return may(Role.BENCH)


def may_manage() -> Permission:
    """Decide whether the present request may do what the owner may."""
    return may(Role.OWNER)


def ways_in(one: Access) -> bool:
    """True if somebody could sign in by a password.

    Raises
    ------
    StoreFault
        If that cannot be read.
    """
    return bool(one.settings.board.password.get_secret_value() or one.store.people())


def record(action: str, detail: str = "", *, who: str = "", session: str = "") -> None:
    """Add what the present request did to the history; no secret and no client's name."""
    present = visitor()
    entry = AuditEntry(
        now_ms(),
        who or present.who,
        session or (present.credential.label if present.credential else ""),
        flask.request.remote_addr or "",
        action,
        detail[:200],
    )
    try:
        access().store.record(entry)
    except StoreFault as exc:
        log.error("history of people cannot be written action=%s reason=%s", action, exc)


def cookie_name(purpose: str = "") -> str:
    """Name of a cookie: browsers share cookies between the ports of one machine. Behind TLS its
    prefix binds it to this host and to TLS."""
    secure = "__Host-" if flask.request.is_secure else ""
    port = access().settings.board.port
    return f"{secure}benchweather-{f'{purpose}-' if purpose else ''}{port}"


def bearer(request: flask.Request) -> str | None:
    """The token that a script's request bears; None if it bears none."""
    given = request.headers.get("Authorization", "")
    return given[len(BEARER) :].strip() if given[: len(BEARER)].lower() == BEARER else None


def _shared(one: Access, kind: EntryKind) -> str:
    """Password or key that sessions of a kind are opened with at present; empty if none is shared."""
    if kind == EntryKind.SHOP:
        return one.settings.board.password.get_secret_value()
    keys = read_board_keys(one.store.home.files) if kind == EntryKind.LINK else None
    return keys.local_key if keys else ""


def _found(one: Access, request: flask.Request) -> Visitor:
    token = bearer(request)
    ours = request.method in guard.SAFE or guard.same_origin(request, needed=True)
    if token is None and not ours:
        return Visitor()  # a cookie counts only in what a page of the board sends
    secret = request.cookies.get(cookie_name(), "") if token is None else token
    kinds = SESSIONS if token is None else (EntryKind.SCRIPT,)
    try:
        found = one.store.credential(
            secret[:200],
            kinds,
            now_ms(),
            shared=functools.partial(_shared, one),
            used=request.path != "/here",
        )
    except StoreFault as exc:
        log.error("sessions cannot be read reason=%s", exc)
        return Visitor(trouble=str(exc))
    if found is None:
        return Visitor(wrong_token=token is not None)
    return Visitor(found.role, found)
