"""Signing in: a browser may change things once it has opened a link from the shop's computer, or
is signed in with the board's password."""

from __future__ import annotations

import hashlib
import hmac
import threading
import time
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

import flask
from flask.sessions import SecureCookieSession, SecureCookieSessionInterface

from dashboard.access import guard
from monitor.core.backoff import doubled
from monitor.settings.board_keys import code_holds, local_mark, read_board_keys

if TYPE_CHECKING:
    from dash import Dash

    from monitor.settings import Settings

KEPT_DAYS = 30
"""Days for which a device stays signed in."""
FREE_TRIES = 5
"""Wrong passwords before an address must wait."""
WAIT_FIRST_S, WAIT_MAX_S = 2.0, 900.0
"""The wait after that, doubled each time, and its end. [s]"""
ADDRESSES_MAX = 1_000
"""Most addresses remembered; the oldest go."""
ALL_TRIES, ALL_WINDOW_S = 60, 600.0
"""Most wrong passwords from everywhere in a window. [s]"""


class Writing(NamedTuple):
    """Permission of a request to change things; if refused, why and what to do.

    `sign_in`: whether a password would help.
    """

    allowed: bool
    why: str = ""
    sign_in: bool = False


def writing(request: flask.Request, settings: Settings) -> Writing:
    """Decide whether a request may change anything, or comes from a page that may.

    It may once its browser has opened a link of `benchweather board`, or is signed in with
    `board.password`. What changes something must besides have come from a page of the board.
    """
    if request.method not in guard.SAFE and not guard.same_origin(request, needed=True):
        return Writing(False, "This request did not come from the board itself.")
    if opened_here(settings) or signed_in(settings):
        return Writing(True)
    if not flask.current_app.secret_key:
        return Writing(False, "Nobody can sign in until the service has run once.")
    if not settings.board.password.get_secret_value():
        return Writing(
            False,
            "This browser can only read. On the shop's computer, run `benchweather board` and open the "
            "link that it prints. Another device needs a password: set board.password in the settings.",
        )
    return Writing(False, "Sign in to change anything from this browser.", sign_in=True)


class Throttle:
    """Slows down who guesses: each address by itself, and all of them together."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._failed: dict[str, tuple[int, float]] = {}
        self._all: list[float] = []

    def wait_s(self, address: str, now_s: float) -> float:
        """Time that an address must wait before its next try. [s]"""
        with self._lock:
            self._all = [at for at in self._all if now_s - at < ALL_WINDOW_S]
            if len(self._all) >= ALL_TRIES:
                return self._all[0] + ALL_WINDOW_S - now_s
            return max(0.0, self._failed.get(address, (0, 0.0))[1] - now_s)

    def failed(self, address: str, now_s: float) -> None:
        with self._lock:
            count = self._failed.pop(address, (0, 0.0))[0] + 1
            over = count - FREE_TRIES
            until = now_s + doubled(WAIT_FIRST_S, WAIT_MAX_S, over) if over >= 0 else now_s
            self._failed[address] = (count, until)
            self._all.append(now_s)
            while len(self._failed) > ADDRESSES_MAX:
                del self._failed[next(iter(self._failed))]

    def passed(self, address: str) -> None:
        with self._lock:
            self._failed.pop(address, None)


class KeyedSessions(SecureCookieSessionInterface):
    """Sessions whose key is read when it is there: the service may make it after the board starts."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings

    def open_session(self, app: flask.Flask, request: flask.Request) -> SecureCookieSession | None:
        """The session of a request."""
        if not app.secret_key and (found := read_board_keys(self._settings.secrets_path)):
            app.secret_key = found.session_key
        return super().open_session(app, request)

    def get_cookie_secure(self, app: flask.Flask) -> bool:
        """True behind TLS: the browser then never sends the cookie without it."""
        return flask.request.is_secure or super().get_cookie_secure(app)


def register(app: Dash, settings: Settings) -> None:
    """Hang signing in and out into the app's server."""
    server = app.server
    server.config.update(
        SESSION_COOKIE_NAME=cookie_name(settings),
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
        PERMANENT_SESSION_LIFETIME=timedelta(days=KEPT_DAYS),
    )
    throttle = Throttle()

    server.session_interface = KeyedSessions(settings)

    def sign_in() -> flask.Response:
        return answer(settings, throttle, time.monotonic())

    def sign_out() -> flask.Response:
        if not guard.same_origin(flask.request, needed=True):
            return flask.Response("This request did not come from the board itself.\n", 403)
        flask.session.clear()
        return _to("/bench")

    def open_here(code: str) -> flask.Response:
        return answer_code(settings, code, time.time())

    server.add_url_rule("/open/<code>", "open_here", open_here, methods=["GET"])
    server.add_url_rule("/sign-in", "sign_in_now", sign_in, methods=["POST"])
    server.add_url_rule("/sign-out", "sign_out_now", sign_out, methods=["POST"])


def cookie_name(settings: Settings) -> str:
    """Name of the session cookie: browsers share cookies between the ports of one machine."""
    return f"benchweather-{settings.board.port}"


def answer_code(settings: Settings, code: str, now_s: float) -> flask.Response:
    """Sign in the browser that opens a link of `benchweather board`."""
    keys = read_board_keys(settings.secrets_path)
    if keys is None or not code_holds(code, keys, now_s):
        return _to("/sign-in?said=ended")
    flask.session.clear()
    flask.session.permanent = True
    flask.session["local"] = local_mark(keys)
    return _to("/")


def opened_here(settings: Settings) -> bool:
    """True if this request's browser has opened a link that a user of this machine made."""
    held = flask.session.get("local", "") if flask.current_app.secret_key else ""
    if not held or not isinstance(held, str):
        return False
    keys = read_board_keys(settings.secrets_path)
    return keys is not None and hmac.compare_digest(held.encode(), local_mark(keys).encode())


def answer(settings: Settings, throttle: Throttle, now_s: float) -> flask.Response:
    """Check a posted password; sign in, or send the reason why not."""
    request = flask.request
    if not guard.same_origin(request, needed=True):
        return flask.Response("This request did not come from the board itself.\n", 403)
    password = settings.board.password.get_secret_value()
    if not password or not flask.current_app.secret_key:
        return _to("/sign-in?said=none")
    address = request.remote_addr or ""
    wait = throttle.wait_s(address, now_s)
    if wait > 0:
        return _to(f"/sign-in?said=wait&s={wait:.0f}")
    given = request.form.get("password", "")
    if not hmac.compare_digest(_hash(given), _hash(password)):
        throttle.failed(address, now_s)
        return _to("/sign-in?said=wrong")
    throttle.passed(address)
    flask.session.clear()
    flask.session.permanent = True
    flask.session["signed"] = mark(settings, str(flask.current_app.secret_key))
    return _to("/bench")


def mark(settings: Settings, key: str) -> str:
    """Value that a signed-in session holds: a new password makes the old sessions void."""
    password = settings.board.password.get_secret_value()
    return hmac.new(key.encode(), b"signed in with " + password.encode(), "sha256").hexdigest()


def signed_in(settings: Settings) -> bool:
    """True if this request's session was signed in with the present password."""
    key = flask.current_app.secret_key
    if not key or not settings.board.password.get_secret_value():
        return False
    held = flask.session.get("signed", "")
    return isinstance(held, str) and hmac.compare_digest(
        held.encode(), mark(settings, str(key)).encode()
    )


def _hash(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()


def _to(where: str) -> flask.Response:
    response = flask.Response("", 303)
    response.headers["Location"] = where
    return response
