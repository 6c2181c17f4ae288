"""The agent as a systemd unit.

References
----------
systemd.exec(5), systemd.service(5).
"""

from __future__ import annotations

from pathlib import Path

from monitor.core.systemd import CONFINED, CONFINED_BY_ROOT, in_home, start_lines
from sensors.agent.settings import CREDENTIAL

UNIT = "benchweather-sensor.service"
WATCHDOG_S = 180
"""systemd starts the agent again if it has given no sign for so long. [s]"""


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
    home = in_home()
    lines = [
        "# Made by `benchweather sensor unit`.",
        *(
            ["# It lies in a home folder, which the user that runs it must be able to read."]
            if home
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
        *start_lines("sensors.agent", "run", "--config", str(config)),
        *([f"LoadCredential={CREDENTIAL}:{password_file}"] if password_file else []),
        "Restart=always",
        "RestartSec=5",
        f"WatchdogSec={WATCHDOG_S}",
        "TimeoutStopSec=15",
        *([f"User={user}"] if user else ["DynamicUser=yes"]),
        "StateDirectory=benchweather-sensor",
        "StateDirectoryMode=0700",
        "MemoryMax=96M",
        *CONFINED,
        *CONFINED_BY_ROOT,
        f"ProtectHome={'read-only' if home else 'yes'}",
        "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6",
        "MemoryDenyWriteExecute=yes",
        "SystemCallFilter=~@resources",
        "",
        "[Install]",
        "WantedBy=multi-user.target",
    ]
    return "\n".join(lines) + "\n"
