"""Web push: a notice encrypted for one browser (RFC 8291), signed (RFC 8292) and handed to its push
service (RFC 8030).

The libraries for it are known here alone. The address of a push service comes from a browser, so it
may lead anywhere: only https is taken, every address of its host must be a public one, the connection
goes to the address that was checked, and a redirect is not followed.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import http.client
import ipaddress
import json
import socket
import ssl
import threading
from collections.abc import Callable
from typing import NamedTuple
from urllib.parse import urlsplit

from monitor.alerting.notifications.sender import NotSent
from monitor.core.clock import now_ms
from monitor.core.errors import MonitorError
from monitor.domain.notification import Notice

SOCKET_WAIT_S, MOST_S = 10.0, 30.0
"""Longest time for one step, and for all of it. [s]"""
LIFE_S = 86_400
"""Time for which the push service keeps a notice for a phone that is off. [s]"""
SIGNED_S = 12 * 3600
"""Lifetime of a signature; RFC 8292 allows 24 h. [s]"""
TEXT_MAX = 2_800
"""Longest text of a notice; a message has at most 4096 bytes (RFC 8291). [bytes]"""
ENDPOINT_MAX = 1_000
KEY_BYTES, SECRET_BYTES = 65, 16
"""Length of a browser's public key, an uncompressed point of P-256, and of its secret. [bytes]"""
CONTACT = "mailto:shop@benchweather.invalid"
"""Contact in the signature where the settings have none."""
_URGENCIES = ("low", "normal", "high")
NAT64 = ipaddress.ip_network("64:ff9b::/96")
"""IPv6 addresses that stand for IPv4 ones (RFC 6052)."""
UNICAST = ipaddress.ip_network("2000::/3")
"""IPv6 addresses of the public internet; others lead into a network of its own (RFC 4291)."""
_GONE = {404, 410}
_AGAIN = {408, 425, 429}

Allowed = Callable[[str], bool]
"""Whether a connection may go to an IP address."""


class Browser(NamedTuple):
    """A browser's push subscription. `key` and `secret`: base64url, as the browser gives them."""

    endpoint: str
    key: str
    secret: str


class SubscriptionGone(NotSent):
    """The push service no longer knows a subscription."""


class BadSubscription(MonitorError):
    """A subscription cannot be used."""


def is_public(address: str) -> bool:
    """Return whether an IP address is one of the public internet."""
    found = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(found, ipaddress.IPv6Address):
        inside = found.ipv4_mapped or found.sixtofour
        if inside is None and found in NAT64:
            inside = ipaddress.IPv4Address(found.packed[-4:])
        if inside is not None:
            return inside.is_global and not inside.is_multicast
        if found not in UNICAST:
            return False
    return found.is_global and not found.is_multicast


def checked(browser: Browser) -> Browser:
    """The subscription, if it has the form of one. No host is asked.

    Raises
    ------
    BadSubscription
        With the reason; it has nothing of the address.
    """
    parts = _split(browser.endpoint)
    if parts.scheme != "https":
        raise BadSubscription("the push service's address must begin with https://")
    if not parts.hostname or parts.username is not None or parts.password is not None:
        raise BadSubscription("the push service's address must have a host and no password")
    for name, text, length in (
        ("p256dh", browser.key, KEY_BYTES),
        ("auth", browser.secret, SECRET_BYTES),
    ):
        if len(_bytes(text)) != length:
            raise BadSubscription(f"{name} must have {length} bytes in base64url")
    return browser


def new_key() -> str:
    """A new key that signs notices, as PEM. Phones know the shop by it: with a new key every phone must
    be added again."""
    from py_vapid import Vapid02

    fresh = Vapid02()
    fresh.generate_keys()
    pem: bytes = fresh.private_pem()
    return pem.decode()


def public_key(key: str) -> str:
    """The public half of a key, in base64url.

    Raises
    ------
    ValueError
        If it is not one.
    """
    from cryptography.hazmat.primitives import serialization
    from py_vapid import Vapid02

    point = Vapid02.from_pem(key.encode()).public_key.public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )
    return _text(point)


def send(
    browser: Browser,
    notice: Notice,
    key: str,
    *,
    contact: str = CONTACT,
    allowed: Allowed = is_public,
    trust: ssl.SSLContext | None = None,
    most_s: float = MOST_S,
) -> None:
    """Send one notice to a browser. When this returns, its push service has taken it.

    Parameters
    ----------
    key : str
        As `new_key` made it.
    contact : str
        Contact for the push service, mailto: or https:.
    allowed : callable
        Decides on each address of the push service's host.
    trust : SSLContext, optional
        Certificates to trust instead of the system's.
    most_s : float
        After this it counts as not sent. [s]

    Raises
    ------
    SubscriptionGone
        If the push service no longer knows the browser.
    NotSent
    """
    outcome: list[int | NotSent] = []
    lines: list[socket.socket] = []

    def go() -> None:
        try:
            body = _encrypted(browser, notice)
            headers = _headers(browser.endpoint, notice, key, contact)
            outcome.append(_posted(browser.endpoint, body, headers, allowed, trust, lines))
        except NotSent as exc:
            outcome.append(exc)
        except BadSubscription as exc:
            outcome.append(NotSent(str(exc), retryable=False))

    # A server that answers byte by byte never exceeds the sockets' own limits.
    courier = threading.Thread(target=go, name="push", daemon=True)
    courier.start()
    courier.join(most_s)
    if not outcome:
        for line in lines:  # else its thread would wait for as long as the server likes
            with contextlib.suppress(OSError):
                socket.socket.shutdown(line, socket.SHUT_RDWR)
        raise NotSent(f"no answer within {most_s:g} s", retryable=True)
    found = outcome[0]
    if isinstance(found, NotSent):
        raise found
    if found in _GONE:
        raise SubscriptionGone("the push service no longer knows this phone", retryable=False)
    if not 200 <= found < 300:
        raise NotSent(f"it answered {found}", retryable=found >= 500 or found in _AGAIN)


