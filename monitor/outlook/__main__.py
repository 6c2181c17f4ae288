"""The outlook's own process: `python -m monitor.outlook --data FOLDER [--config FILE] [--demo]`."""

from __future__ import annotations

import contextlib
import os
import threading

from monitor.core.imports import uncollected

with uncollected():
    from monitor.core.clock import now_ms
    from monitor.core.signals import signals_call
    from monitor.outlook import files
    from monitor.outlook.worker import Work
    from monitor.runtime.scheduler import Scheduler
    from monitor.settings.child_arguments import begun
    from monitor.store import Reader

LOOK_S = 60
NIGHT_H = 3


def main() -> None:
    settings = begun("outlook", __doc__)
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
