"""The address of this machine in its network."""

from __future__ import annotations

import ipaddress
import socket

ELSEWHERE = ("192.0.2.1", 9)
"""An address that nobody has (RFC 5737). Nothing is sent to it."""


def own_address() -> str:
    """Address under which other devices in the network reach this machine; empty if it is in none.

    The system names the address that it would send from; a datagram socket sends nothing when it
    is only connected.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(ELSEWHERE)
            found = str(way.getsockname()[0])
        except OSError:
            return ""
    address = ipaddress.ip_address(found)
    return "" if address.is_loopback or address.is_unspecified else found
