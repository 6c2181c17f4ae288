"""The outlook's own process: `python -m monitor.outlook --data FOLDER [--config FILE] [--demo]`."""

from __future__ import annotations

import argparse
import contextlib
import os
import threading
from pathlib import Path

from monitor.core.imports import uncollected

with uncollected():
    from monitor.core import logs
    from monitor.core.clock import now_ms
    from monitor.core.signals import signals_call
    from monitor.outlook import files
    from monitor.outlook.worker import Work
    from monitor.runtime.scheduler import Scheduler
    from monitor.settings import load
    from monitor.store import Reader

LOOK_S = 60
NIGHT_H = 3
NICE = 10


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--config", type=Path)
    parser.add_argument("--demo", action="store_true")
    given = parser.parse_args()
    settings = load(data=given.data, config=given.config, demo=given.demo)
    logs.set_up("outlook", as_json=settings.log.format == "json")
    os.nice(NICE)
    files.note_progress(settings, None)
    stop = threading.Event()
    with (
        signals_call(stop.set),
        contextlib.closing(Reader(settings.read_address)) as for_looks,
        contextlib.closing(Reader(settings.read_address)) as for_nights,
    ):
        looking, learning = Work(settings, for_looks), Work(settings, for_nights)
        jobs = Scheduler(str(settings.zone))
        jobs.nightly("outlook learning", lambda: learning.learn_all(now_ms()), NIGHT_H)
        jobs.every("outlook", LOOK_S, lambda: looking.look_all(now_ms()))
        if learning.untried():
            jobs.once("outlook first learning", lambda: learning.learn_all(now_ms()))
        jobs.start()
        stop.wait()
        os._exit(0)  # a walk under way is made again


if __name__ == "__main__":
    main()
