"""Safe corrections by `check --correct`: rights of files, and leftover files.

Readings, settings and keys are never changed. The heartbeat of a dead service is kept: it says when the
service ended.
"""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.core.errors import MonitorError
from monitor.service.self_check import open_to_others
from monitor.service.sole_use import sole_use

if TYPE_CHECKING:
    from monitor.settings import Settings

LEFTOVERS = ("*.part", "space.trial", "outlook/*.part", "settings-versions/*.part")
"""Files in the data folder that are only there while another file is being written."""
LINK = "command-link.json"
"""Address of the running service, left by one that was killed."""
LEFT_S = 600.0
"""Age from which such a file is left over. [s]"""


def correct(settings: Settings) -> list[str]:
    """Correct what is safe. Returns sentences on each thing that was corrected or could not be."""
    found = [_close(path) for path in open_to_others(settings)]
    if not settings.data.is_dir():
        return found
    try:
        with sole_use(settings.data):
            found += [_delete(path) for path in leftovers(settings.data)]
    except MonitorError as exc:
        if any(leftovers(settings.data)):
            found.append(
                f"Leftover files are still there: {exc}. Stop the service, then try again."
            )
    return found


def leftovers(folder: Path) -> Iterator[Path]:
    """Leftover files of a service that was killed; only our own, and no links."""
    for pattern in LEFTOVERS:
        yield from filter(_is_old, sorted(folder.glob(pattern)))
    yield from filter(_is_old, [folder / LINK])


def _is_old(path: Path) -> bool:
    try:
        state = path.lstat()
    except OSError:
        return False
    old = time.time() - state.st_mtime > LEFT_S
    return stat.S_ISREG(state.st_mode) and _is_own(state) and old


def _is_own(state: os.stat_result) -> bool:
    return os.name != "posix" or state.st_uid == os.geteuid()


def _close(path: Path) -> str:
    """Remove the rights of other users of this machine; what may be shared on purpose is left."""
    try:
        if path.is_symlink() or not _is_own(path.stat()):
            return f"{path} is a link or another user's: it is left as it is. Look at it yourself."
        path.chmod(path.stat().st_mode & 0o700)
    except OSError as exc:
        return f"{path} cannot be closed to other users: {exc.strerror}."
    return f"{path} is now for this user only."


def _delete(path: Path) -> str:
    try:
        path.unlink()
    except OSError as exc:
        return f"{path} is left over and cannot be deleted: {exc.strerror}."
    return f"{path} was left over and is deleted."
