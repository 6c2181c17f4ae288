"""A board of the tests' own: sysfs as the kernel lays it out, and the agent as a real process on it."""

from __future__ import annotations

import itertools
import os
import re
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from conftest import ROOT, until

from monitor.store import Reader


class Board:
    """A root folder with chips in it. Attribute files end with a newline, as the kernel's do."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._iio, self._hwmon = itertools.count(), itertools.count()

    def iio(self, device: str = "i2c-1/1-0076", **files: str) -> Path:
        """/sys/bus/iio/devices/iio:deviceX, a link to a folder below the chip's own device."""
        name = f"iio:device{next(self._iio)}"
        real = self._folder(f"sys/devices/platform/{device}/{name}", files)
        return self._link(f"sys/bus/iio/devices/{name}", real)

    def hwmon(self, device: str = "i2c-1/1-0044", **files: str) -> Path:
        """/sys/class/hwmon/hwmonX, with a link `device` back to the chip's own device."""
        name = f"hwmon{next(self._hwmon)}"
        real = self._folder(f"sys/devices/platform/{device}/hwmon/{name}", files)
        (real / "device").symlink_to(real.parent.parent)
        return self._link(f"sys/class/hwmon/{name}", real)

    def battery(self, kind: str, capacity: str, name: str = "bat0") -> Path:
        real = self._folder(f"sys/devices/{name}", {"type": kind, "capacity": capacity})
        return self._link(f"sys/class/power_supply/{name}", real)

    def wireless(self, *lines: str) -> None:
        file = self.root / "proc/net/wireless"
        file.parent.mkdir(parents=True, exist_ok=True)
        head = (
            "Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE",
            " face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22",
        )
        file.write_text("\n".join((*head, *lines)) + "\n")

    def _folder(self, path: str, files: dict[str, str]) -> Path:
        folder = self.root / path
        folder.mkdir(parents=True)
        for name, text in files.items():
            (folder / name).write_text(text if "\n" in text else text + "\n")
        return folder

    def _link(self, path: str, real: Path) -> Path:
        link = self.root / path
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(real)
        return link


def settle(file: Path, text: str) -> None:
    """Change a value as the kernel would: at once, never half."""
    part = file.with_name(".part")
    part.write_text(text)
    part.replace(file)


class RunningAgent:
    """`benchweather sensor run` as systemd starts it, in a process of its own."""

    def __init__(self, folder: Path, board: Board, broker_url: str, **broker: str) -> None:
        folder.mkdir(exist_ok=True)
        self.folder, self.board = folder, board
        self.config, self.data, self.log = (
            folder / "sensor.toml",
            folder / "state",
            folder / "agent.log",
        )
        self.broker = {"url": broker_url, **broker}
        self.name, self.period_s, self.reads, self.packs_max = "board-1", 1.0, 1, 200_000
        self.sensors = [("front-bench", "fb-1", "bme280")]
        self.environment = {
            k: v for k, v in os.environ.items() if not k.startswith(("BENCHWEATHER_", "NOTIFY_"))
        } | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
        self._child: subprocess.Popen[bytes] | None = None

    def write_settings(self) -> None:
        lines = [
            "[agent]",
            f'name = "{self.name}"',
            f"period_s = {self.period_s}",
            f"reads = {self.reads}",
            f"packs_max = {self.packs_max}",
            "[broker]",
            *(f'{name} = "{value}"' for name, value in self.broker.items()),
        ]
        for place, name, chip in self.sensors:
            lines += ["[[sensors]]", f'place = "{place}"', f'name = "{name}"', f'chip = "{chip}"']
        self.config.write_text("\n".join(lines) + "\n")

    def start(self) -> None:
        self.write_settings()
        begun = self.log.read_text().count("started agent=") if self.log.exists() else 0
        with self.log.open("a") as log:
            self._child = subprocess.Popen(
                [
                    sys.executable,
                    "-P",
                    "-m",
                    "sensors.agent",
                    "run",
                    "--config",
                    str(self.config),
                    "--root",
                    str(self.board.root),
                    "--data",
                    str(self.data),
                    "--verbose",
                ],
                cwd=self.folder,
                env=self.environment,
                stdout=log,
                stderr=subprocess.STDOUT,
            )

        def started() -> bool:
            text = self.log.read_text()
            assert self.running(), f"the agent ended:\n{text}"
            return text.count("started agent=") > begun

        until(started, what="the agent has started")

    @property
    def pid(self) -> int:
        return self._child.pid

    def running(self) -> bool:
        return self._child is not None and self._child.poll() is None

    def says(self, text: str, *, within_s: float = 45.0) -> None:
        until(
            lambda: text in self.log.read_text(), within_s=within_s, what=f"the log says {text!r}"
        )

    def kept(self) -> list[tuple[str, int]]:
        """Topic and time of every pack that it said it has on disk, over all its runs."""
        found = re.findall(r"kept topic=(\S+) measured_ms=(\d+)", self.log.read_text())
        return [(topic, int(moment)) for topic, moment in found]

    def kill(self) -> None:
        self._child.kill()
        self._child.wait()

    def stop(self) -> int:
        self._child.terminate()
        return self._child.wait(60)

    def clear(self) -> None:
        if self.running():
            self.kill()


def stored(service) -> set[tuple[str, int]]:
    """Topic and time of every temperature in the store."""
    with closing(sqlite3.connect(f"file:{service.store}?mode=ro", uri=True)) as connection:
        found = connection.execute(
            "SELECT place, sensor, ts_ms FROM reading JOIN series USING (series_id)"
            " WHERE quantity = 'temperature'"
        ).fetchall()
    return {(f"benchweather/{place}/{sensor}", ts_ms) for place, sensor, ts_ms in found}


def tallies(service):
    with closing(Reader(service.store)) as reader:
        return reader.tallies()


def kill_broker_of(service):
    found = subprocess.run(
        ["pgrep", "-P", str(service.pid), "-f", "nats-server"], capture_output=True, text=True
    )
    subprocess.run(["kill", "-9", *found.stdout.split()], check=True)
