"""The outlook's work on its own, beside the service: its processes share the places by the store."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.core.errors import SettingsFault
from monitor.core.systemd import Notifier
from monitor.outlook.homes import home_of
from monitor.runtime.child_process import ChildProcess
from monitor.service.parts_apart import keep_running
from monitor.settings.child_arguments import child_arguments

if TYPE_CHECKING:
    from monitor.settings import Settings

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
    home_of(settings).put([])  # a store that cannot be written is said at once
    keep_running(_processes(settings, processes), STATUS, on_ready, notifier)


def _processes(
    settings: Settings, number: int, wanted: threading.Event | None = None
) -> list[ChildProcess]:
    arguments = ["monitor.outlook", *child_arguments(settings)]
    return [ChildProcess("outlook", arguments, wanted) for _ in range(number)]
