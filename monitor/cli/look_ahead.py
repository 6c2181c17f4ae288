"""`benchweather look-ahead`: makes outlooks beside the service, on this or another computer."""

from __future__ import annotations

import os
from typing import Annotated

import typer

from monitor.cli.output import out
from monitor.cli.shared import Verbose, exit_on
from monitor.core import logs
from monitor.core.errors import SettingsFault
from monitor.core.imports import uncollected
from monitor.core.systemd import Notifier
from monitor.settings import Settings


def look_ahead(
    settings: Settings,
    processes: Annotated[
        int | None,
        typer.Option(min=1, max=64, help="Number of processes (default: all processors but one)"),
    ] = None,
    verbose: Verbose = False,
) -> None:
    """Learn places and make outlooks beside the service, on this or another computer. Ctrl-C ends it.

    It needs a database (store.url). Several computers share the places. Set outlook.processes to 0 if
    the service should not do this work too.
    """
    with uncollected():
        from monitor.service import look_ahead as part

    logs.set_up("look-ahead", verbose=verbose, as_json=settings.log.format == "json")
    number = processes or part.usual_processes()

    def ready() -> None:
        out.print(f"Making outlooks with {number} process{'es' * (number > 1)}. Ctrl-C ends")

    with exit_on(wrong_use=SettingsFault):
        part.look_ahead(settings, number, ready, Notifier.taken_from(os.environ))
