"""`benchweather unit`: a systemd unit that starts the service with the computer and watches it.

References
----------
systemd.exec(5), systemd.service(5), systemd.kill(5).
"""

from __future__ import annotations

import os
import re
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.output import out
from monitor.cli.shared import ReplaceUnit, WriteUnit, failed, wrong
from monitor.core.durable_file import write_durably
from monitor.core.systemd import CONFINED, CONFINED_BY_ROOT, in_home, quoted, start_lines
from monitor.settings import FILE_NAME, Settings

UNIT = "benchweather.service"
"""Name of the service's unit."""


class UnitPart(StrEnum):
    """Part of Benchweather that a unit starts."""

    SERVICE = "service"
    STANDBY = "standby"
    INGEST = "ingest"
    OUTLOOK = "outlook"
    BOARD = "board"


COMMANDS = {
    UnitPart.SERVICE: ("run",),
    UnitPart.STANDBY: ("run", "--standby"),
    UnitPart.INGEST: ("ingest",),
    UnitPart.OUTLOOK: ("look-ahead",),
    UnitPart.BOARD: ("board", "--serve"),
}
WATCHDOG_S, START_S = 60, 900
"""Time without a sign of life after which systemd starts the service again, and the longest start: it
may change a store of years for a new version. [s]"""


def unit_name(settings: Settings, part: UnitPart) -> str:
    """Name of a unit; workers on one computer have one each, by their data folder."""
    if part in (UnitPart.OUTLOOK, UnitPart.BOARD):
        return f"benchweather-{part}.service"
    if part is not UnitPart.INGEST:
        return UNIT
    return f"benchweather-ingest-{re.sub(r'[^A-Za-z0-9_.-]', '-', settings.data.name)}.service"


def service_unit(settings: Settings, *, user: str = "", part: UnitPart = UnitPart.SERVICE) -> str:
    """Text of a systemd unit that starts the service of these settings.

    Parameters
    ----------
    user : str
        An existing user to run as, for the system's own systemd; empty for a unit of the user who
        writes it.
    part : UnitPart
        The service, one that waits while another works, or a part of it on its own.
    """
    folder = settings.data.parent if settings.demo else settings.data
    data = str(folder.absolute())
    given = ["--data", data]
    if settings.config and settings.config != settings.data / FILE_NAME:
        given += ["--config", str(settings.config.absolute())]
    if settings.demo:
        given.append("--demo")
    backups = settings.backup.folder
    writes = [data, *([f"-{backups}"] if backups else [])]  # its disk may come later
    home = "read-only" if in_home(folder.absolute(), *([backups] if backups else [])) else "yes"
    by_root = [
        f"User={user}",
        *CONFINED_BY_ROOT,
        f"ProtectHome={home}",
        *(f"ReadWritePaths={quoted(path, command=False)}" for path in writes),
        "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK",
    ]
    lines = [
        "# Made by `benchweather unit`.",
        "[Unit]",
        f"Description=Benchweather{'' if part is UnitPart.SERVICE else f', {part}'}",
        *(
            ["Wants=network-online.target", "After=network-online.target time-sync.target"]
            * bool(user)
        ),
        "StartLimitIntervalSec=0",
        "",
        "[Service]",
        "Type=notify",
        *start_lines("monitor", *COMMANDS[part], *given),
        "Restart=on-failure",
        "RestartSec=5",
        f"WatchdogSec={WATCHDOG_S}",
        f"TimeoutStartSec={START_S}",
        "TimeoutStopSec=30",
        "# The service ends its parts by itself.",
        "KillMode=mixed",
        *(by_root if user else []),
        *CONFINED,
        "",
        "[Install]",
        f"WantedBy={'multi-user' if user else 'default'}.target",
    ]
    return "\n".join(lines) + "\n"


def unit(
    settings: Settings,
    user: Annotated[
        str,
        typer.Option(help="User to run as, for the whole computer (default: for yourself only)"),
    ] = "",
    part: Annotated[
        UnitPart,
        typer.Option(
            help="What to start: the service, a service on standby, or a part of it on its own"
        ),
    ] = UnitPart.SERVICE,
    write: WriteUnit = False,
    force: ReplaceUnit = False,
    to: Annotated[
        Path | None, typer.Option(help="Folder of the unit (default: systemd's)")
    ] = None,
) -> None:
    """Print or write a systemd unit: the service starts with the computer, and again if it hangs.

    Settings in the environment do not go into the unit. Put them into the settings file.
    """
    if user.startswith("-") or not user.isprintable() or any(c in user for c in " %"):
        wrong(f"--user {user!r}: must be the name of a user")
    if user and not settings.data.is_dir():
        failed(
            f"{settings.data}: there is no such folder. Start `benchweather run` once as {user}."
        )
    text = service_unit(settings, user=user, part=part)
    if not write:
        out.print(text, end="", markup=False, highlight=False, soft_wrap=True)
        return
    own = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "systemd/user"
    path = (to or (Path("/etc/systemd/system") if user else own)) / unit_name(settings, part)
    if path.exists() and path.read_text(encoding="utf-8") != text and not force:
        failed(f"{path} exists and is different. Check it, then add --force.")
    path.parent.mkdir(parents=True, exist_ok=True)
    write_durably(path, text, 0o644)
    systemctl = "systemctl" if user else "systemctl --user"
    out.print(f"Written: {path}", soft_wrap=True)
    out.print(f"Now run: {systemctl} daemon-reload && {systemctl} enable --now {path.stem}")
