"""The log's set-up, done once by the entry point of each process."""

from __future__ import annotations

import json
import logging
import logging.handlers
import sys
import threading
import time
from pathlib import Path

from monitor.core.clock import from_ms

FILE_BYTES, FILES = 1_000_000, 3
"""Size of a log file, and how many old ones are kept. [bytes], [-]"""


class _JsonLayout(logging.Formatter):
    """Layout of a JSON object a line: time, level, part, logger, message and exception."""

    def __init__(self, part: str) -> None:
        super().__init__()
        self._part = part

    def format(self, record: logging.LogRecord) -> str:
        at = from_ms(int(record.created * 1000)).isoformat(timespec="milliseconds")
        line = {
            "time": at.replace("+00:00", "Z"),
            "level": record.levelname,
            "part": self._part,
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


def set_up(
    part: str, *, verbose: bool = False, file: Path | None = None, as_json: bool = False
) -> None:
    """Log to standard error and, if given, to a file that is turned over. Times are UTC.

    Parameters
    ----------
    part : str
        Name of this process.
    as_json : bool
        Write a JSON object a line; what ends the process or a thread is then logged too.
    """
    layout = logging.Formatter(
        "%(asctime)sZ %(levelname)s %(name)s %(message)s", "%Y-%m-%dT%H:%M:%S"
    )
    layout.converter = time.gmtime
    if as_json:
        layout = _JsonLayout(part)
        _log_what_ends_us()
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


def _log_what_ends_us() -> None:
    """Log exceptions that nobody catches, and warnings."""
    log = logging.getLogger(__name__)
    logging.captureWarnings(capture=True)
    sys.excepthook = lambda *exc_info: log.critical("not caught", exc_info=exc_info)

    def of_thread(args: threading.ExceptHookArgs) -> None:
        if args.exc_value is not None:
            log.critical(
                "not caught thread=%s",
                args.thread.name if args.thread else "",
                exc_info=(args.exc_type, args.exc_value, args.exc_traceback),
            )

    threading.excepthook = of_thread
