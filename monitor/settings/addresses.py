"""Addresses in settings: hosts, brokers, databases, services."""

from __future__ import annotations

import contextlib
import ipaddress
import re
from urllib.parse import urlsplit

LOOPBACK = ("127.0.0.1", "localhost", "::1")
_DATABASE_HOST = r"(\[[0-9A-Fa-f:.]+\]|[^\s/@?#:,\[\]]*)(:\d{1,5})?"
_DATABASE_URL = re.compile(
    rf"postgresql://([^\s/@?#]*@)?{_DATABASE_HOST}(,{_DATABASE_HOST})*/[^\s/@?#]+(\?\S*)?"
)
SERVICE_URL = re.compile(r"[a-zA-Z0-9]{1,32}://\S*")
_LABEL = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?")


def is_host(value: str) -> bool:
    """Return whether it is an IP address or a host name (RFC 1123)."""
    with contextlib.suppress(ValueError):
        ipaddress.ip_address(value)
        return True
    labels = value.removesuffix(".").split(".")
    return len(value) <= 253 and all(_LABEL.fullmatch(label) for label in labels)


def host(value: str) -> str:
    """The address as given. Raises ValueError if it is neither an IP address nor a host name."""
    if not is_host(value):
        raise ValueError("must be an IP address or a host name")
    return value


def mqtt_url(value: str) -> str:
    """A broker's address as given.

    Raises
    ------
    ValueError
        If it is not a broker's address, or holds a password.
    """
    try:
        parts = urlsplit(value)
        sound = parts.scheme in ("mqtt", "mqtts") and is_host(parts.hostname or "")
        sound = sound and (parts.port is None or parts.port > 0)
    except ValueError:  # a port that is none
        sound = False
    if not sound:
        raise ValueError("must be mqtt://host:port or mqtts://host:port, or empty")
    if parts.username or parts.password:
        raise ValueError("must not hold a password: use broker.user and broker.password")
    return value


def database_fault(url: str) -> str:
    """Reason why this is not the URL of a database; empty if it is one."""
    if _DATABASE_URL.fullmatch(url):
        return ""
    return (
        "must be postgresql://user@host/database; in a name or password write @ as %40, / as %2F, "
        ": as %3A, ? as %3F, # as %23 and % as %25"
    )
