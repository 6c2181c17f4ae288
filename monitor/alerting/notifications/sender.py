"""Notices by mail, push, SMS gateway or webhook, each to a URL of Apprise's form.

Apprise is known here alone. Its URLs hold passwords and tokens: none gets into a log or an error.
A failure is therefore given in words of ours, and the libraries' own logs go nowhere. Apprise
returns only whether a notice went through; the reason is the exception that it was handling, or the
status code that it had, when it logged the failure. No text of it is read for that.
"""

from __future__ import annotations

import contextlib
import errno
import functools
import logging
import re
import smtplib
import socket
import ssl
import sys
import threading
from collections.abc import Iterator
from typing import Any
from urllib.parse import unquote

from monitor.core.errors import MonitorError
from monitor.domain.notification import Notice

SOCKET_WAIT_S = 15
"""Longest wait for a connection, and for each answer on it, unless the URL sets one. [s]"""
SEND_MAX_S = 60.0
"""Longest time that one notice may take in all. [s]"""
NOTICE_HEADER, NOTICE_FIELD = "X-Notice-Id", "notice_id"
"""Names of the notice's id in a message's headers and in a webhook's payload."""

_TALKERS = ("apprise", "urllib3", "requests_oauthlib", "oauthlib")
"""Loggers that would log URLs, with the secrets in them."""
_WEBHOOK = {"http": "json", "https": "jsons"}
_COMPLAINT = re.compile(r"(dropped|unsupported|an? invalid|invalid)\b", re.IGNORECASE)
"""Beginnings of Apprise's messages that it leaves out a part of a URL that it cannot use."""
_ASIDE = re.compile(r"""\s*(\([^)]*\)|\[[^]]*\]|"[^"]*"|'[^']*')|[:;,].*$""")
_HTTP_AGAIN = {408, 425, 429}
"""HTTP codes below 500 after which another try may help (RFC 9110, RFC 8470, RFC 6585)."""
_CAUSES: tuple[tuple[type[BaseException], str, bool], ...] = (
    (ssl.SSLCertVerificationError, "its certificate cannot be trusted", False),
    (ssl.SSLError, "no secure connection could be made", True),
    (socket.gaierror, "its host is not found", True),
    (TimeoutError, "no answer in time", True),
    (ConnectionRefusedError, "nothing answers there", True),
    (ConnectionError, "the connection was lost", True),
    (smtplib.SMTPServerDisconnected, "the connection was lost", True),
)
"""Reason and `retryable` by the type of an exception, the first that fits."""
_UNREACHABLE = {errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN}


class NotSent(MonitorError):
    """A notice did not go through. The reason has no secrets; `retryable` is of this one."""

    def __init__(self, reason: str, *, retryable: bool) -> None:
        self.retryable = retryable
        super().__init__(reason)


def fault_of(url: str) -> str | None:
    """Reason why no notice can be sent by this URL, or None. Nothing is sent, nobody is asked.

    The reason has none of what the URL holds but its scheme.
    """
    try:
        with _heard() as said:
            _service(url, "")
    except NotSent as exc:
        return str(exc)
    complaint = next((text for text in said if _COMPLAINT.match(text)), None)
    return complaint and _without_secrets(complaint, url)


def send(url: str, notice: Notice, *, most_s: float = SEND_MAX_S) -> None:
    """Send one notice. When this returns, the service has taken it.

    The notice's id stands at the end of the text; where the service has headers or a payload of its
    own, also in `X-Notice-Id` or `notice_id`.

    Parameters
    ----------
    url : str
        As `fault_of` takes it.
    most_s : float
        After this it counts as not sent. [s]

    Raises
    ------
    NotSent
        If the URL cannot be used, or the service did not take the notice or did not answer.
    """
    apprise = _apprise()
    service = _service(url, notice.notice_id)
    way = apprise.Apprise(service, asset=_asset())
    kinds = (apprise.NotifyType.INFO, apprise.NotifyType.WARNING, apprise.NotifyType.FAILURE)
    results: list[bool] = []
    failures = _Failures()

    def go() -> None:
        with failures.of_this_thread():
            results.append(
                bool(
                    way.notify(
                        title=notice.title,
                        body=f"{notice.text}\n\nNotice {notice.notice_id}",
                        body_format=apprise.NotifyFormat.TEXT,
                        notify_type=kinds[notice.urgency - 1],
                    )
                )
            )

    # A server that answers byte by byte never runs into the sockets' own limits.
    courier = threading.Thread(target=go, name="courier", daemon=True)
    courier.start()
    courier.join(most_s)
    if not results:
        raise NotSent(f"no answer within {most_s:g} s", retryable=True)
    if not results[0]:
        if not len(service):
            raise NotSent("it has no recipients", retryable=False)
        raise _not_sent(failures)


def _not_sent(failures: _Failures) -> NotSent:
    """A failure in words of ours, by its status code or the type of its exception.

    Where neither is known, another try may help: tries are spaced out and end after three days, so
    that costs little, and nothing is lost.
    """
    for code in failures.http_codes:
        return NotSent(f"it answered {code}", retryable=code >= 500 or code in _HTTP_AGAIN)
    causes = [cause for failure in failures.exceptions for cause in _chain(failure)]
    for code in (code for cause in causes for code in _smtp_codes(cause)):
        # RFC 5321, section 4.2.1: 4yz is transient, 5yz permanent.
        return NotSent(f"the mail server answered {code}", retryable=code < 500)
    for type_, reason, retryable in _CAUSES:
        if any(isinstance(cause, type_) for cause in causes):
            return NotSent(reason, retryable=retryable)
    if any(isinstance(cause, OSError) and cause.errno in _UNREACHABLE for cause in causes):
        return NotSent("the network cannot be reached", retryable=True)
    return NotSent("the service rejected it and gave no reason that is known", retryable=True)


