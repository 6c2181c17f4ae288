"""What the service says of itself, for the board and the command line: one small file.

It is written over in place, always the same size, so that it can still tell of a full disk. A
pulse that has not been renewed for `LATE_S` means that the service is gone.
"""

from __future__ import annotations

import os
from pathlib import Path

import msgspec

from monitor.core.clock import now_ms

SIZE = 4096
"""Of the file. [bytes]"""
BEAT_S = 2.0
"""How often the service renews it. [s]"""
LATE_S = 10.0
"""Older than this the service counts as gone. [s]"""


class Pulse(msgspec.Struct, frozen=True, kw_only=True):
    """The service's state. An empty trouble is none; times in ms since 1970-01-01 UTC."""

    beat_ms: int
    started_ms: int
    pid: int
    demo: bool = False
    broker: str = ""
    broker_trouble: str = ""
    store_trouble: str = ""
    round_trouble: str = ""
    """Why waits and alerts are not told."""

    def late(self, now: int | None = None) -> bool:
        """Whether the service has stopped renewing it. [ms]"""
        age_ms = (now if now is not None else now_ms()) - self.beat_ms
        return abs(age_ms) > 1000 * LATE_S  # one from the future is of a clock that was set back


def write(path: Path, pulse: Pulse) -> None:
    """Write `pulse`, cutting what does not fit. An OSError is the caller's to report."""
    data = msgspec.json.encode(pulse)
    if len(data) > SIZE:
        short = msgspec.structs.replace(
            pulse,
            broker_trouble=pulse.broker_trouble[:400],
            store_trouble=pulse.store_trouble[:400],
            round_trouble=pulse.round_trouble[:400],
        )
        data = msgspec.json.encode(short)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT, 0o644)
    try:
        os.pwrite(handle, data.ljust(SIZE), 0)
        os.ftruncate(handle, SIZE)
    finally:
        os.close(handle)


def read(path: Path) -> Pulse | None:
    """The last pulse; None if there never was one or it cannot be read."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=Pulse)
    except (OSError, msgspec.DecodeError):
        return None