def _encrypted(browser: Browser, notice: Notice) -> bytes:
    """The notice for the browser's own eyes (RFC 8291)."""
    import http_ece
    from cryptography.hazmat.primitives.asymmetric import ec

    text = notice.text.encode()[:TEXT_MAX].decode(errors="ignore")
    fields = {"id": notice.notice_id, "title": notice.title[:200], "text": text}
    try:
        sealed: bytes = http_ece.encrypt(
            json.dumps(fields, ensure_ascii=False).encode(),
            private_key=ec.generate_private_key(ec.SECP256R1()),
            dh=_bytes(browser.key),
            auth_secret=_bytes(browser.secret),
            version="aes128gcm",
        )
    except ValueError:  # its key is not a point of the curve
        raise NotSent("the phone's key cannot be used", retryable=False) from None
    return sealed


def _headers(endpoint: str, notice: Notice, key: str, contact: str) -> dict[str, str]:
    """Headers of RFC 8030 and the signature of RFC 8292."""
    from py_vapid import Vapid02

    parts = _split(endpoint)
    claims = {"aud": f"https://{parts.netloc}", "exp": now_ms() // 1000 + SIGNED_S, "sub": contact}
    try:
        signed: dict[str, str] = Vapid02.from_pem(key.encode()).sign(claims)
    except ValueError as exc:
        reason = f"the key that signs notices cannot be read: {type(exc).__name__}"
        raise NotSent(reason, retryable=True) from None
    topic = hashlib.sha256(notice.notice_id.encode()).digest()[:24]  # a repeat replaces the first
    return {
        **signed,
        "Content-Encoding": "aes128gcm",
        "Content-Type": "application/octet-stream",
        "TTL": str(LIFE_S),
        "Urgency": _URGENCIES[notice.urgency - 1],
        "Topic": _text(topic),
    }


def _posted(
    endpoint: str,
    body: bytes,
    headers: dict[str, str],
    allowed: Allowed,
    trust: ssl.SSLContext | None,
    lines: list[socket.socket],
) -> int:
    """Post to a checked address of the host; return the status of the answer. `lines` gets the
    connection."""
    parts = _split(endpoint)
    host, port = parts.hostname or "", parts.port or 443
    target = parts.path + (f"?{parts.query}" if parts.query else "")
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        addresses = list(dict.fromkeys(str(one[4][0]) for one in found))
        if not addresses or not all(map(allowed, addresses)):
            raise NotSent("its host is not on the public internet", retryable=False)
        with (
            _connected(addresses, port) as line,
            (trust or ssl.create_default_context()).wrap_socket(
                line, server_hostname=host, do_handshake_on_connect=False
            ) as tls,
        ):
            lines.append(tls)
            tls.do_handshake()
            connection = http.client.HTTPSConnection(host, port)
            connection.sock = tls
            connection.request("POST", target or "/", body, headers)
            return connection.getresponse().status
    except socket.gaierror:
        raise NotSent("its host is not found", retryable=True) from None
    except ssl.SSLCertVerificationError:
        raise NotSent("its certificate cannot be trusted", retryable=False) from None
    except TimeoutError:
        raise NotSent("no answer in time", retryable=True) from None
    except (OSError, http.client.HTTPException, ValueError) as exc:
        reason = f"no answer that can be read: {type(exc).__name__}"
        raise NotSent(reason, retryable=True) from None


def _connected(addresses: list[str], port: int) -> socket.socket:
    """A connection to the first address that answers."""
    for address in addresses[:-1]:
        try:
            return socket.create_connection((address, port), SOCKET_WAIT_S)
        except OSError:
            continue
    return socket.create_connection((addresses[-1], port), SOCKET_WAIT_S)


class _Parts(NamedTuple):
    scheme: str
    netloc: str
    hostname: str | None
    port: int | None
    path: str
    query: str
    username: str | None
    password: str | None


def _split(endpoint: str) -> _Parts:
    """The parts of an address.

    Raises
    ------
    BadSubscription
        If it is none.
    """
    if len(endpoint) > ENDPOINT_MAX or not endpoint.isascii() or not endpoint.isprintable():
        raise BadSubscription("the push service's address cannot be read")
    try:
        one = urlsplit(endpoint)
        port = one.port
    except ValueError:
        raise BadSubscription("the push service's address cannot be read") from None
    if " " in endpoint:
        raise BadSubscription("the push service's address has a space")
    return _Parts(
        one.scheme, one.netloc, one.hostname, port, one.path, one.query, one.username, one.password
    )


def _bytes(text: str) -> bytes:
    """The bytes of a text in base64url, with or without padding; none if it is not that."""
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except ValueError:
        return b""


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")
