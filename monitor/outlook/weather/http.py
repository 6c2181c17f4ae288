"""Fetch one document over HTTP, within limits of time and size, and return its lifetime.

Only this module asks another machine's web server. Redirects lead to https only and take no key
along; no part of an address stands in an error.
"""

from __future__ import annotations

import logging
import re
import ssl
import threading
import zlib
from collections.abc import Mapping
from email.utils import parsedate_to_datetime
from http import HTTPStatus, client
from typing import NamedTuple
from urllib.parse import unquote, urljoin, urlsplit
from urllib.request import getproxies, proxy_bypass

import urllib3
from urllib3 import exceptions

from monitor.core.clock import now_ms, to_ms
from monitor.core.errors import MonitorError

SOCKET_WAIT_S, MOST_S = 10.0, 30.0
"""Longest time for one step, and for all of it. [s]"""
MOST_BYTES = 8_000_000
"""Largest document accepted, packed and unpacked. [bytes]"""
REDIRECTS_MAX = 4
_LOOPBACK = ("127.0.0.1", "localhost", "::1")
_CHUNK = 65_536
_MAX_AGE = re.compile(r"(?:^|[,\s])(?:max-age)\s*=\s*\"?(\d+)")
_AGAIN = {408, 425, 429}
"""Below 500, answers that another try may change."""
_HINTS: dict[int, str] = {
    HTTPStatus.FORBIDDEN: ": is weather.contact right, and does the service allow this shop?",
    HTTPStatus.NOT_FOUND: ": it has nothing for this position, or the address is wrong",
}


class NotFetched(MonitorError):
    """Error that no document came.

    `retryable`: another try may help with nothing changed by hand. `retry_after_s`: how long the
    server asked to be left alone, None if it did not. [s]
    """

    def __init__(
        self, reason: str, *, retryable: bool = True, retry_after_s: float | None = None
    ) -> None:
        self.retryable, self.retry_after_s = retryable, retry_after_s
        super().__init__(reason)


class Validators(NamedTuple):
    """Marks by which the server knows its document again (RFC 9110, section 8.8)."""

    etag: str = ""
    last_modified: str = ""


class FetchedDocument(NamedTuple):
    """A document, or the news that it is unchanged.

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
    """Fetch one document.

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
    outcome: list[FetchedDocument | NotFetched] = []

    def fetch() -> None:
        try:
            outcome.append(_fetched(url, user_agent, validators, headers or {}, most_bytes, trust))
        except NotFetched as exc:
            outcome.append(exc)

    # A server that answers byte by byte never exceeds the sockets' own limits.
    courier = threading.Thread(target=fetch, name="fetch", daemon=True)
    courier.start()
    courier.join(most_s)
    if not outcome:
        raise NotFetched(f"no complete answer within {most_s:g} s")
    if isinstance(outcome[0], NotFetched):
        raise outcome[0]
    return outcome[0]


def _fetched(
    url: str,
    user_agent: str,
    had: Validators,
    keys: Mapping[str, str],
    most_bytes: int,
    trust: ssl.SSLContext | None,
) -> FetchedDocument:
    headers = {
        "User-Agent": user_agent,
        "Accept": "application/json, application/geo+json;q=0.9, */*;q=0.1",
        "Accept-Encoding": "gzip",
        "If-None-Match": had.etag,
        "If-Modified-Since": had.last_modified,
    }
    sent = {name: value for name, value in headers.items() if value}
    trust = trust or ssl.create_default_context()
    logging.getLogger("urllib3").setLevel(logging.ERROR)  # its debug lines hold the whole address
    try:
        for hop in range(REDIRECTS_MAX + 1):
            with (
                _pool(url, trust) as pool,
                pool.request(
                    "GET",
                    url,
                    headers=sent if hop else {**sent, **keys},
                    timeout=SOCKET_WAIT_S,
                    retries=False,
                    redirect=False,
                    preload_content=False,
                    decode_content=False,
                ) as response,
            ):
                target = response.get_redirect_location()
                if not target:
                    return _document(response, had, most_bytes)
            url = urljoin(url, target)
            if urlsplit(url).scheme != "https":
                raise NotFetched("it redirects to an address that is not https", retryable=False)
        raise NotFetched(f"it redirects more than {REDIRECTS_MAX} times", retryable=False)
    except exceptions.SSLError:
        raise NotFetched(
            "its certificate is not trusted, or the server does not use TLS"
        ) from None
    except exceptions.NewConnectionError as exc:
        raise NotFetched(f"no answer: {getattr(exc.__cause__, 'strerror', None)}") from None
    except exceptions.TimeoutError:
        raise NotFetched(f"no answer within {SOCKET_WAIT_S:g} s") from None
    except exceptions.ProtocolError as exc:
        if any(isinstance(arg, client.IncompleteRead) for arg in exc.args):
            raise NotFetched("the answer is incomplete") from None
        raise NotFetched("no answer that can be read") from None
    except (exceptions.HTTPError, client.HTTPException, OSError, ValueError) as exc:
        raise NotFetched(f"no answer that can be read: {type(exc).__name__}") from None


