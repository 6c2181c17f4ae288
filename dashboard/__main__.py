"""Serve the board until it is stopped. The service starts it as `python -m dashboard`."""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
from pathlib import Path
from types import FrameType

from monitor.core.imports import uncollected

with uncollected():
    from monitor.core import logs
    from monitor.core.certificate import CertificateFault, WatchedCertificate, readable_by_others
    from monitor.core.errors import SettingsFault
    from monitor.people.access_store import has_people, store_of
    from monitor.settings import Settings, load
    from monitor.settings.checks import open_to_network

log = logging.getLogger("dashboard")

PATIENCE = 15
"""Lower priority of the board behind the ingest where both want the processor. [nice]"""
THREADS = 8
"""Requests answered at a time: a page's first load asks for about as much at once."""


def main(argv: list[str] | None = None) -> int:
    """Load the settings and serve. Return 0 if stopped, 1 if it failed, 2 for wrong use."""
    parser = argparse.ArgumentParser(prog="python -m dashboard", description=__doc__)
    parser.add_argument("--data", type=Path, help="the data folder")
    parser.add_argument("--config", type=Path, help="the settings file")
    parser.add_argument("--demo", action="store_true", help="show the demo's shop")
    given = parser.parse_args(argv)
    try:
        settings = load(data=given.data, config=given.config, demo=given.demo)
    except SettingsFault as exc:
        logs.set_up("board")
        for fault in exc.faults:
            log.error("setting refused %s", fault)
        return 2
    logs.set_up("board", as_json=settings.log.format == "json")
    return serve(settings)


def serve(settings: Settings) -> int:
    """Serve the board until SIGTERM or SIGINT."""
    with uncollected():
        from dashboard.access import permissions
        from dashboard.access.guard import REQUEST_MAX
        from dashboard.app import create_app
        from dashboard.server.connections import Options, Server
        from monitor.clients.weather_files import FILE_MAX

    board = settings.board
    try:
        certificate = board_certificate(settings)
    except CertificateFault as exc:
        log.error("certificate refused %s", exc)
        return 2
    if hasattr(os, "nice"):
        os.nice(PATIENCE)
    with uncollected():
        app = create_app(settings)
    options = Options(
        host=board.host,
        port=board.port,
        threads=THREADS,
        body_max=REQUEST_MAX,
        upload_max=FILE_MAX,
        may_upload=lambda *asked: permissions.may_upload(app.server, *asked),
        trusted_proxy=board.trusted_proxy,
        certificate=certificate,
    )
    try:
        server = Server(app.server, options)
    except OSError as exc:
        log.error(
            "cannot listen host=%s port=%d reason=%s", board.host, board.port, exc.strerror or exc
        )
        return 1
    people = has_people(store_of(settings))
    for warning in open_to_network(board, people=people):
        log.warning("%s", warning)

    def end(_signal: int, _frame: FrameType | None) -> None:
        raise SystemExit(0)

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, end)
    log.info("board up host=%s port=%d tls=%s", board.host, board.port, bool(certificate))
    server.run()
    log.info("board ended")
    return 0


def board_certificate(settings: Settings) -> WatchedCertificate | None:
    """Certificate of the board, tried out; None without TLS."""
    cert_file, key_file = settings.board.cert_file, settings.board.key_file
    if cert_file is None or key_file is None:
        return None
    certificate = WatchedCertificate(cert_file, key_file)
    if readable_by_others(key_file):
        log.warning("other users of this machine can read the key path=%s", key_file)
    return certificate


if __name__ == "__main__":
    sys.exit(main())
