"""The outlook's work on its own, beside the service: its processes share the places by the store."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.core.errors import SettingsFault
from monitor.core.signals import signals_call
from monitor.core.systemd import Notifier
from monitor.outlook.homes import home_of
from monitor.runtime.child_process import ChildProcess
from monitor.settings.child_arguments import child_arguments

if TYPE_CHECKING:
    from monitor.settings import Settings

LOOK_S = 0.5
"""Interval between checks of the processes. [s]"""
STATUS = "Learns places and makes outlooks."


def outlook_processes(settings: Settings, wanted: threading.Event) -> list[ChildProcess]:
    """Processes that the service has for the outlook, started once `wanted` is set: one, unless the
    store is a database, in which several share the places."""
    shared = isinstance(settings.store_address, str)
    return _processes(settings, settings.outlook.processes if shared else 1, wanted)


def usual_processes() -> int:
    """Number of processes for a computer that does this work: one processor stays free."""
    return max(1, (os.cpu_count() or 1) - 1)


def look_ahead(
    settings: Settings,
    processes: int,
    on_ready: Callable[[], None],
    notifier: Notifier | None = None,
) -> None:
    """Learn places and look ahead until asked to stop.

    Raises
    ------
    SettingsFault
        If the store is not one that several computers share.
    StoreFault
        If it cannot be used.
    """
    if not isinstance(settings.store_address, str):
        raise SettingsFault(
            [
                "store.url is not set. Without a database only the service itself makes outlooks: start "
                "`benchweather run`. The demo has no database."
            ]
        )
    stop, notifier, wanted = threading.Event(), notifier or Notifier({}), threading.Event()
    home_of(settings).put([])  # a store that cannot be written is said at once
    children, next_sign_s = _processes(settings, processes, wanted), 0.0
    with signals_call(stop.set):
        wanted.set()
        try:
            notifier.ready(STATUS)
            on_ready()
            while not stop.wait(LOOK_S):
                for child in children:
                    child.restart_if_ended()
                if notifier.watchdog_s and time.monotonic() >= next_sign_s:
                    next_sign_s = time.monotonic() + notifier.watchdog_s
                    notifier.alive(STATUS)
            notifier.stopping()
        finally:
            for child in children:
                child.end()
            for child in children:
                child.stop()


def _processes(settings: Settings, number: int, wanted: threading.Event) -> list[ChildProcess]:
    arguments = ["monitor.outlook", *child_arguments(settings)]
    return [ChildProcess("outlook", arguments, wanted) for _ in range(number)]
