"""Times a client's sheet from what was said to the PDF: warm, and as a command from its start.

    python tests/benchmarks/bench_sheet.py [--quick]

Wall and CPU time, best and median. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from zoneinfo import ZoneInfo

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from monitor.clients.calculation import calculate_sheet
from monitor.clients.pdf import pdf_of
from monitor.clients.request import read_sheet_request
from monitor.clients.sheet import sheet_of

TARGET_S = 2.0
SAID = {"temp.1": 21.0, "rh.1": 27.0, "out.1": -6.0, "temp.7": 24.0, "rh.7": 52.0}
UTC = ZoneInfo("UTC")


def warm() -> bytes:
    return pdf_of(
        sheet_of(calculate_sheet(read_sheet_request(SAID)), "A shop", 1_796_000_000_000, UTC)
    )


def laps(run: Callable[[], object], rounds: int, who: int) -> str:
    walls, cpus = [], []
    for _ in range(rounds):
        before, start = resource.getrusage(who), time.perf_counter()
        run()
        walls.append(time.perf_counter() - start)
        after = resource.getrusage(who)
        cpus.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return (
        f"wall {min(walls):.2f} (median {median(walls):.2f}) s, "
        f"CPU {min(cpus):.2f} ({median(cpus):.2f}) s"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="once each, for CI")
    rounds = 1 if parser.parse_args().quick else 5
    warm()
    print(f"warm:       {laps(warm, rounds, resource.RUSAGE_SELF)}; target {TARGET_S} s")
    with tempfile.TemporaryDirectory() as folder:
        told = [f"--set={name}={value}" for name, value in SAID.items()]
        line = [sys.executable, "-m", "monitor", "advise", f"{folder}/a.pdf", "--data", folder]

        def command() -> None:
            subprocess.run(
                [*line, *told],
                check=True,
                stdout=subprocess.DEVNULL,
                env=os.environ | {"PYTHONPATH": str(ROOT)},
            )

        said = laps(command, rounds, resource.RUSAGE_CHILDREN)
        print(f"as command: {said}; target {TARGET_S} s")


if __name__ == "__main__":
    main()
