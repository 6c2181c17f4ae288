"""State of the system's clock: whether network time keeps it, by whichever service does."""

from __future__ import annotations

import ctypes
import subprocess
import time
from pathlib import Path

RECENT_S = 2_100.0
"""A synchronisation that is longer ago says nothing of a clock that may have jumped since. [s]
From memory: the longest usual poll of network time is 2,048 s."""
CHRONY_OFF_S = 1.0
"""Greatest offset that chrony reports of a clock it keeps. [s]  Ours."""
ASK_CHRONY_S = 10.0
"""Shortest time between questions to chrony, each a process of its own. [s]"""
_TIMESYNCD = Path("/run/systemd/timesync/synchronized")
_CHRONY = Path("/run/chrony")
_TIME_ERROR, _TIMEX_BYTES = 5, 1024
"""State of an unsynchronised clock (adjtimex(2)), and room for its structure. [-], [bytes]"""


class NetworkTime:
    """Synchronisation state of the machine's clock: True if network time keeps it, None if unknown.

    The kernel is asked first (its flag is what `timedatectl` prints), then the time services that
    need not set that flag: each counts only by a synchronisation of the last `RECENT_S` on the clock
    as it is now, so that a clock set by hand is not taken for theirs.
    """

    def __init__(self) -> None:
        self._asked_s = -ASK_CHRONY_S

    def __call__(self) -> bool | None:
        answers = [_kernel(), _timesyncd(_TIMESYNCD, time.time())]
        if True not in answers and time.monotonic() - self._asked_s >= ASK_CHRONY_S:
            self._asked_s = time.monotonic()
            answers.append(_chrony(time.time()))
        return True if True in answers else False if False in answers else None


def _kernel() -> bool | None:
    try:
        read = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError, TypeError):  # not Linux
        return None
    state = read(ctypes.create_string_buffer(_TIMEX_BYTES))  # all zero: reads, changes nothing
    return None if state < 0 else bool(state != _TIME_ERROR)


def _timesyncd(mark: Path, now_s: float) -> bool | None:
    """Answer of the file that systemd-timesyncd touches at each synchronisation."""
    try:
        return 0 <= now_s - mark.stat().st_mtime <= RECENT_S
    except OSError:
        return None


def _chrony(now_s: float) -> bool | None:
    if not _CHRONY.exists():
        return None
    try:
        done = subprocess.run(
            ["chronyc", "-c", "tracking"],  # noqa: S607 - as the system has it
            capture_output=True,
            text=True,
            timeout=2,
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return _tracking(done.stdout, now_s)


def _tracking(line: str, now_s: float) -> bool | None:
    """Answer of chrony's report: time of the last update [s], offset [s], and leap status."""
    fields = line.strip().split(",")
    try:
        updated_s, offset_s, leap = float(fields[3]), float(fields[4]), fields[13]
    except (IndexError, ValueError):
        return None
    recent = 0 <= now_s - updated_s <= RECENT_S
    return leap != "Not synchronised" and recent and abs(offset_s) <= CHRONY_OFF_S
