"""Parts of Benchweather that run without the service, on another computer: kept running until asked to
stop. The board is one of them."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from monitor.core.errors import SettingsFault
from monitor.core.ports import becomes_free
from monitor.core.signals import signals_call
from monitor.core.systemd import Notifier
from monitor.runtime.child_process import ChildProcess
from monitor.service.sole_use import ServiceFault, sole_use
from monitor.settings.child_arguments import child_arguments
from monitor.store.heartbeats import last

if TYPE_CHECKING:
    from monitor.settings import Settings

LOOK_S = 0.5
"""Interval between checks of the processes. [s]"""
STATUS = "Shows the board of a service on another computer."


def keep_running(
    children: Sequence[ChildProcess],
    status: str,
    on_ready: Callable[[], None],
    notifier: Notifier | None = None,
) -> None:
    """Start processes, and start again those that end, until asked to stop."""
    stop, notifier, next_sign_s = threading.Event(), notifier or Notifier({}), 0.0
    with signals_call(stop.set):
        try:
            for child in children:
                child.start()
            notifier.ready(status)
            on_ready()
            while not stop.wait(LOOK_S):
                for child in children:
                    child.restart_if_ended()
                if notifier.watchdog_s and time.monotonic() >= next_sign_s:
                    next_sign_s = time.monotonic() + notifier.watchdog_s
                    notifier.alive(status)
            notifier.stopping()
        finally:
            for child in children:
                child.end()
            for child in children:
                child.stop()


def serve_board(
    settings: Settings, on_ready: Callable[[], None], notifier: Notifier | None = None
) -> None:
    """Serve the board of a service on another computer until asked to stop.

    Raises
    ------
    SettingsFault
        If the store is not one that several computers share.
    ServiceFault
        If the port is taken, or a service works in the data folder: it has its board.
    StoreFault
        If the database cannot be used.
    """
    if not isinstance(settings.store_address, str):
        raise SettingsFault(
            [
                "store.url is not set. Without a database only the service itself serves the board: "
                "start `benchweather run`. The demo has no database."
            ]
        )
    with sole_use(settings.data):
        if not becomes_free(settings.board.host, settings.board.port):
            raise ServiceFault(
                f"port {settings.board.port} on {settings.board.host} is taken: stop the program that "
                "uses it, or set board.port to a free port"
            )
        settings.heartbeat_path.unlink(missing_ok=True)  # of a service that worked here before
        last(settings)  # a store that cannot be read is said at once
        board = ChildProcess("board", ["dashboard", *child_arguments(settings)])
        keep_running([board], STATUS, on_ready, notifier)
