"""Memory that is given back to the system once it is free, in processes of its own."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

GROWTH = """
import sys
from pathlib import Path
from monitor.core.memory import return_large_blocks

def resident_mb():
    return int(Path("/proc/self/statm").read_text().split()[1]) * {page} / 1e6

if sys.argv[1] == "set":
    assert return_large_blocks()
bytearray(24_000_000)  # freed at once, which raises the limit of the C library
before = resident_mb()
large, small = [], []
for _ in range(3):
    large.append(bytearray(20_000_000))
    small += [bytes(100_000) for _ in range(20)]  # these stay
large.clear()
print(resident_mb() - before)
"""


def growth_mb(how: str) -> float:
    import resource

    code = GROWTH.format(page=resource.getpagesize())
    ran = subprocess.run(
        [sys.executable, "-c", code, how], check=True, capture_output=True, text=True
    )
    return float(ran.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the C library of GNU grows so")
def test_large_blocks_go_back_to_the_system_though_small_ones_lie_beyond_them():
    assert growth_mb("unset") > 40, "the C library gives them back by itself"
    assert growth_mb("set") < 10  # of which 6 MB are the small ones
