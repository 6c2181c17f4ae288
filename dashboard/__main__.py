"""Serve the board until it is stopped. The service starts it as `python -m dashboard`."""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import Any

from monitor.core import logs
from monitor.core.errors import SettingsFault
from monitor.settings import Settings, load

log = logging.getLogger("dashboard")

PATIENCE = 15
"""Lower priority of the board behind the ingest where both want the processor. [nice]"""
THREADS = 8
"""Requests answered at a time: a page's first load asks for about as much at once."""

HEADER_MAX = 32_768
"""Longest headers of a request taken. [bytes]"""
CONNECTIONS_MAX = 1_000
"""Most connections at a time; further ones wait."""
IDLE_S, CLEAN_UP_S = 20, 5
"""Time after which a connection that sends nothing is closed, and how often that is looked for. [s]"""


def main(argv: list[str] | None = None) -> int:
    """Load the settings and serve. Return 0 if stopped, 1 if it failed, 2 for wrong use."""
    parser = argparse.ArgumentParser(prog="python -m dashboard", description=__doc__)
    parser.add_argument("--data", type=Path, help="the data folder")
    parser.add_argument("--config", type=Path, help="the settings file")
    parser.add_argument("--demo", action="store_true", help="show the demo's shop")
    given = parser.parse_args(argv)
    logs.set_up()
    try:
        settings = load(data=given.data, config=given.config, demo=given.demo)
    except SettingsFault as exc:
        for fault in exc.faults:
            log.error("setting refused %s", fault)
        return 2
    return serve(settings)


def serve(settings: Settings) -> int:
    """Serve the board until SIGTERM or SIGINT."""
    import waitress

    from dashboard.app import create_app
    from monitor.clients.weather_files import FILE_MAX

    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # it warns at each page load
    if hasattr(os, "nice"):
        os.nice(PATIENCE)
    app = create_app(settings)
    try:
        server = waitress.create_server(
            app.server,
            host=settings.board.host,
            port=settings.board.port,
            threads=THREADS,
            ident=None,
            max_request_body_size=FILE_MAX + 1,  # a client's file; the app takes less elsewhere
            max_request_header_size=HEADER_MAX,
            connection_limit=CONNECTIONS_MAX,
            channel_timeout=IDLE_S,
            cleanup_interval=CLEAN_UP_S,
            asyncore_use_poll=True,  # select() cannot watch this many
            **_proxy(settings.board.trusted_proxy),
        )
    except OSError as exc:
        log.error(
            "cannot listen host=%s port=%d reason=%s",
            settings.board.host,
            settings.board.port,
            exc.strerror or exc,
        )
        return 1

    def end(_signal: int, _frame: FrameType | None) -> None:
        raise SystemExit(0)

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, end)
    log.info("board up host=%s port=%d", settings.board.host, settings.board.port)
    server.run()  # waitress ends it on SystemExit, after the requests under way
    log.info("board ended")
    return 0


def _proxy(address: str) -> dict[str, Any]:
    """Options that believe the headers of one proxy; those of anybody else are taken off."""
    if not address:
        return {}
    believed = {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"}
    return {"trusted_proxy": address, "trusted_proxy_headers": believed}


if __name__ == "__main__":
    sys.exit(main())
