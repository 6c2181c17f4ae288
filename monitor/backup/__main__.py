"""The nightly backup's process: `python -m monitor.backup --data FOLDER [--config FILE] [--demo]`."""

from __future__ import annotations

import logging
import sys

from monitor.backup.making import nightly
from monitor.core.errors import MonitorError
from monitor.settings.child_arguments import begun

log = logging.getLogger("monitor.backup")


def main() -> None:
    settings = begun("backup", __doc__)
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
