"""The newest time that the service knows to have passed, kept over restarts and power cuts."""

from __future__ import annotations

import json
import logging
from pathlib import Path

from monitor.core.durable_file import write_durably

log = logging.getLogger(__name__)

KEEP_EVERY_S = 60.0
"""Period of keeping it. [s]"""


def read(path: Path) -> int | None:
    """The time; None if none was kept. [ms since 1970-01-01 UTC]"""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))["passed_ms"]
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return found if isinstance(found, int) else None


def keep(path: Path, passed_ms: int) -> None:
    """Keep the time, earlier or later than the one before. [ms since 1970-01-01 UTC]"""
    try:
        write_durably(path, json.dumps({"passed_ms": passed_ms}))
    except OSError as exc:
        log.warning("time cannot be kept reason=%s", exc)
