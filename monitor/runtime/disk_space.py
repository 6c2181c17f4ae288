"""Space on the disk of the data folder: a reserve, the time until it is full, and faults.

When the disk is full, the broker and the store cannot even finish what they have begun. A reserve
file is then deleted, so that they can; it is made again when there is space.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import shutil
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from monitor.core.files import size_text

log = logging.getLogger(__name__)

RESERVE_BYTES = 32_000_000
"""Size of the reserve. [bytes]  Ours: 4 MB for the store's journal, 8 MB for a block that the broker
writes anew at its start, and a day of 20 sensors' minute readings, about 10 MB in the store and as
much again while they wait in the broker."""
KEEP_BYTES = 3 * RESERVE_BYTES
"""The reserve is made only if so much is free; below it the disk is nearly full. [bytes]"""
RELEASE_BYTES = 4_000_000
"""Free space below which the reserve is released. [bytes]"""
TRIAL_BYTES = 262_144
"""Size of the file that tells whether the disk can be written. [bytes]"""
KEEP_AGAIN_S = 600.0
"""Time before another try to make the reserve. [s]"""
SAMPLE_S, SPANS_S = 60.0, (3_600.0, 86_400.0)
"""Period of noting the free space, and spans over which its growth is measured. [s]"""
AHEAD_S = 86_400.0
"""Time before the disk is full from which it is reported. [s]"""
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
RESERVE_NAME = "space.reserve"


class DiskTrouble(NamedTuple):
    """Trouble with the disk of the data folder.

    `fault` is the reason why it cannot be written, empty while it can; `free_mb` the free space
    [MB]; `full_in_h` the time until it is full as it fills now [h], if that is what is reported.
    """

    fault: str
    free_mb: int
    full_in_h: float | None = None


class DiskSpace:
    """Watch over the disk of a folder; one thread calls `look`, others may read `trouble`.

    Parameters
    ----------
    folder : Path
        The data folder.
    free : callable
        Free space on its disk. [bytes]
    """

    def __init__(self, folder: Path, free: Callable[[], int] | None = None) -> None:
        self._folder = folder
        self._free = free or (lambda: shutil.disk_usage(folder).free)
        self._samples: deque[tuple[float, int]] = deque(maxlen=int(SPANS_S[-1] / SAMPLE_S) + 1)
        self._next_keep = 0.0
        self.trouble: DiskTrouble | None = None

    @property
    def fault(self) -> str:
        """Reason why the disk cannot be written; empty while it can."""
        return self.trouble.fault if self.trouble else ""

    @property
    def _reserve(self) -> Path:
        return self._folder / RESERVE_NAME

    def look(self, *, doubted: bool, now_s: float | None = None) -> None:
        """Look at the disk; release the reserve if it is full, or make it again.

        Parameters
        ----------
        doubted : bool
            True if something could not be written.
        now_s : float, optional
            Now, by a steady clock. [s]
        """
        now = time.monotonic() if now_s is None else now_s
        try:
            free = self._free()
        except OSError as exc:
            self._report(DiskTrouble(exc.strerror or str(exc), 0))
            return
        if not self._samples or now - self._samples[-1][0] >= SAMPLE_S:
            self._samples.append((now, free))
        code = write_trial(self._folder) if doubted or free < RELEASE_BYTES else 0
        if (code in _FULL or free < RELEASE_BYTES) and self._reserve.exists():
            if free >= KEEP_BYTES:  # a quota: it would be made again at once
                self._next_keep = now + KEEP_AGAIN_S
            self._release()
            free, code = self._free(), write_trial(self._folder)
        elif (
            not (code or self._reserve.exists()) and free >= KEEP_BYTES and now >= self._next_keep
        ):
            self._keep(now)
        full_in_s = self._full_in_s(now, free)
        if code:
            self._report(DiskTrouble(os.strerror(code), free // 1_000_000))
        elif free < KEEP_BYTES and not self._reserve.exists():
            self._report(DiskTrouble("", free // 5_000_000 * 5))
        elif full_in_s < AHEAD_S:
            # In steps, since what is reported is shown anew whenever it changes.
            hours = max(round(full_in_s / 3600), 1)
            self._report(DiskTrouble("", round(free / 1e8) * 100, hours))
        else:
            self._report(None)

    def _report(self, found: DiskTrouble | None) -> None:
        before, self.trouble = self.trouble, found
        if (found and found.fault) != (before and before.fault):
            log.warning("disk fault=%s", found.fault if found and found.fault else "none")

    def _full_in_s(self, now: float, free: int) -> float:
        """Time until the disk is full as it has filled over an hour or a day, the sooner, if it
        still fills; infinite otherwise, or if not half of that time has been seen. [s]"""
        recent = self._growth(now, free, SPANS_S[0] / 6)
        found = float("inf")
        for span in SPANS_S:
            growth = self._growth(now, free, span)
            if growth > 0 and recent > growth / 2:
                found = min(found, free / growth)
        return found

    def _growth(self, now: float, free: int, span: float) -> float:
        """Rate at which the disk has filled over a span. [bytes/s]"""
        since, before = next(one for one in self._samples if now - one[0] <= span + SAMPLE_S)
        return (before - free) / (now - since) if now - since >= span / 2 else 0.0

    def _keep(self, now: float) -> None:
        """Make the reserve, if all of `KEEP_BYTES` can be had: a quota may leave less than is free."""
        try:
            handle = os.open(self._reserve, os.O_WRONLY | os.O_CREAT, 0o600)
            try:
                _allocate(handle, KEEP_BYTES)
                os.ftruncate(handle, RESERVE_BYTES)
            finally:
                os.close(handle)
        except OSError as exc:
            log.warning("reserve of space cannot be made reason=%s", exc.strerror)
            self._next_keep = now + KEEP_AGAIN_S
            with contextlib.suppress(OSError):
                self._reserve.unlink(missing_ok=True)

    def _release(self) -> None:
        try:
            self._reserve.unlink()
            log.error("disk is full, reserve released bytes=%d", RESERVE_BYTES)
        except OSError as exc:
            log.warning("reserve of space cannot be released reason=%s", exc.strerror)


def shortage(needs: Sequence[tuple[Path, int]]) -> str:
    """Reason why there is not enough space for files to be written; empty if there is.

    `needs` has folders, each with the size of what is written there. [bytes]  `KEEP_BYTES` of each
    disk stay free beside it.
    """
    wanted: dict[int, tuple[Path, int]] = {}
    for folder, size in needs:
        disk = folder.stat().st_dev
        wanted[disk] = (folder, size + wanted.get(disk, (folder, 0))[1])
    for folder, size in wanted.values():
        free = shutil.disk_usage(folder).free
        if free < size + KEEP_BYTES:
            return (
                f"{size_text(size + KEEP_BYTES)} must be free on the disk of {folder}, and "
                f"{size_text(free)} are"
            )
    return ""


def write_trial(folder: Path) -> int:
    """Write a small file to disk and delete it. Returns 0, or the system's number of the error."""
    path = folder / "space.trial"
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        try:
            _fill(handle, TRIAL_BYTES)
            os.fsync(handle)
        finally:
            os.close(handle)
            path.unlink(missing_ok=True)
    except OSError as exc:
        return exc.errno or errno.EIO
    return 0


def _allocate(handle: int, size: int) -> None:
    """Take room on the disk for a file."""
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(handle, 0, size)
        return
    _fill(handle, size)


def _fill(handle: int, size: int) -> None:
    """Fill a file with random bytes, which no file system can make small."""
    for begin in range(0, size, TRIAL_BYTES):
        block = os.urandom(min(TRIAL_BYTES, size - begin))
        while block:
            block = block[os.write(handle, block) :]
