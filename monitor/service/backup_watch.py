"""The nightly backup: started when it is due, in a process of its own, and watched."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import TYPE_CHECKING

import msgspec

from monitor.backup import state
from monitor.core.clock import now_ms
from monitor.runtime.child_process import ChildProcess

if TYPE_CHECKING:
    from monitor.settings import Settings

log = logging.getLogger(__name__)

LOOK_S = 60
"""Period of looking whether a backup is due. [s]"""


class BackupWatch:
    """Starts the backups of a shop. For one thread; others may read `trouble`.

    Parameters
    ----------
    settings : Settings
    arguments : sequence of str
        Arguments by which a process of ours loads the same settings.
    """

    def __init__(self, settings: Settings, arguments: Sequence[str]) -> None:
        self._settings, self._since_ms = settings, now_ms()
        self._child = ChildProcess("backup", ["monitor.backup", *arguments])
        self._started_ms: int | None = None
        self.trouble = ""
        """What is wrong with the backups, in words; empty if nothing is."""

    def look(self) -> None:
        """Start a backup if one is due, and see what became of the last."""
        group, zone = self._settings.backup, self._settings.zone
        if group.folder is None:
            return
        running = self._child.running()
        if self._started_ms is not None and not running:
            self._note_crash(self._started_ms)
            self._started_ms = None
        kept, now = state.read(self._settings), now_ms()
        self.trouble = state.trouble(group, zone, kept, self._since_ms, now)
        if not running and state.is_due(group, zone, kept, now):
            self._started_ms = now
            self._child.start()

    def stop(self) -> None:
        self._child.stop()

    def _note_crash(self, started_ms: int) -> None:
        """Note a process that ended without noting its own result."""
        kept = state.read(self._settings)
        if not self._child.code or kept.tried_ms >= started_ms:
            return
        log.error("backup ended unexpectedly code=%s", self._child.code)
        fault = f"its process ended unexpectedly (code {self._child.code}); the log has more"
        failed = msgspec.structs.replace(kept, tried_ms=now_ms(), fault=fault)
        state.note(self._settings, failed)
