"""One document over HTTP: asked politely, within limits of time and size, for as long as it is good.

Only this module asks anything of another machine's web server. Redirects lead to https only and
take no key along; nothing of an address stands in an error.
"""

from __future__ import annotations

import http.client
import re
import ssl
import threading
import time
import zlib
from collections.abc import Mapping
from email.utils import parsedate_to_datetime
from typing import IO, Any, NamedTuple
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import (
    HTTPRedirectHandler,
    HTTPSHandler,
    OpenerDirector,
    ProxyHandler,
    Request,
    build_opener,
)

from monitor.core.clock import to_ms
from monitor.core.errors import MonitorError

SOCKET_WAIT_S, MOST_S = 10.0, 30.0
"""How long one step may take, and all of it. [s]"""
MOST_BYTES = 8_000_000
"""Largest document taken, also once unpacked. [bytes]"""
REDIRECTS_MAX = 4
_LOOPBACK = ("127.0.0.1", "localhost", "::1")
_CHUNK = 65_536
_MAX_AGE = re.compile(r"(?:^|[,\s])(?:max-age)\s*=\s*\"?(\d+)")
_AGAIN = {408, 425, 429}
"""Below 500, answers that another try may change."""


class NotFetched(MonitorError):
    """No document came. `retryable` says whether another try may help with nothing changed by hand,
    `retry_after_s` how long the server asked to be left alone, None if it did not. [s]"""

    def __init__(
        self, reason: str, *, retryable: bool = True, retry_after_s: float | None = None
    ) -> None:
        self.retryable, self.retry_after_s = retryable, retry_after_s
        super().__init__(reason)


class Validators(NamedTuple):
    """What the server knows its document again by (RFC 9110, section 8.8), as it said it."""

    etag: str = ""
    last_modified: str = ""


class FetchedDocument(NamedTuple):
    """A document, or that it is unchanged.

    `body` is None where it is unchanged (304); `good_for_s` how long the server asks not to be
    asked again [s]; `sent_ms` its clock [ms since 1970-01-01 UTC], None if it tells none;
    `deprecated` that it says this way to ask will end (203).
    """

    body: bytes | None
    validators: Validators
    good_for_s: float
    sent_ms: int | None
    deprecated: bool


def get(
    url: str,
    *,
    user_agent: str,
    validators: Validators = Validators(),  # noqa: B008 - immutable
    headers: Mapping[str, str] | None = None,
    most_s: float = MOST_S,
    most_bytes: int = MOST_BYTES,
    trust: ssl.SSLContext | None = None,
) -> FetchedDocument:
    """Ask for one document.

    Parameters
    ----------
    url : str
        http or https.
    user_agent : str
        Who asks, and whom to write to.
    validators : Validators
        Of the document that is at hand already.
    headers : mapping of str to str, optional
        More of them, such as a key; no redirect takes them along.
    most_s, most_bytes
        Beyond either it counts as not fetched. [s], [bytes]
    trust : SSLContext, optional
        Certificates to trust instead of the system's.

    Raises
    ------
    NotFetched
    """
    ask = Request(  # noqa: S310 - settings allow http and https only
        url,
        headers={
            "User-Agent": user_agent,
            "Accept": "application/json, application/geo+json;q=0.9, */*;q=0.1",
            "Accept-Encoding": "gzip",
            **({"If-None-Match": validators.etag} if validators.etag else {}),
            **(
                {"If-Modified-Since": validators.last_modified} if validators.last_modified else {}
            ),
        },
    )
    for name, value in (headers or {}).items():
        ask.add_unredirected_header(name, value)
    outcome: list[FetchedDocument | NotFetched] = []

    def go() -> None:
        try:
            outcome.append(_ask(ask, validators, most_bytes, trust))
        except NotFetched as exc:
            outcome.append(exc)

    # A server that answers byte by byte never runs into the sockets' own limits.
    courier = threading.Thread(target=go, name="fetch", daemon=True)
    courier.start()
    courier.join(most_s)
    if not outcome:
        raise NotFetched(f"no whole answer within {most_s:g} s")
    if isinstance(outcome[0], NotFetched):
        raise outcome[0]
    return outcome[0]


class _ToHttpsOnly(HTTPRedirectHandler):
    max_redirections = REDIRECTS_MAX

    def redirect_request(
        self, req: Request, fp: IO[bytes], code: int, msg: str, headers: Any, newurl: str
    ) -> Request | None:
        if urlsplit(newurl).scheme != "https":
            fp.close()
            raise NotFetched("it redirects to an address that is not https", retryable=False)
        return super().redirect_request(req, fp, code, msg, headers, newurl)


