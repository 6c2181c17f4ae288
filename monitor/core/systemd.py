"""systemd: messages to it, and what the units of our programs share.

References
----------
sd_notify(3), sd_watchdog_enabled(3), systemd.exec(5), systemd.service(5).
"""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Mapping, MutableMapping
from pathlib import Path

from monitor.core.errors import MonitorError

PACKAGE = Path(__file__).resolve().parents[2]
"""Folder that our packages lie in."""
VARIABLES = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")
CONFINED = (
    "UMask=0077",
    "NoNewPrivileges=yes",
    "RestrictNamespaces=yes",
    "RestrictRealtime=yes",
    "RestrictSUIDSGID=yes",
    "LockPersonality=yes",
    "SystemCallArchitectures=native",
)
"""Lines of a unit that a user's own systemd can keep too."""
CONFINED_BY_ROOT = (
    "CapabilityBoundingSet=",
    "AmbientCapabilities=",
    "ProtectSystem=strict",
    "PrivateTmp=yes",
    "PrivateDevices=yes",
    "ProtectKernelTunables=yes",
    "ProtectKernelModules=yes",
    "ProtectKernelLogs=yes",
    "ProtectControlGroups=yes",
    "ProtectHostname=yes",
    "ProtectProc=invisible",
    "RemoveIPC=yes",
    "SystemCallFilter=@system-service",
    "SystemCallFilter=~@privileged",
    "# The clock is asked whether it is set, and never set. This must follow what takes it away.",
    "SystemCallFilter=adjtimex clock_adjtime",
    "SystemCallErrorNumber=EPERM",
)
"""Lines of a unit that only the system's own systemd can keep."""


def is_journal(descriptor: int, environ: Mapping[str, str] = os.environ) -> bool:
    """Return whether what is written to a file goes into systemd's journal, which others may read."""
    found = os.fstat(descriptor)
    return environ.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


class Notifier:
    """Tells systemd how we are; without systemd it does nothing.

    Attributes
    ----------
    watchdog_s : float
        How often a sign of life is due, half of what systemd allows; 0 if it wants none. [s]
    """

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        ours = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        allowed_us = environ.get("WATCHDOG_USEC", "0")
        wanted = ours and address and allowed_us.isdecimal()
        self.watchdog_s = int(allowed_us) / 2e6 if wanted else 0.0

    @classmethod
    def taken_from(cls, environ: MutableMapping[str, str]) -> Notifier:
        """Make a notifier and remove its variables, so that no child process can use them."""
        made = cls(environ)
        for name in VARIABLES:
            environ.pop(name, None)
        return made

    def ready(self, status: str) -> None:
        self._send("READY=1", f"STATUS={_line(status)}")

    def alive(self, status: str) -> None:
        self._send("WATCHDOG=1", f"STATUS={_line(status)}")

    def status(self, status: str) -> None:
        """Tell it how we are, without a sign of life."""
        self._send(f"STATUS={_line(status)}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def _send(self, *lines: str) -> None:
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as messenger:
            messenger.setblocking(False)  # a manager that does not read must not hold us up
            try:
                messenger.sendto("\n".join(lines).encode(), self._address)
            except BlockingIOError:
                pass
            except OSError:  # whoever started us is gone; the watchdog is with them
                self._address = ""


def _line(text: str) -> str:
    """A text without an end of line, which would begin another message."""
    return " ".join(text.split())


class UnitFault(MonitorError, ValueError):
    """A word that no unit can have."""


def quoted(text: str, *, command: bool = True) -> str:
    """A word as systemd reads it in a command line (systemd.service(5), "Command lines"), or in
    another setting, where a dollar is a dollar.

    Raises
    ------
    UnitFault
        If it has a line end or another control character, which could begin a line of its own.
    """
    if any(ord(c) < 32 for c in text):
        raise UnitFault(f"{text!r}: a unit cannot have this name: rename it without line ends")
    text = text.replace("%", "%%")
    if not any(c in text for c in " \"'\\$;"):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped.replace("$", "$$") if command else escaped}"'


def start_lines(*arguments: str) -> list[str]:
    """Lines of a unit that start a module of ours by this Python, with its arguments."""
    installed = PACKAGE.name in ("site-packages", "dist-packages")
    command = " ".join(map(quoted, (sys.executable, "-P", "-m", *arguments)))
    path = [] if installed else [f"Environment={quoted(f'PYTHONPATH={PACKAGE}', command=False)}"]
    return [f"ExecStart={command}", *path]


def in_home(*paths: Path) -> bool:
    """True if this installation, or one of the paths, lies in somebody's home folder."""
    homes = ("/home", "/root")
    every = (PACKAGE, Path(sys.executable), *paths)
    return any(path.is_relative_to(home) for path in every for home in homes)
