"""The service's heartbeat: a small file with its state, for the board and the command line.

It is written over in place, always the same size, so that it can still report a full disk. A
heartbeat that has not been renewed for `LATE_S` means that the service has stopped.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

import msgspec

from monitor.core.clock import now_ms
from monitor.core.steady_clock import ClockJump
from monitor.runtime.disk_space import DiskTrouble

SIZE = 4096
"""Size of the file. [bytes]"""
BEAT_S = 2.0
"""Period of renewal. [s]"""
LATE_S = 10.0
"""A service whose heartbeat is older counts as stopped. [s]"""


class BrokerOutage(NamedTuple):
    """Time since which our own broker passed nothing on [ms since 1970-01-01 UTC], the reason, the
    number of starts since, and whether it answers again. It is over with the first reading."""

    since_ms: int
    reason: str
    restarts: int = 0
    answers: bool = False


class Heartbeat(msgspec.Struct, frozen=True, kw_only=True):
    """The service's state. An empty trouble is none; times in ms since 1970-01-01 UTC."""

    beat_ms: int
    started_ms: int
    pid: int
    demo: bool = False
    broker: str = ""
    broker_trouble: str = ""
    store_trouble: str = ""
    round_trouble: str = ""
    """Reason why waits and alerts are not published."""
    clock: ClockJump | None = None
    """Jump of the machine's clock that is to be reported."""
    outage: BrokerOutage | None = None
    disk: DiskTrouble | None = None
    settings_trouble: str = ""
    """Reason why changed settings could not be used, so that those before are back."""

    def late(self, now: int | None = None) -> bool:
        """Return whether the service has stopped renewing it. [ms]"""
        age_ms = (now if now is not None else now_ms()) - self.beat_ms
        return abs(age_ms) > 1000 * LATE_S  # one from the future is of a clock that was set back


def write(path: Path, beat: Heartbeat) -> None:
    """Write the heartbeat, with texts cut to fit. The caller reports an OSError."""
    data = msgspec.json.encode(beat)
    if len(data) > SIZE:
        short = msgspec.structs.replace(
            beat,
            broker_trouble=beat.broker_trouble[:400],
            store_trouble=beat.store_trouble[:400],
            round_trouble=beat.round_trouble[:400],
            outage=beat.outage and beat.outage._replace(reason=beat.outage.reason[:400]),
        )
        data = msgspec.json.encode(short)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT, 0o644)
    try:
        os.pwrite(handle, data.ljust(SIZE), 0)
        os.ftruncate(handle, SIZE)
    finally:
        os.close(handle)


def read(path: Path) -> Heartbeat | None:
    """The last heartbeat; None if there is none, or it cannot be read."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=Heartbeat)
    except (OSError, msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
