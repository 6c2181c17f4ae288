"""The shop's journal as the pages ask of it: read on, never anew, shared by all threads."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from monitor.commands import Journal
from monitor.core.errors import StoreFault

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TypeVar

    from dashboard.data.shop import Reader, ShopData

    T = TypeVar("T")


class KeptJournal:
    """One reader and one journal, and what was last worked out from them.

    `forget` is called when they are replaced, as after a fault: what rests on them is void.
    """

    def __init__(self, shop: ShopData) -> None:
        self._shop = shop
        self._lock = threading.Lock()
        self._held: tuple[int, Reader] | None = None
        self._journal: Journal | None = None
        self._forget: list[Callable[[], None]] = []

    def on_loss(self, forget: Callable[[], None]) -> None:
        """Have something called whenever reader and journal are replaced."""
        self._forget.append(forget)

    def ask(self, answer: Callable[[Reader, Journal], T]) -> T:
        """Read on in the journal, then answer. Raises `StoreFault` if it cannot be read."""
        with self._lock:
            try:
                held = self._shop.kept_reader(self._held)
                if self._journal is None or held is not self._held:
                    self._lose()
                    self._held, self._journal = held, Journal(held[1])
                else:
                    self._journal.refresh()
                return answer(held[1], self._journal)
            except StoreFault:
                if self._held:
                    self._held[1].close()
                self._lose()
                raise

    def _lose(self) -> None:
        self._held = self._journal = None
        for forget in self._forget:
            forget()
