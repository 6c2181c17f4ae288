"""A file whose holder is the only one; the system frees it when the holder ends, however it ends."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from monitor.core.durable_file import give_to_owner


@contextlib.contextmanager
def held(path: Path) -> Iterator[bool]:
    """Hold a file, made if it is not there. Yields False if another process holds it.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    with path.open("a+", encoding="utf-8") as handle:
        give_to_owner(handle.fileno(), path.parent)
        try:
            import fcntl
        except ImportError:  # no such lock on this system
            yield True
            return
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            yield False
        else:
            yield True
