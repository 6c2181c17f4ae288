"""`benchweather sensor`: the agent's command line. Exit codes: 0 done, 1 failed, 2 wrong use."""

from __future__ import annotations

import argparse
import os
import sys
import threading
from pathlib import Path

from monitor.core import logs
from monitor.core.errors import MonitorError, SettingsFault
from monitor.core.signals import signals_call
from sensors.agent import discovery, systemd
from sensors.agent.agent import Agent
from sensors.agent.settings import FILE, load


def main(arguments: list[str] | None = None) -> int:
    given = _parser().parse_args(arguments)
    try:
        return int(given.do(given))
    except SettingsFault as exc:
        print("The settings cannot be used:", *exc.faults, sep="\n  ", file=sys.stderr)
        return 2
    except MonitorError as exc:
        print(exc, file=sys.stderr)
    except OSError as exc:
        where = f"{exc.filename}: " if exc.filename else ""
        print(f"{where}{exc.strerror or exc}", file=sys.stderr)
    return 1


def _run(given: argparse.Namespace) -> int:
    logs.set_up("sensor agent", verbose=given.verbose)
    stop = threading.Event()
    with signals_call(stop.set):
        Agent(load(given.config), given.data or _folder(), given.root).run(stop)
    return 0


def _find(given: argparse.Namespace) -> int:
    text, any_there = discovery.discovery_text(given.root, given.config, bluetooth=given.bluetooth)
    print(text, end="")
    return 0 if any_there else 1


def _unit(given: argparse.Namespace) -> int:
    config = given.config.absolute()
    text = systemd.unit(config, user=given.user, password_file=given.password_file)
    if not given.write:
        print(text, end="")
        return 0
    file = given.to / systemd.UNIT
    if file.exists() and file.read_text(encoding="utf-8") != text and not given.force:
        print(f"{file} exists and is different. Check it, then add --force.", file=sys.stderr)
        return 1
    part = file.with_name(file.name + ".part")
    part.write_text(text, encoding="utf-8")
    part.chmod(0o644)
    part.replace(file)
    print(
        f"Written: {file}\nNow run: systemctl daemon-reload && systemctl enable --now {file.stem}"
    )
    return 0


def _parser() -> argparse.ArgumentParser:
    """Parser of the options that `benchweather sensor` declares and explains: its own process is
    light, as what reads the chips stays in memory for years."""
    shared = argparse.ArgumentParser(add_help=False)
    shared.add_argument("--config", type=Path, default=FILE)
    shared.add_argument("--root", type=Path, default=Path("/"), help=argparse.SUPPRESS)
    parser = argparse.ArgumentParser(
        "benchweather sensor", epilog="`benchweather sensor run -h` explains the options."
    )
    verbs = parser.add_subparsers(required=True, metavar="run | find | unit")
    run = verbs.add_parser("run", parents=[shared])
    run.add_argument("--data", type=Path)
    run.add_argument("--verbose", "-v", action="store_true")
    run.set_defaults(do=_run)
    find = verbs.add_parser("find", parents=[shared])
    find.add_argument("--bluetooth", action="store_true")
    find.set_defaults(do=_find)
    unit = verbs.add_parser("unit", parents=[shared])
    unit.add_argument("--user", default="")
    unit.add_argument("--password-file", type=Path)
    unit.add_argument("--write", action="store_true")
    unit.add_argument("--force", action="store_true")
    unit.add_argument("--to", type=Path, default=Path("/etc/systemd/system"))
    unit.set_defaults(do=_unit)
    return parser


def _folder() -> Path:
    """Folder for state: systemd's for a unit, else the user's."""
    if handed := os.environ.get("STATE_DIRECTORY"):
        return Path(handed.split(":")[0])
    base = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local/state"
    return Path(base) / "benchweather-sensor"


if __name__ == "__main__":
    sys.exit(main())
