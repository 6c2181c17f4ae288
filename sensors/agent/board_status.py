"""Battery and radio of the board, where the kernel shows them.

References
----------
Linux, Documentation/ABI/testing/sysfs-class-power, and net/wireless/wext-proc.c, which writes
/proc/net/wireless: a level below 0 is in dBm, any other has no unit.
"""

from __future__ import annotations

from pathlib import Path


def battery_pct(root: Path = Path("/")) -> float | None:
    """Charge of the board's emptiest battery, or None without one. [%]"""
    charges = []
    for supply in (root / "sys/class/power_supply").glob("*"):
        try:
            if (supply / "type").read_text(encoding="ascii").strip() == "Battery":
                charges.append(float((supply / "capacity").read_text(encoding="ascii")))
        except (OSError, ValueError):  # it tells none, or none just now
            continue
    return min((charge for charge in charges if 0 <= charge <= 100), default=None)


def signal_dbm(root: Path = Path("/")) -> int | None:
    """Strength of the best wireless link, or None without one in dBm. [dBm]"""
    try:
        lines = (root / "proc/net/wireless").read_text(encoding="ascii").splitlines()[2:]
        levels = [int(line.partition(":")[2].split()[2].rstrip(".")) for line in lines]
    except (OSError, ValueError, IndexError):
        return None
    return max((level for level in levels if -128 <= level < 0), default=None)
