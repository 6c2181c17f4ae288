"""Standby: of several services with one store one works, the others wait for its lease.

A thread renews the lease by a connection of its own. If the process of the holder dies or is frozen,
the lease passes after `LEASE_MS` to a service on standby; if only a part hangs, the thread goes on. The
former holder notices at its next transaction or renewal, or before it sends a notice; it ends. A notice
that was on its way in that moment can come twice, with one id.
"""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
from typing import TYPE_CHECKING

from monitor.core.errors import SettingsFault, StoreFault, StoreUnavailable
from monitor.settings.shop_broker import client_id
from monitor.store import lease
from monitor.store.connection import Fence, opened

if TYPE_CHECKING:
    from monitor.core.systemd import Notifier
    from monitor.settings import Settings

log = logging.getLogger(__name__)

RENEW_S, ASK_S = 3.0, 2.0
"""Periods of renewing the lease, and of asking for it. [s]"""


class Standby:
    """A service's hold on the lease of its store, from its first start to its last end.

    Raises
    ------
    SettingsFault
        If no other computer could take over: the store or the broker is of this computer alone.
    """

    def __init__(self, settings: Settings) -> None:
        if settings.demo or not (settings.store.url.get_secret_value() and settings.broker.url):
            raise SettingsFault(
                [
                    "--standby needs a database (store.url) and an outside broker (broker.url), "
                    "the same on both computers. The demo cannot be on standby."
                ]
            )
        self._name = f"{socket.gethostname()}:{settings.data.absolute()}"
        self._own_id, self._fixed_id = client_id(settings), settings.broker.client_id
        self._store = opened(settings.store_address, read_only=False)
        self._store.claim(standby=True)
        self._holding: lease.Holding | None = None
        self._end = threading.Event()
        self._keeper = threading.Thread(target=self._keep, name="lease", daemon=True)
        self.fence = Fence(0)
        """What each transaction of the service compares with the lease."""

    @property
    def client_id(self) -> str:
        """Client id of the session at the broker, the same whichever service holds the lease."""
        return self._fixed_id or (self._holding.client_id if self._holding else self._own_id)

    def wait(self, stop: threading.Event, notifier: Notifier) -> bool:
        """Wait until this service holds the lease; False if asked to stop before."""
        reported = ""
        while self._holding is None:
            try:
                self._holding = lease.take(self._store, self._name, self._own_id)
                if self._holding is not None:
                    break
                text = f"Standby: {lease.holder(self._store)} works."
            except StoreUnavailable as exc:
                text = f"Standby: {exc}"
            if text != reported:
                reported = text
                log.warning("%s", text)
                notifier.ready(text)
            notifier.alive(text)
            if stop.wait(ASK_S):
                return False
        if not self._keeper.is_alive():
            self.fence.number = self._holding.number
            log.warning("lease taken number=%d", self._holding.number)
            self._keeper.start()
        return True

    def release(self) -> None:
        """Give the lease back; the service has stopped writing."""
        self._end.set()
        if self._keeper.is_alive():
            self._keeper.join(ASK_S)
        with contextlib.suppress(StoreFault):
            if self._holding is not None:
                lease.give_back(self._store, self._holding.number)
        self._store.close()

    def _keep(self) -> None:
        away = False
        while not (self._end.wait(RENEW_S) or self.fence.lost):
            try:
                self.fence.lost = not lease.renew(self._store, self.fence.number)
                away = False
            except StoreFault as exc:
                if not away:
                    log.warning("lease cannot be renewed reason=%s", exc)
                away = True
