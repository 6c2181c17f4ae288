"""The states of several shops, read from their stores in the background."""

from __future__ import annotations

import logging
import threading
import time
from typing import TYPE_CHECKING, NamedTuple

from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault
from monitor.store import shop_states

if TYPE_CHECKING:
    from collections.abc import Mapping

    from monitor.domain.shop_state import ShopState
    from monitor.settings.outside_groups import OtherShop

log = logging.getLogger(__name__)

FRESH_S = 30.0
"""Age from which the states are read again. [s]"""
OLD_S = 120.0
"""Age from which the states are not shown: nobody has looked meanwhile. [s]"""
FIRST_WAIT_S = 6.0
"""Longest wait of a page if no states are to be shown: longer than a server may take to answer. [s]"""
LATE_MS = 300_000
"""A state that is older says that its shop's service does not evaluate. [ms]  Ours: five rounds."""
UNKNOWN = 4
"""Gravity of a shop of which nothing is known: it comes before all alerts."""


class ShopLine(NamedTuple):
    """Shop with its state, None if none could ever be read; `away` if it cannot be read now."""

    shop: OtherShop
    state: ShopState | None
    away: bool = False

    @property
    def name(self) -> str:
        """Name of the shop; its id if it has none, or nothing was read."""
        return (self.state.name if self.state else "") or self.shop.id

    def late(self, now: int) -> bool:
        """Return whether the shop's service has stopped renewing the state. [ms]"""
        return self.state is None or abs(now - self.state.made_ms) > LATE_MS

    def gravity(self, now: int) -> int:
        """0 to 3 as its gravest alert; `UNKNOWN` if the present state is not known. [ms]"""
        state = self.state
        if self.away or state is None or self.late(now):
            return UNKNOWN
        if not state.alerts and not state.places:
            return UNKNOWN
        return state.urgency


class ShopsQueries:
    """States of the shops in the settings. Threads share one; a page waits only if there are none."""

    def __init__(self, shops: tuple[OtherShop, ...]) -> None:
        self._shops = {one.id: one for one in shops}
        self._lock = threading.Lock()
        self._known = threading.Event()
        self._reading = False
        self._read_s = -FRESH_S
        self._states: Mapping[str, ShopState | StoreFault | None] = {}
        self._last: dict[str, ShopState] = {}
        self.read_ms: int | None = None
        """When the states were read; None if they are old, or not read yet. [ms since 1970-01-01 UTC]"""

    def lines(self, now: int | None = None) -> list[ShopLine]:
        """All shops, the gravest first, then by name. [ms]"""
        self._renew()
        self._known.wait(FIRST_WAIT_S)
        now = now_ms() if now is None else now
        found = [self._line(one) for one in self._shops.values()]
        return sorted(found, key=lambda one: (-one.gravity(now), one.name.casefold(), one.shop.id))

    def _line(self, shop: OtherShop) -> ShopLine:
        read = self._states.get(shop.id)
        if isinstance(read, StoreFault):
            return ShopLine(shop, self._last.get(shop.id), away=True)
        return ShopLine(shop, read)

    def _renew(self) -> None:
        with self._lock:
            age_s = time.monotonic() - self._read_s
            if self._reading or age_s < FRESH_S:
                return
            self._reading = True
            if age_s > OLD_S:
                self._known.clear()
                self.read_ms = None
        threading.Thread(target=self._read, name="shops", daemon=True).start()

    def _read(self) -> None:
        try:
            urls = {one.id: one.url.get_secret_value() for one in self._shops.values()}
            states = shop_states.read_all(urls)
            for i, fault in states.items():
                if isinstance(fault, StoreFault) and str(fault) != str(self._states.get(i)):
                    log.warning("store of a shop cannot be read shop=%s reason=%s", i, fault)
            self._last |= {
                i: one for i, one in states.items() if one and not isinstance(one, StoreFault)
            }
            self._states, self.read_ms = states, now_ms()
        finally:
            with self._lock:
                self._reading, self._read_s = False, time.monotonic()
            self._known.set()
