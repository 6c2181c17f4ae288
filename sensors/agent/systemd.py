"""The agent as a systemd unit: its messages to the service manager, and the unit's text.

References
----------
sd_notify(3), systemd.exec(5), systemd.service(5).
"""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Mapping
from pathlib import Path

from sensors.agent.settings import CREDENTIAL

UNIT = "benchweather-sensor.service"
WATCHDOG_S = 180
"""systemd starts the agent again if it has given no sign for so long. [s]"""


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

    def ready(self, status: str) -> None:
        self._send("READY=1", f"STATUS={status}")

    def alive(self, status: str) -> None:
        self._send("WATCHDOG=1", f"STATUS={status}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def _send(self, *lines: str) -> None:
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as messenger:
            try:
                messenger.sendto("\n".join(lines).encode(), self._address)
            except OSError:  # whoever started us is gone; the watchdog is with them
                self._address = ""


def unit(config: Path, *, user: str = "", password_file: Path | None = None) -> str:
    """Text of the unit, for this Python and this installation.

    Parameters
    ----------
    config : Path
        The settings file.
    user : str
        An existing user to run as; empty for one that systemd makes up.
    password_file : Path, optional
        Handed over by systemd, which reads it as root.
    """
    package = Path(__file__).resolve().parents[2]
    installed = package.name in ("site-packages", "dist-packages")
    homes = [
        p
        for p in (package, Path(sys.executable))
        if p.is_relative_to("/home") or p.is_relative_to("/root")
    ]
    lines = [
        "# Made by `benchweather sensor unit`.",
        *(
            ["# It lies in a home folder, which the user that runs it must be able to read."]
            if homes
            else []
        ),
        "[Unit]",
        "Description=Benchweather sensor agent",
        "Wants=network-online.target",
        "After=network-online.target time-sync.target",
        "StartLimitIntervalSec=0",
        "",
        "[Service]",
        "Type=notify",
        f"ExecStart={_quoted(sys.executable)} -P -m sensors.agent run --config {_quoted(str(config))}",
        *([] if installed else [f"Environment={_quoted(f'PYTHONPATH={package}')}"]),
        *([f"LoadCredential={CREDENTIAL}:{password_file}"] if password_file else []),
        "Restart=always",
        "RestartSec=5",
        f"WatchdogSec={WATCHDOG_S}",
        "TimeoutStopSec=15",
        *([f"User={user}"] if user else ["DynamicUser=yes"]),
        "StateDirectory=benchweather-sensor",
        "StateDirectoryMode=0700",
        "UMask=0077",
        "MemoryMax=96M",
        "NoNewPrivileges=yes",
        "CapabilityBoundingSet=",
        "AmbientCapabilities=",
        "ProtectSystem=strict",
        f"ProtectHome={'read-only' if homes else 'yes'}",
        "PrivateTmp=yes",
        "PrivateDevices=yes",
        "ProtectKernelTunables=yes",
        "ProtectKernelModules=yes",
        "ProtectKernelLogs=yes",
        "ProtectControlGroups=yes",
        "ProtectHostname=yes",
        "ProtectProc=invisible",
        "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6",
        "RestrictNamespaces=yes",
        "RestrictRealtime=yes",
        "RestrictSUIDSGID=yes",
        "RemoveIPC=yes",
        "LockPersonality=yes",
        "MemoryDenyWriteExecute=yes",
        "SystemCallArchitectures=native",
        "# The clock is asked whether it is set, and never set.",
        "SystemCallFilter=@system-service adjtimex clock_adjtime",
        "SystemCallFilter=~@privileged @resources",
        "SystemCallErrorNumber=EPERM",
        "",
        "[Install]",
        "WantedBy=multi-user.target",
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """An argument as systemd reads it (systemd.service(5), "Command lines")."""
    text = text.replace("%", "%%")
    if not any(c in text for c in " \t\"'\\$;"):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("$", "$$")
    return f'"{escaped}"'
