"""Runs the service, again with changed settings when somebody asks, with those before if it must."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable

from monitor.core.errors import MonitorError
from monitor.core.systemd import Notifier
from monitor.service.standby import Standby
from monitor.service.supervisor import Supervisor
from monitor.settings import Settings
from monitor.settings.change import SettingsFile

log = logging.getLogger(__name__)


def run_service(
    settings: Settings,
    on_ready: Callable[[Settings], None],
    notifier: Notifier | None = None,
    *,
    standby: bool = False,
) -> None:
    """Run until asked to stop. `notifier`: the way to systemd; `standby`: wait while another service
    has the lease of the store.

    A restart reads the settings again. If the service cannot start with them, as where a port is
    taken, the file is put back as it was and the service starts with that.

    Raises
    ------
    MonitorError
        If the service cannot start for the first time, or cannot go on.
    """
    notifier = notifier or Notifier({})
    with contextlib.ExitStack() as parts:
        lease = Standby(settings) if standby else None
        if lease is not None:
            parts.callback(lease.release)
        _run_again(settings, on_ready, notifier, lease)


def _run_again(
    settings: Settings,
    on_ready: Callable[[Settings], None],
    notifier: Notifier,
    lease: Standby | None,
) -> None:
    worked: str | None = None
    """Version of the settings that the service last ran with."""
    trouble, ready = "", False
    while True:
        file = SettingsFile(settings)

        def note_ready(settings: Settings = settings) -> None:
            nonlocal ready
            ready = True
            on_ready(settings)

        try:
            service = Supervisor(
                settings, trouble, on_trial=worked is not None, notifier=notifier, standby=lease
            )
            if not service.run(note_ready):
                return
            notifier.status("Starts again with changed settings.")
            worked, trouble, ready = settings.version, "", False
            settings = file.present()
            log.info("service restarts with the settings in %s", file.path)
        except MonitorError as exc:
            if worked is None or ready or (lease is not None and lease.fence.lost):
                raise
            trouble = str(exc)
            log.error("changed settings cannot be used, the former are back reason=%s", exc)
            file.restore(worked)
            worked, settings = None, file.present()
