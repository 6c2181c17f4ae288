"""Signing in and out: by a link from the shop's computer, by a person's password, or by the shop's."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import logging
import secrets
import time
from typing import TYPE_CHECKING, Any

import flask

from dashboard.access import guard
from dashboard.access.throttle import Subject, Throttle, stranger
from dashboard.access.visitor import (
    EXTENSION,
    NAMELESS,
    Access,
    access,
    cookie_name,
    record,
    visitor,
    ways_in,
)
from dashboard.data.guide import is_new
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected, StoreFault
from monitor.people import passwords
from monitor.people.access_store import store_of
from monitor.people.board_keys import code_holds, read_board_keys
from monitor.people.entries import SESSIONS, EntryKind, NoSuchEntry, name_key
from monitor.people.roles import Role

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dash import Dash

    from monitor.people.entries import Person
    from monitor.settings import Settings

log = logging.getLogger(__name__)

DAY_S, DAY_MS = 86_400, 86_400_000
DEVICE_DAYS = 365
"""Time for which a browser is known as one that a person has signed in with. [d]"""
SHOP_ACCOUNT = "\0shop"
"""Name in the throttle of the shop's password; no person can have it."""


def register(app: Dash, settings: Settings) -> None:
    """Hang signing in and out into the app's server."""
    server, store = app.server, store_of(settings)
    server.extensions[EXTENSION] = Access(settings, store, Throttle(store.home.guesses))
    server.add_url_rule("/open/<code>", "open_here", open_link, methods=["GET"])
    for path, name, function in (
        ("/sign-in", "sign_in_now", sign_in),
        ("/sign-out", "sign_out_now", sign_out),
        ("/password", "password_now", change_password),
    ):
        server.add_url_rule(path, name, _from_the_board(function), methods=["POST"])


def open_link(code: str) -> flask.Response:
    """Sign in the browser that opens a link of `benchweather board`, an owner's or a wall screen's."""
    settings, store, _ = access()
    try:
        keys = read_board_keys(store.home.files)
        if keys is not None and code_holds(code, keys, time.time()):
            to = "/guide" if is_new(settings) else "/"
            return _signed_in(EntryKind.LINK, Role.OWNER, to, shared=keys.local_key)
        if wall := store.credential(code[:200], (EntryKind.WALL,), now_ms()):
            return _signed_in(
                EntryKind.WALL_SESSION,
                Role.VIEWER,
                "/wall",
                parent_id=wall.credential_id,
                lasts_ms=wall.until_ms - now_ms(),
                name=wall.name,
            )
    except StoreFault:
        return _to("/sign-in?said=trouble")
    return _to("/sign-in?said=ended")


def sign_in() -> flask.Response:
    """Check a posted password; sign in, or send the reason why not."""
    form = flask.request.form
    try:
        if not ways_in(access()):
            return _to("/sign-in?said=none")
        return _sign_in(form.get("name", "")[:200].strip(), form.get("password", ""))
    except NoSuchEntry:  # another board has changed or removed it in this moment
        return _to("/sign-in?said=wrong")
    except StoreFault as exc:
        log.error("nobody can sign in reason=%s", exc)
        return _to("/sign-in?said=trouble")


def _sign_in(name: str, password: str) -> flask.Response:
    settings, store, throttle = access()
    found = store.password_of(name) if name else None
    shop = settings.board.password.get_secret_value() if not name else ""
    account = found[0].name if found else SHOP_ACCOUNT if shop else name_key(name)
    kept = found[1] if found else shop
    subjects = _subjects(account, kept, known=bool(found or shop))
    if (wait := throttle.wait_or_count(subjects)) > 0:
        return _to(f"/sign-in?said=wait&s={wait:.0f}")
    if shop:
        right = hmac.compare_digest(_hash(password), _hash(shop))
    else:
        right = passwords.matches(found[1] if found else "", password)
    who = found[0].name if found else NAMELESS[EntryKind.SHOP] if shop else "an unknown name"
    if not right:
        record("failed sign-in", who=who)
        return _to("/sign-in?said=wrong")
    throttle.passed(subjects)
    if found:
        return _person_signed_in(*found, "/bench")
    answer = _signed_in(EntryKind.SHOP, Role.OWNER, "/bench", shared=shop)
    _know_device(answer, account, kept)
    return answer


def sign_out() -> flask.Response:
    """End this browser's session, here and on the server."""
    one = visitor().credential
    answer = _to("/bench")
    if one is not None:
        try:
            with contextlib.suppress(NoSuchEntry):
                access().store.withdraw(one.credential_id, now_ms())
        except StoreFault:
            return _to("/sign-in?said=trouble")
        record("signed out")
    answer.delete_cookie(cookie_name(), secure=flask.request.is_secure, httponly=True)
    return answer


def change_password() -> flask.Response:
    """Give the person who is signed in another password, by their present one."""
    try:
        return _change_password(flask.request.form)
    except Rejected:
        return _to("/sign-in?said=unfit")
    except NoSuchEntry:
        return _to("/sign-in?said=wrong")
    except StoreFault:
        return _to("/sign-in?said=trouble")


