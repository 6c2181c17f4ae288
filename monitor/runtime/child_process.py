"""A part of the service that runs as a process of its own and is started again when it ends."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from monitor.core.backoff import Backoff
from monitor.mqtt.embedded_broker import die_with_parent

log = logging.getLogger(__name__)

RESTART_FIRST_S, RESTART_MAX_S = 1.0, 60.0
"""First and longest wait before a part that ended is started again. [s]"""
STOP_WAIT_S = 1.5
"""Longest time for a part to stop before it is killed. [s]"""


@dataclass
class ChildProcess:
    """A part that runs as a process of its own and is started again when it ends."""

    name: str
    arguments: list[str]
    wanted: threading.Event | None = None
    """One that was not started is started by the next look once this is set."""
    _process: subprocess.Popen[bytes] | None = None
    _started: float = 0.0
    _backoff: Backoff = field(default_factory=lambda: Backoff(RESTART_FIRST_S, RESTART_MAX_S))
    _wait_s: float = 0.0
    _ended: float | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(  # noqa: S603 - our own modules
            [sys.executable, "-P", "-m", *self.arguments],
            env=os.environ | {"PYTHONPATH": _search_path()},
            stdin=subprocess.DEVNULL,
            process_group=0,
            preexec_fn=die_with_parent if sys.platform == "linux" else None,
        )
        self._started, self._ended = time.monotonic(), None

    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    @property
    def failed(self) -> bool:
        """True if it was started and has ended."""
        return self._process is not None and self._process.poll() is not None

    @property
    def code(self) -> int | None:
        """Exit code; None while it runs."""
        return self._process.poll() if self._process else None

    def restart_if_ended(self) -> None:
        """Start it again if it has ended, after a longer wait each time it ends soon."""
        if self._process is None and self.wanted is not None and self.wanted.is_set():
            self.start()
        if self.running() or self._process is None:
            return
        now = time.monotonic()
        if self._ended is None:
            self._ended, ran_s = now, now - self._started
            log.error("part ended part=%s code=%s ran_s=%d", self.name, self.code, ran_s)
            if ran_s > RESTART_MAX_S:
                self._backoff.reset()
            self._wait_s = self._backoff.wait_s()
        if now - self._ended >= self._wait_s:
            self.start()

    def end(self) -> None:
        """Ask it to end, without waiting."""
        if self._process is not None:
            self._process.terminate()

    def stop(self) -> None:
        """End it, whatever it takes."""
        if self._process is None:
            return
        self._process.terminate()
        try:
            self._process.wait(STOP_WAIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def _search_path() -> str:
    """Import path of a child, so that it finds our packages from any folder."""
    return os.pathsep.join([str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH", "")])
