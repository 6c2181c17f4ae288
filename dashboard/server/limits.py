"""Limits on what one visitor, and all together, may take of the board."""

from __future__ import annotations

import ipaddress
import threading
import time
from collections import Counter, deque
from collections.abc import Iterator, Mapping
from typing import Protocol

CONNECTIONS_MAX, CONNECTIONS_EACH = 500, 100
"""Most connections at a time, in all and of one address; a new one ends the one least in use."""
HEADER_MAX = 32_768
"""Longest headers of a request. [bytes]"""
HEADER_S, BODY_S, BODY_RATE = 10.0, 15.0, 50_000
"""Most time for a TLS handshake with the headers; for a body; bytes for which a body gets a second
more. [s], [s], [bytes]"""
IDLE_S = 20
"""Time after which a connection without a request is closed. [s]"""
CHUNKING_MOST = 4_096
"""Most bytes of a chunked body that are not content, beside a tenth of it. [bytes]"""
SEND_S, SENT_LEAST = 20.0, 200_000
"""Least that a visitor must take of a waiting answer in a time. [s], [bytes]"""
LINGER_S = 2.0
"""Time in which the rest of a rejected request is read and discarded, so that its answer arrives. [s]"""
BODIES_MAX, BODIES_EACH = 64_000_000, 24_000_000
"""Most bytes of requests' bodies held in memory, in all and of one visitor. [bytes]"""
BURST, RATE = 1_000, 100.0
"""Requests that a visitor may send at once, and how many more each second. [-], [1/s]"""
PIPELINED_MAX = 16
"""Most requests that wait on one connection."""
DIRECT = "benchweather.direct"
"""Name in a request's environment of whether it is direct; see `is_direct`."""
WATCHED, WATCHER = "/health", "a program that watches"
"""Address that such a program on this computer asks, and its name as a visitor: it waits for no page
of another browser on this computer."""
FORWARDERS = ("FORWARDED", "VIA", "X_REAL_IP")
"""Names of headers that a proxy adds, beside those that begin with X_FORWARDED."""
VISITORS_MAX = 2_000
"""Most visitors whose requests are counted; the longest silent are forgotten."""

SENTENCES = {
    400: "The request is malformed.",
    408: "The request took too long.",
    413: "The request is too large.",
    429: "Too many requests from this address. Wait a minute, then try again.",
    431: "The headers of the request are too large.",
    501: "This kind of transfer is not supported.",
    503: "The board is busy. Try again in a minute.",
}


HTTPS_ONLY = "Open this board with https:// before its address."
REASONS = {400: "Bad Request", 408: "Request Timeout"}


def plain_answer(code: int, sentence: str = "") -> tuple[list[tuple[str, str]], bytes]:
    """Headers and body of an answer that no page gives: one plain line."""
    body = f"{sentence or SENTENCES.get(code, 'The board failed to answer.')}\n".encode()
    headers = [
        ("Content-Type", "text/plain; charset=utf-8"),
        ("X-Content-Type-Options", "nosniff"),
        ("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'"),
        ("Cache-Control", "no-store"),
    ]
    return headers, body


def raw_answer(code: int, sentence: str = "") -> bytes:
    """The whole answer to a request that was not even complete."""
    headers, body = plain_answer(code, sentence)
    headers += [("Connection", "close"), ("Content-Length", str(len(body)))]
    lines = [f"HTTP/1.1 {code} {REASONS[code]}", *(f"{name}: {value}" for name, value in headers)]
    return "\r\n".join([*lines, "", ""]).encode() + body


class RequestRate:
    """Requests counted for each visitor: a burst, then so many a second."""

    def __init__(self, burst: float, rate: float) -> None:
        self._burst, self._rate = burst, rate
        self._left: dict[str, tuple[float, float]] = {}

    def take(self, visitor: str, now_s: float) -> bool:
        """Count a request; False if there are too many."""
        left, at = self._left.pop(visitor, (self._burst, now_s))
        left = min(self._burst, left + (now_s - at) * self._rate)
        while len(self._left) >= VISITORS_MAX:
            del self._left[next(iter(self._left))]
        self._left[visitor] = (left - 1 if left >= 1 else left, now_s)
        return left >= 1

    def __len__(self) -> int:
        return len(self._left)


class Queued(Protocol):
    """A connection with a request to answer."""

    visitor: str


class FairQueue:
    """Queue of connections with a request to answer: one of each visitor in turn, and of no visitor
    more than `running_max` at a time."""

    def __init__(self, running_max: int) -> None:
        self._running_max, self._lock = running_max, threading.Lock()
        self._waiting: dict[str, deque[Queued]] = {}
        self._running: dict[Queued, str] = {}

    def append(self, channel: Queued) -> None:
        self._waiting.setdefault(channel.visitor, deque()).append(channel)

    def popleft(self) -> Queued:
        """The next connection; the dispatcher holds its lock."""
        visitor = next(self._ready())
        channels = self._waiting.pop(visitor)
        channel = channels.popleft()
        if channels:
            self._waiting[visitor] = channels  # behind the others
        with self._lock:
            self._running[channel] = visitor
        return channel

    def done(self, channel: Queued) -> None:
        """Note that the request of a connection is answered."""
        with self._lock:
            self._running.pop(channel, None)

    def __len__(self) -> int:
        """Connections whose turn can come now."""
        return sum(len(self._waiting[visitor]) for visitor in self._ready())

    def _ready(self) -> Iterator[str]:
        with self._lock:
            running = Counter(self._running.values())
        return (v for v in list(self._waiting) if running[v] < self._running_max)


class Tally:
    """Counts of refusals, logged once in a while instead of each time."""

    def __init__(self, every_s: float = 60.0) -> None:
        self._every_s, self._lock = every_s, threading.Lock()
        self._counts: dict[str, int] = {}
        self._told_s = time.monotonic() - every_s

    def add(self, what: str) -> None:
        with self._lock:
            self._counts[what] = self._counts.get(what, 0) + 1

    def due(self, now_s: float) -> str:
        """Counts since the last log line, as key=value; empty before the next is due."""
        with self._lock:
            if not self._counts or now_s - self._told_s < self._every_s:
                return ""
            self._told_s, counts, self._counts = now_s, self._counts, {}
        return " ".join(f"{name}={count}" for name, count in counts.items())


def is_direct(address: str, headers: Mapping[str, str]) -> bool:
    """True if a request comes from a program on this computer and has no header of a proxy.
    Headers have the names that waitress gives them."""
    try:
        local = ipaddress.ip_address(visitor_of_address(address)).is_loopback
    except ValueError:
        return False
    return local and not any(
        name in FORWARDERS or name.startswith("X_FORWARDED") for name in headers
    )


def visitor_of_address(address: str) -> str:
    """Name under which limits count an address; for public IPv6 its network of 64 bits."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped:
            return str(found.ipv4_mapped)
        if found.is_global:
            return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)
