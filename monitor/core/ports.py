"""Ports: whether one is taken, becomes free, and a spare one."""

from __future__ import annotations

import socket
import time

FREE_WAIT_S = 3.0
"""Longest time that an ending process may still hold a port. [s]"""


def is_listening(host: str, port: int, *, wait_s: float = 0.5) -> bool:
    """Return whether something listens at an address."""
    try:
        with socket.create_connection((host, port), timeout=wait_s):
            return True
    except OSError:
        return False


def becomes_free(host: str, port: int) -> bool:
    """True if nothing listens at an address, or soon nothing does.

    After a crash the parts of the run before may still be ending.
    """
    deadline = time.monotonic() + FREE_WAIT_S
    while is_listening(host, port):
        if time.monotonic() > deadline:
            return False
        time.sleep(0.05)
    return True


def spare_port(host: str = "127.0.0.1") -> int:
    """A port of this machine that nothing listens on just now; another program may take it at once."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.create_server((host, 0), family=family) as spare:
        return int(spare.getsockname()[1])
