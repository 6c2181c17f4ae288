"""`benchweather ingest`: a worker that stores readings beside the service."""

from __future__ import annotations

import faulthandler
import os

from monitor.cli.output import out
from monitor.cli.shared import Verbose, exit_on
from monitor.core import logs
from monitor.core.errors import SettingsFault
from monitor.core.imports import uncollected
from monitor.core.systemd import Notifier
from monitor.settings import Settings


def ingest(settings: Settings, verbose: Verbose = False) -> None:
    """Store readings beside the service, on this or another computer. Ctrl-C ends it.

    It needs a database (store.url), an outside broker (broker.url) and the service's broker.group.
    Give each worker a data folder of its own: --data.
    """
    with uncollected():
        from monitor.service.ingest_worker import run_worker

    logs.set_up("ingest", verbose=verbose, as_json=settings.log.format == "json")
    notifier = Notifier.taken_from(os.environ)
    if notifier.watchdog_s:
        faulthandler.enable()

    def ready(number: int) -> None:
        out.print(f"Worker {number} of the group {settings.broker.group}. Ctrl-C ends")
        out.print(f"Broker: {settings.broker.url}   Data: {settings.data}", soft_wrap=True)

    with exit_on(wrong_use=SettingsFault):
        run_worker(settings, ready, notifier)
