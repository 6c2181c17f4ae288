"""Room that the service takes and has on the machine: files, disk and memory."""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.settings import Settings


def store_bytes(settings: Settings) -> int | None:
    """Size of the store's file with its log; None for a database. [bytes]"""
    if settings.store_address != settings.store_path:
        return None
    path = settings.store_path
    files = (path, path.with_name(f"{path.name}-wal"))
    return sum(one.stat().st_size for one in files if one.exists())


def disk_free_bytes(settings: Settings) -> int | None:
    """Free space on the disk of the data folder; None if that is not known. [bytes]"""
    try:
        return shutil.disk_usage(settings.data).free
    except OSError:
        return None


def memory_bytes(service_pid: int | None) -> dict[str, int]:
    """Memory in RAM of this board, and of the service unless it is elsewhere. [bytes]"""
    found = {}
    for name, pid in (("service", service_pid), ("board", os.getpid())):
        with contextlib.suppress(OSError, ValueError):
            pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
            found[name] = pages * os.sysconf("SC_PAGE_SIZE")
    return found
