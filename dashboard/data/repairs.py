"""Queries of the pages about repairs: the journal, and the present plan as its file has it."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from monitor.core.clock import now_ms
from monitor.planning import present
from monitor.planning.calendar import calendar_of

if TYPE_CHECKING:
    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import ShopData
    from monitor.commands import Journal
    from monitor.planning.present import PresentPlan


class RepairQueries:
    """The repairs of a shop and their plan. Shared by all threads."""

    def __init__(self, shop: ShopData, kept: CachedJournal) -> None:
        self._shop, self._ask = shop, kept.ask
        self._lock = threading.Lock()
        self._read: tuple[int, PresentPlan | None] = (0, None)

    def journal(self) -> Journal:
        """The journal as it is now: repairs, stock, templates, instruments, wait types."""
        return self._ask(lambda _, journal: journal)

    def plan(self) -> PresentPlan | None:
        """The present plan; None before the first. It is read again when its file has changed."""
        settings = self._shop.settings
        with self._lock:
            at = present.kept_at(settings)
            if at != self._read[0]:
                self._read = (at, present.read(settings))
            return self._read[1]

    def calendar(self) -> bytes:
        """The plan as a calendar."""
        return calendar_of(self.plan(), self.journal(), self._shop.settings, now_ms())
