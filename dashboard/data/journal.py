"""The shop's journal as the pages ask of it, and answers that all who look share."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Generic, TypeVar

from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable

    from dashboard.data.shop import Reader, ShopData

T = TypeVar("T")


class CachedJournal:
    """Journal shared by all threads, read onward and never from the start again."""

    def __init__(self, shop: ShopData) -> None:
        self._shop = shop
        self._lock = threading.Lock()
        self._held: tuple[int, Reader] | None = None
        self._journal: Journal | None = None
        self._forget: list[Callable[[], None]] = []

    def on_loss(self, forget: Callable[[], None]) -> None:
        """Have `forget` called when the journal is read anew, as after a fault: answers are void."""
        self._forget.append(forget)

    def ask(self, answer: Callable[[Reader, Journal], T]) -> T:
        """Read on in the journal, then answer with this thread's own reader.

        Nobody waits for an answer that takes long, such as a PDF: only the reading on is one
        thread's at a time. Raises `StoreFault` if the store cannot be read.
        """
        with self._lock:
            try:
                journal = self._current()
            except StoreFault:
                self._lose()
                raise
        try:
            with self._shop.reader() as reader:
                return answer(reader, journal)
        except StoreFault:
            with self._lock:
                self._lose()
            raise

    def _current(self) -> Journal:
        held = self._shop.kept_reader(self._held)
        if self._journal is None or held is not self._held:
            self._lose()
            self._held, self._journal = held, Journal(held[1])
        else:
            self._journal.refresh()
        return self._journal.snapshot()

    def _lose(self) -> None:
        if self._held:
            self._held[1].close()
        self._held = self._journal = None
        for forget in self._forget:
            forget()


class SharedAnswers(Generic[T]):
    """Answers that all who look share: each is worked out once, by one thread at a time.

    Parameters
    ----------
    kept : CachedJournal
        When it is read anew, the answers are forgotten.
    fresh_ms : int, optional
        How long an answer is good; None for ever. [ms]
    most : int
        How many are kept.
    """

    def __init__(self, kept: CachedJournal, fresh_ms: int | None, most: int = 1) -> None:
        self._fresh_ms, self._most = fresh_ms, most
        self._lock = threading.Lock()
        self._held: dict[Hashable, tuple[int, T]] = {}
        kept.on_loss(self._forget)

    def get(self, key: Hashable, work_out: Callable[[], T]) -> T:
        """The answer for a key; `work_out` is called if there is none that is still good."""
        with self._lock:
            now, held = now_ms(), self._held
            found = held.get(key)
            if found and (self._fresh_ms is None or 0 <= now - found[0] < self._fresh_ms):
                return found[1]
            answer = work_out()
            held.pop(key, None)
            while len(held) >= self._most:
                del held[next(iter(held))]
            held[key] = (now, answer)
            return answer

    def _forget(self) -> None:
        self._held = {}  # an answer under way goes into the one before, and is lost with it
