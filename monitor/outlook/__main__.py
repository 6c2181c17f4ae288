"""The outlook's own process: `python -m monitor.outlook --data FOLDER [--config FILE] [--demo]`."""

from __future__ import annotations

import contextlib
import os
import threading

from monitor.core.imports import uncollected

with uncollected():
    from monitor.core.signals import signals_call
    from monitor.outlook.files import set_aside_unreadable
    from monitor.outlook.homes import OutlookFolder
    from monitor.outlook.worker import Work
    from monitor.runtime.scheduler import Scheduler
    from monitor.settings.child_arguments import begun
    from monitor.store import Reader

LOOK_S = 60


def main() -> None:
    settings = begun("outlook", __doc__)
    stop = threading.Event()
    with (
        signals_call(stop.set),
        contextlib.closing(Reader(settings.read_address)) as for_looks,
        contextlib.closing(Reader(settings.read_address)) as for_nights,
    ):
        looking, learning = Work(settings, for_looks), Work(settings, for_nights)
        if isinstance(learning.home, OutlookFolder):
            learning.home.forget_progress()
            set_aside_unreadable(settings)
        jobs = Scheduler(str(settings.zone))
        jobs.every("outlook", LOOK_S, lambda: looking.look_all(looking.home.now_ms()))
        jobs.every("outlook learning", LOOK_S, lambda: learning.learn_all(learning.home.now_ms()))
        jobs.start()
        stop.wait()
        os._exit(0)  # a task under way is done again


if __name__ == "__main__":
    main()
