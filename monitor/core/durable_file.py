"""A small file replaced so that a power cut leaves the old content or the new, never part of one."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def write_durably(path: Path, text: str, mode: int = 0o600) -> None:
    """Replace a file's content, on disk when this returns. The caller reports an OSError."""
    beside = path.with_name(path.name + ".part")
    beside.unlink(missing_ok=True)
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        give_to_owner(handle, path.parent)
        os.fsync(file.fileno())
    rename_durably(beside, path)


def give_to_owner(file: int | Path, folder: Path) -> None:
    """Give a file that root made to the owner of a folder, whose service could not use it."""
    if os.name == "posix" and os.geteuid() == 0:
        of = folder.stat()
        with contextlib.suppress(PermissionError):  # a root that may not
            os.chown(file, of.st_uid, of.st_gid)


def rename_durably(source: Path, target: Path) -> None:
    """Put a file that is on disk in another's place, on disk when this returns."""
    source.replace(target)
    if os.name != "posix":  # elsewhere a folder cannot be flushed
        return
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # some file systems refuse it
            os.fsync(folder)
    finally:
        os.close(folder)
