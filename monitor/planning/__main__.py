"""The planner's own process: `python -m monitor.planning --data FOLDER [--config FILE] [--demo]`."""

from __future__ import annotations

import contextlib
import logging
import os
import threading

from monitor.core.imports import uncollected

with uncollected():
    from monitor.core.clock import now_ms
    from monitor.core.errors import MonitorError
    from monitor.core.signals import signals_call
    from monitor.planning.worker import Planner
    from monitor.settings import Settings
    from monitor.settings.child_arguments import begun
    from monitor.store import Reader

log = logging.getLogger(__name__)

LOOK_S = 1.0


def main() -> None:
    settings = begun("planner", __doc__)
    stop = threading.Event()
    with signals_call(stop.set), contextlib.closing(Reader(settings.read_address)) as reader:
        run(settings, reader, stop)
    os._exit(0)  # a plan under way is made again


def run(settings: Settings, reader: Reader, stop: threading.Event) -> None:
    """Look every second whether there is something to plan again, until `stop` is set."""
    planner = Planner(settings, reader)
    while not stop.is_set():
        try:
            planner.look(now_ms())
        except MonitorError as exc:
            log.warning("not planned reason=%s", exc)
        except Exception:
            log.exception("not planned")  # ours to mend; the last plan stays
        stop.wait(LOOK_S)


if __name__ == "__main__":
    main()
