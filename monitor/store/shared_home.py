"""A database as a home that several processes share."""

from __future__ import annotations

import atexit
import functools
import time
from collections.abc import Callable
from typing import Any, TypeVar

from monitor.store.connection import StoreAddress, StoreConnection, opened

T = TypeVar("T")
HELD_S = 1.0
"""Time for which an answer of the database is held, because a round or a page asks for it often. [s]"""


class SharedHome:
    """Connections of a process to a database: one to read, and from their first use on one
    to write and one to ask the service.

    Threads may share it.
    """

    def __init__(self, read_address: StoreAddress, address: StoreAddress) -> None:
        self.reading = opened(read_address, read_only=True)
        self._address = address
        self._held: dict[str, tuple[float, Any]] = {}

    @functools.cached_property
    def writing(self) -> StoreConnection:
        return opened(self._address, read_only=False)

    @functools.cached_property
    def asking(self) -> StoreConnection:
        """Connection for requests; its user may perhaps write nothing else."""
        return opened(self._address, read_only=False, turn="request")

    def close(self) -> None:
        """Close all connections that were opened."""
        for name in ("reading", "writing", "asking"):
            if name in self.__dict__:
                self.__dict__[name].close()

    def held(self, name: str, ask: Callable[[], T]) -> T:
        """The answer of `ask`, or the one that is held under a name."""
        now_s, held = time.monotonic(), self._held.get(name)
        if held is None or now_s - held[0] > HELD_S:
            held = self._held[name] = (now_s, ask())
        found: T = held[1]
        return found

    def forget(self) -> None:
        """Hold no answer: something was written."""
        self._held.clear()


@functools.cache
def shared_home(read_address: StoreAddress, address: StoreAddress) -> SharedHome:
    """The home in a database, one for a process and open until it ends."""
    home = SharedHome(read_address, address)
    atexit.register(home.close)
    return home
