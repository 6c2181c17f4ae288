"""The log's set-up, done once by the entry point."""

from __future__ import annotations

import logging
import logging.handlers
import time
from pathlib import Path

FILE_BYTES, FILES = 1_000_000, 3
"""Size of a log file, and how many old ones are kept. [bytes], [-]"""


def set_up(*, verbose: bool = False, file: Path | None = None) -> None:
    """Log to standard error and, if given, to a file that is turned over. Times are UTC."""
    layout = logging.Formatter(
        "%(asctime)sZ %(levelname)s %(name)s %(message)s", "%Y-%m-%dT%H:%M:%S"
    )
    layout.converter = time.gmtime
    handlers: list[logging.Handler] = [logging.StreamHandler()]
    if file is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        handlers.append(
            logging.handlers.RotatingFileHandler(
                file, maxBytes=FILE_BYTES, backupCount=FILES, encoding="utf-8"
            )
        )
    root = logging.getLogger()
    root.setLevel(logging.DEBUG if verbose else logging.INFO)
    for handler in handlers:
        handler.setFormatter(layout)
        root.addHandler(handler)
    for chatty in ("apscheduler", "werkzeug", "waitress.queue", "waitress"):
        logging.getLogger(chatty).setLevel(logging.ERROR)