def _opener(url: str, trust: ssl.SSLContext | None) -> OpenerDirector:
    own = [ProxyHandler({})] if urlsplit(url).hostname in _LOOPBACK else []
    return build_opener(*own, _ToHttpsOnly, HTTPSHandler(context=trust))


def _ask(
    ask: Request, had: Validators, most_bytes: int, trust: ssl.SSLContext | None
) -> FetchedDocument:
    try:
        with _opener(ask.full_url, trust).open(ask, timeout=SOCKET_WAIT_S) as response:
            return _answer(response, had, _body(response, most_bytes))
    except HTTPError as exc:
        with exc:
            if exc.code == http.HTTPStatus.NOT_MODIFIED and any(had):
                return _answer(exc, had, None)
            raise _not_fetched(exc) from None
    except URLError as exc:
        if isinstance(exc.reason, ssl.SSLError):
            raise NotFetched("its certificate is not trusted, or no TLS is spoken") from None
        raise NotFetched(f"no answer: {exc.reason}") from None
    except TimeoutError:
        raise NotFetched(f"no answer within {SOCKET_WAIT_S:g} s") from None
    except http.client.IncompleteRead:
        raise NotFetched("the answer breaks off") from None
    except (http.client.HTTPException, OSError, ValueError) as exc:
        raise NotFetched(f"no answer that can be read: {type(exc).__name__}") from None


def _body(response: Any, most_bytes: int) -> bytes:
    """The whole document, unpacked."""
    coding = response.headers.get("Content-Encoding", "identity").strip().lower()
    if coding not in ("identity", "gzip", "x-gzip", ""):
        raise NotFetched(f"it packs its answer by {coding[:20]!r}, which was not asked for")
    unpacker = zlib.decompressobj(16 + zlib.MAX_WBITS) if "gzip" in coding else None
    parts, size, packed = [], 0, 0
    while chunk := response.read(_CHUNK):
        packed += len(chunk)
        if unpacker:
            try:
                chunk = unpacker.decompress(chunk, most_bytes + 1 - size)
            except zlib.error:
                raise NotFetched("the answer is no sound gzip") from None
        size += len(chunk)
        parts.append(chunk)
        if max(size, packed) > most_bytes:
            raise NotFetched(
                f"more than {most_bytes / 1e6:g} MB: at most that is taken", retryable=False
            )
    if response.length or (unpacker and not unpacker.eof):
        raise NotFetched("the answer breaks off")
    return b"".join(parts)


def _answer(response: Any, had: Validators, body: bytes | None) -> FetchedDocument:
    told = response.headers
    new = Validators(told.get("ETag", "").strip(), told.get("Last-Modified", "").strip())
    if body is None:  # a 304 may leave them out
        new = Validators(new.etag or had.etag, new.last_modified or had.last_modified)
    sent_ms = _date_ms(told.get("Date"))
    return FetchedDocument(
        body,
        new,
        _good_for_s(told, sent_ms),
        sent_ms,
        response.status == http.HTTPStatus.NON_AUTHORITATIVE_INFORMATION,
    )


def _good_for_s(told: Any, sent_ms: int | None) -> float:
    """How long the answer is fresh (RFC 9111, section 4.2), by the server's own clock. [s]"""
    if found := _MAX_AGE.search(told.get("Cache-Control", "").lower()):
        age = told.get("Age", "0").strip()
        return max(0.0, float(found[1]) - (float(age) if age.isdigit() else 0.0))
    expires_ms = _date_ms(told.get("Expires"))
    if expires_ms is None or sent_ms is None:
        return 0.0
    return max(0.0, (expires_ms - sent_ms) / 1000)


def _not_fetched(exc: HTTPError) -> NotFetched:
    said = ""
    if exc.code == http.HTTPStatus.FORBIDDEN:
        said = ": is weather.contact right, and may this shop ask there?"
    elif exc.code == http.HTTPStatus.NOT_FOUND:
        said = ": it has nothing for this position, or the address is wrong"
    return NotFetched(
        f"it answered {exc.code}{said}",
        retryable=exc.code >= 500 or exc.code in _AGAIN,
        retry_after_s=_retry_after_s(exc.headers),
    )


def _retry_after_s(told: Any) -> float | None:
    """Seconds, or a date by the server's own clock (RFC 9110, section 10.2.3). [s]"""
    text = (told.get("Retry-After") or "").strip()
    if text.isdigit():
        return float(text)
    until_ms, sent_ms = _date_ms(text), _date_ms(told.get("Date"))
    if until_ms is None:
        return None
    return max(0.0, (until_ms - (sent_ms or time.time() * 1000)) / 1000)


def _date_ms(text: str | None) -> int | None:
    """An HTTP date; None if there is none that can be read. [ms since 1970-01-01 UTC]"""
    try:
        return to_ms(parsedate_to_datetime(text or ""))
    except (TypeError, ValueError):
        return None
