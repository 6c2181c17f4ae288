"""The board as a process of its own, split off from one that has read its modules already: reading
them takes longer than all that a test asks of the board."""

from __future__ import annotations

import multiprocessing
import os
import sys
from pathlib import Path

SPLIT = multiprocessing.get_context("forkserver")
SPLIT.set_forkserver_preload(
    ["dashboard.__main__", "dashboard.app", "dashboard.server.connections"]
)
ROOT = Path(__file__).parent.parent


def started(folder: Path, before: str, log):
    """The board's process; `log` takes its errors."""
    child = SPLIT.Process(target=run, args=(str(folder), before, log.name if log else os.devnull))
    child.start()
    return child


def run(folder: str, before: str, log: str) -> None:
    """`python -m dashboard` at the tests' own priority: behind other work it would hardly ever run."""
    from dashboard import __main__ as board

    os.chdir(ROOT)
    with Path(log).open("a") as errors:
        os.dup2(errors.fileno(), 2)
    exec(before, {})
    board.PATIENCE = 0
    sys.exit(board.main(["--data", folder]))