def _pool(url: str, trust: ssl.SSLContext) -> urllib3.PoolManager:
    """Connections to a server: straight on this machine, else by the system's proxy, if any."""
    address = urlsplit(url)
    host = address.hostname or ""
    proxy = getproxies().get(address.scheme)
    if not proxy or host in _LOOPBACK or proxy_bypass(host):
        return urllib3.PoolManager(ssl_context=trust)
    by = urllib3.util.parse_url(proxy if "://" in proxy else f"http://{proxy}")
    signed = urllib3.make_headers(proxy_basic_auth=unquote(by.auth)) if by.auth else None
    return urllib3.ProxyManager(by.url, proxy_headers=signed, ssl_context=trust)


def _document(
    response: urllib3.BaseHTTPResponse, had: Validators, most_bytes: int
) -> FetchedDocument:
    headers, status = response.headers, response.status
    unchanged = status == HTTPStatus.NOT_MODIFIED and any(had)
    if not unchanged and not HTTPStatus.OK <= status < HTTPStatus.MULTIPLE_CHOICES:
        raise NotFetched(
            f"it answered {status}{_HINTS.get(status, '')}",
            retryable=status >= HTTPStatus.INTERNAL_SERVER_ERROR or status in _AGAIN,
            retry_after_s=_retry_after_s(headers),
        )
    body = None if unchanged else _body(response, most_bytes)
    new = Validators(headers.get("ETag", "").strip(), headers.get("Last-Modified", "").strip())
    if unchanged:  # such an answer may leave them out
        new = Validators(new.etag or had.etag, new.last_modified or had.last_modified)
    sent_ms = _date_ms(headers.get("Date"))
    deprecated = status == HTTPStatus.NON_AUTHORITATIVE_INFORMATION
    return FetchedDocument(body, new, _good_for_s(headers, sent_ms), sent_ms, deprecated)


def _body(response: urllib3.BaseHTTPResponse, most_bytes: int) -> bytes:
    """The whole document, unpacked here: the library takes a gzip that breaks off for whole."""
    coding = response.headers.get("Content-Encoding", "identity").strip().lower()
    if coding not in ("identity", "gzip", "x-gzip", ""):
        raise NotFetched(f"it packs its answer by {coding[:20]!r}, which was not asked for")
    unpacker = zlib.decompressobj(16 + zlib.MAX_WBITS) if "gzip" in coding else None
    body, packed = bytearray(), 0
    for chunk in response.stream(_CHUNK, decode_content=False):
        packed += len(chunk)
        try:
            body += unpacker.decompress(chunk, most_bytes + 1 - len(body)) if unpacker else chunk
        except zlib.error:
            raise NotFetched("the answer is not valid gzip") from None
        if max(len(body), packed) > most_bytes:
            raise NotFetched(
                f"more than {most_bytes / 1e6:g} MB: a larger answer is rejected", retryable=False
            )
    if unpacker and not unpacker.eof:
        raise NotFetched("the answer is incomplete")
    return bytes(body)


def _good_for_s(headers: Mapping[str, str], sent_ms: int | None) -> float:
    """Time for which the answer is fresh (RFC 9111, section 4.2), by the server's clock. [s]"""
    if found := _MAX_AGE.search(headers.get("Cache-Control", "").lower()):
        age = headers.get("Age", "0").strip()
        return max(0.0, float(found[1]) - (float(age) if age.isdigit() else 0.0))
    expires_ms = _date_ms(headers.get("Expires"))
    if expires_ms is None or sent_ms is None:
        return 0.0
    return max(0.0, (expires_ms - sent_ms) / 1000)


def _retry_after_s(headers: Mapping[str, str]) -> float | None:
    """Seconds, or a date by the server's own clock (RFC 9110, section 10.2.3). [s]"""
    text = headers.get("Retry-After", "").strip()
    if text.isdigit():
        return float(text)
    until_ms, sent_ms = _date_ms(text), _date_ms(headers.get("Date"))
    if until_ms is None:
        return None
    return max(0.0, (until_ms - (sent_ms or now_ms())) / 1000)


def _date_ms(text: str | None) -> int | None:
    """An HTTP date; None if there is none that can be read. [ms since 1970-01-01 UTC]"""
    try:
        return to_ms(parsedate_to_datetime(text or ""))
    except (TypeError, ValueError):
        return None
