"""The nightly backup's process: `python -m monitor.backup --data FOLDER [--config FILE] [--demo]`."""

from __future__ import annotations

import argparse
import logging
import os
import sys
from pathlib import Path

from monitor.backup.making import nightly
from monitor.core import logs
from monitor.core.errors import MonitorError
from monitor.settings import load

log = logging.getLogger("monitor.backup")

NICE = 10


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--config", type=Path)
    parser.add_argument("--demo", action="store_true")
    given = parser.parse_args()
    settings = load(data=given.data, config=given.config, demo=given.demo)
    logs.set_up("backup", as_json=settings.log.format == "json")
    os.nice(NICE)
    try:
        made = nightly(settings)
    except MonitorError as exc:
        log.error("backup failed reason=%s", exc)
        sys.exit(1)
    log.info(
        "backup made path=%s rows=%d deleted=%d", made.path, made.manifest.rows, len(made.deleted)
    )


if __name__ == "__main__":
    main()