def _change_password(form: Mapping[str, str]) -> flask.Response:
    settings, store, throttle = access()
    one = visitor().credential
    found = store.password_of(one.name) if one and one.person_id is not None else None
    if found is None:
        return _to("/sign-in?said=none")
    person, kept = found
    subjects = _subjects(person.name, kept)
    if (wait := throttle.wait_or_count(subjects)) > 0:
        return _to(f"/sign-in?said=wait&s={wait:.0f}")
    if not passwords.matches(kept, form.get("password", "")):
        record("failed sign-in", "to change the password")
        return _to("/sign-in?said=wrong")
    throttle.passed(subjects)
    new = form.get("new", "")
    passwords.check_password(new, (person.name, settings.shop.name))
    store.set_password(person.name, new, now_ms())  # ends every session of this person
    record("password changed")
    changed = store.password_of(person.name)
    return _person_signed_in(*changed, "/sign-in?said=changed") if changed else _to("/sign-in")


def _person_signed_in(person: Person, kept: str, where: str) -> flask.Response:
    """Start a session of a person, whose browser is known from now on."""
    one = {"name": person.name, "person_id": person.person_id, "password": kept}
    answer = _signed_in(EntryKind.PASSWORD, person.role, where, **one)
    _know_device(answer, person.name, kept)
    return answer


def _signed_in(kind: EntryKind, role: Role, where: str, **more: Any) -> flask.Response:
    """Start a session under a new id, in place of this browser's last one."""
    settings, store, _ = access()
    board, request, now = settings.board, flask.request, now_ms()
    if (last := visitor().credential) is not None and last.kind in SESSIONS:
        with contextlib.suppress(NoSuchEntry):
            store.withdraw(last.credential_id, now)
    lasts_ms = {"lasts_ms": round(board.session_days * DAY_MS)} | more
    idle_ms = 0 if kind == EntryKind.WALL_SESSION else round(board.session_idle_days * DAY_MS)
    secret, number = store.issue(
        kind,
        role,
        now,
        idle_ms=idle_ms,
        address=request.remote_addr or "",
        browser=browser_words(request.user_agent.string),
        **lasts_ms,
    )
    who = more.get("name") or NAMELESS[kind]
    record("signed in", str(kind), who=who, session=f"session {number}")
    answer = _to(where)
    _set_cookie(answer, cookie_name(), secret, lasts_ms["lasts_ms"] // 1000)
    return answer


def _set_cookie(answer: flask.Response, name: str, value: str, lasts_s: int) -> None:
    answer.set_cookie(
        name,
        value,
        max_age=lasts_s,
        httponly=True,
        secure=flask.request.is_secure,
        samesite="Strict",
    )


def _subjects(account: str, kept: str, *, known: bool = True) -> list[Subject]:
    """Subjects that a try at an account is counted by: this browser if the person has signed in with
    it before, else the address and the account."""
    nonce, _, seal = flask.request.cookies.get(cookie_name("device"), "").partition(".")
    if known and nonce and hmac.compare_digest(seal.encode(), _seal(account, nonce, kept)):
        return [("device", nonce)]
    return stranger(account, flask.request.remote_addr or "", known=known)


def _know_device(answer: flask.Response, account: str, kept: str) -> None:
    """Let this browser be known at its next try, as long as the password stays the same."""
    nonce = secrets.token_hex(16)
    seal = _seal(account, nonce, kept).decode()
    _set_cookie(answer, cookie_name("device"), f"{nonce}.{seal}", DEVICE_DAYS * DAY_S)


def _seal(account: str, nonce: str, kept: str) -> bytes:
    """Seal of a known browser, which only this shop can make."""
    keys = read_board_keys(access().store.home.files)
    key = keys.session_key if keys else secrets.token_hex(32)
    text = "\n".join(("device", account, nonce, kept))
    return hmac.new(key.encode(), text.encode(), "sha256").hexdigest().encode()


def browser_words(agent: str) -> str:
    """Browser and system of a User-Agent header, in a few words, to know a session by."""
    systems = ("Android", "iPhone", "iPad", "Windows", "Macintosh", "Linux")
    browsers = {"Edg": "Edge", "OPR": "Opera", "Firefox": "Firefox", "Chrome": "Chrome"}
    browser = next((word for mark, word in browsers.items() if mark in agent), "")
    browser = browser or ("Safari" if "Safari" in agent else "another browser")
    system = next((one for one in systems if one in agent), "")
    return f"{browser}, {system}" if system else browser


def _from_the_board(function: Callable[[], flask.Response]) -> Callable[[], flask.Response]:
    """An answer to forms of the board's own pages only."""

    def answer() -> flask.Response:
        if not guard.same_origin(flask.request, needed=True):
            return flask.Response("This request did not come from the board itself.\n", 403)
        return function()

    return answer


def _hash(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()


def _to(where: str) -> flask.Response:
    response = flask.Response("", 303)
    response.headers["Location"] = where
    return response