def _chain(exc: BaseException) -> Iterator[BaseException]:
    """An exception and those that led to it."""
    seen: set[int] = set()
    ahead: list[BaseException | None] = [exc]
    while ahead:
        one = ahead.pop()
        if one is not None and id(one) not in seen:
            seen.add(id(one))
            yield one
            ahead += [one.__context__, one.__cause__]


def _smtp_codes(exc: BaseException) -> list[int]:
    if isinstance(exc, smtplib.SMTPResponseException):
        return [exc.smtp_code]
    if isinstance(exc, smtplib.SMTPRecipientsRefused):
        return [code for code, _ in exc.recipients.values()]
    return []


def _service(url: str, notice_id: str) -> Any:
    """The service a URL is for, with the notice's id where there is a place for it."""
    apprise = _apprise()
    from apprise.plugins import url_to_dict

    scheme = url.partition("://")[0].lower()
    parts = url_to_dict(url)
    if parts is None:
        if scheme in apprise.NotificationManager():
            raise NotSent(
                f"{scheme}:// cannot be read: a part is missing or misspelt", retryable=False
            )
        hint = f"; a webhook is {_WEBHOOK[scheme]}://" if scheme in _WEBHOOK else ""
        raise NotSent(f"the scheme {scheme!r} is not known{hint}", retryable=False)
    plugin = apprise.NotificationManager()[parts["schema"]]
    # We try again ourselves, and a failure is one.
    parts |= {"retry": 0, "optional": False}
    parts = {"cto": SOCKET_WAIT_S, "rto": SOCKET_WAIT_S, "overflow": "split"} | parts
    for place, name in (("headers", NOTICE_HEADER), ("payload", NOTICE_FIELD)):
        if notice_id and place in plugin.template_kwargs:
            parts[place] = {**parts.get(place, {}), name: notice_id}
    try:
        service = apprise.Apprise.instantiate(parts, asset=_asset(), suppress_exceptions=False)
    except apprise.exception.AppriseException as exc:
        raise NotSent(_without_secrets(str(exc), url), retryable=False) from None
    except Exception:  # noqa: BLE001 - its many services stumble in ways of their own
        raise NotSent(f"{scheme}:// cannot be used as it is written", retryable=False) from None
    if service is None:
        raise NotSent(f"{scheme}:// needs software that is not installed here", retryable=False)
    if service.port is not None and not 1 <= service.port <= 65535:
        raise NotSent("the port must be 1 to 65535", retryable=False)
    return service


def _without_secrets(said: str, url: str) -> str:
    """Remove from a sentence all parts of a URL after its scheme."""
    text = _ASIDE.sub("", said)
    rest = re.sub(r"[?&][^=&]*=", "/", url.partition("://")[2])
    pieces = {part for raw in re.split(r"[/:@?&=#,\s]+", rest) for part in (raw, unquote(raw))}
    for piece in sorted(pieces, key=len, reverse=True):
        if len(piece) > 2:
            text = re.sub(re.escape(piece), "…", text, flags=re.IGNORECASE)
    return text.strip(" .…")[:160] or "it cannot be used"


@functools.cache
def _apprise() -> Any:
    """The library, with its log and its helpers' kept to ourselves; 0.3 s the first time."""
    for name in _TALKERS:
        talker = logging.getLogger(name)
        talker.propagate = False
        talker.addHandler(logging.NullHandler())
    logging.getLogger("apprise").setLevel(
        logging.DEBUG
    )  # `send` looks at the exceptions behind a failure
    import apprise

    return apprise


@functools.cache
def _asset() -> Any:
    """Identity shown to a service: our name, without pictures."""
    return _apprise().AppriseAsset(
        app_id="Benchweather",
        app_desc="Benchweather",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        async_mode=False,
        service_timeout=0,
    )


class _Ear(logging.Handler):
    """Keeps the messages of this thread at a level between warning and error."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.said: list[str] = []
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread and record.levelno <= logging.ERROR:
            self.said.append(record.getMessage())


class _Failures(logging.Handler):
    """Log handler that collects the causes of a failure.

    These are the exceptions that the library handles at that moment, and the HTTP status codes
    among the arguments of its warnings. The texts are not read.
    """

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.exceptions: list[BaseException] = []
        self.http_codes: list[int] = []
        self._thread = 0

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread != self._thread:
            return
        if (exc := sys.exc_info()[1]) is not None and exc not in self.exceptions:
            self.exceptions.append(exc)
        if record.levelno >= logging.WARNING and isinstance(record.args, tuple):
            self.http_codes += [c for c in record.args if isinstance(c, int) and 300 <= c <= 599]

    @contextlib.contextmanager
    def of_this_thread(self) -> Iterator[None]:
        """Listen to what is logged in this thread meanwhile."""
        self._thread = threading.get_ident()
        log = logging.getLogger("apprise")
        log.addHandler(self)
        try:
            yield
        finally:
            log.removeHandler(self)


@contextlib.contextmanager
def _heard() -> Iterator[list[str]]:
    """Collect the complaints that Apprise logs meanwhile."""
    _apprise()
    ear = _Ear()
    log = logging.getLogger("apprise")
    log.addHandler(ear)
    try:
        yield ear.said
    finally:
        log.removeHandler(ear)
