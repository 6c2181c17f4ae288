"""Sole use of a data folder by one service or worker."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from monitor.core.errors import MonitorError, StoreFault
from monitor.core.file_lock import held


class ServiceFault(MonitorError):
    """The service cannot start or go on."""


@contextlib.contextmanager
def sole_use(folder: Path) -> Iterator[None]:
    """Hold the data folder, so that a second service cannot start in it."""
    before = os.umask(0o077)  # what we and our processes make is for this user only
    try:
        with contextlib.ExitStack() as parts:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                with contextlib.suppress(PermissionError):  # another user's; `check` tells of it
                    folder.chmod(0o700)
                alone = parts.enter_context(held(folder / "service.lock"))
            except OSError as exc:
                raise StoreFault(f"{folder}: {exc.strerror}") from exc
            if not alone:
                raise ServiceFault(f"another service already works in {folder}")
            yield
    finally:
        os.umask(before)
