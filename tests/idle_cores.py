"""Says at the end of a run by several workers how much of the cores' time nobody used.

Idle cores mean that more workers or fewer waits would pay; idle at the end only, that a long test began
late.
"""

from __future__ import annotations

import itertools
import time
from pathlib import Path

import pytest

STAT = Path("/proc/stat")
EACH_S = 30


class IdleCores:
    """Idle and whole time of all cores, noted again and again. [s, ticks, ticks]"""

    def __init__(self) -> None:
        self._noted: list[tuple[float, int, int]] = []
        self._note()

    def _note(self) -> None:
        user, nice, system, idle, io, *more = map(
            int, STAT.read_text().split("\n")[0].split()[1:9]
        )
        whole = user + nice + system + idle + io + sum(more)
        self._noted.append((time.monotonic(), idle + io, whole))

    def pytest_runtest_logreport(self) -> None:
        if time.monotonic() > self._noted[-1][0] + EACH_S:
            self._note()

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        self._note()
        pairs = [(self._noted[0], self._noted[-1]), *itertools.pairwise(self._noted)]
        share, *shares = [f"{100 * (b[1] - a[1]) / max(b[2] - a[2], 1):.0f}" for a, b in pairs]
        line = f"cores idle for {share} % of the time; in parts of {EACH_S} s: {' '.join(shares)}"
        terminalreporter.write_line(line)


def pytest_configure(config: pytest.Config) -> None:
    if getattr(config.option, "dist", "no") != "no" and STAT.exists():  # not in a worker
        config.pluginmanager.register(IdleCores())
