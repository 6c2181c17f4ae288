"""The service's commands, served in this process: what a command line test talks to.

A service in a process of its own costs about 2.6 s of processor time at each start. The real one is
started where a broker, a round or a restart matters.
"""

from __future__ import annotations

import contextlib
import functools
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import alert_fixtures
import pytest
from conftest import benchweather

from monitor.air.place_means import places
from monitor.clients import archive
from monitor.commands import Commands
from monitor.commands.closing import shop_hours
from monitor.commands.ipc import CommandLink
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.opening_hours import is_open
from monitor.planning.step_check import doubts
from monitor.readings.hand_readings import StoredHandReadings
from monitor.sensor_care.calibration import JarWatch
from monitor.settings import load
from monitor.store import Reader, Writer
from monitor.waits.evaluation import equivalent_s, expectation
from monitor.waits.proof_text import proved


class CommandServer:
    """A store, the commands and the link of a shop, put together as the supervisor does."""

    def __init__(self, folder: Path) -> None:
        self.data, self.store = folder, folder / "readings.sqlite3"
        self.environment = {
            name: value for name, value in os.environ.items() if name[:13] != "BENCHWEATHER_"
        } | {"BENCHWEATHER_DATA": str(folder)}
        self._parts = contextlib.ExitStack()

    def start(self) -> None:
        self.settings = load(environ=self.environment)
        self.writer = Writer(self.store)
        self._parts.callback(self.writer.close)
        reader = Reader(self.store)
        self._parts.callback(reader.close)
        self.commands = Commands(
            self.writer,
            functools.partial(equivalent_s, reader, self.settings),
            functools.partial(expectation, reader, self.settings),
            limits=self.settings.limits,
            reservoirs={tank.id: tank for tank in self.settings.reservoirs},
            places=lambda: [place.id for place in places(reader, self.settings)],
            look=JarWatch(reader, self.settings),
            prove=functools.partial(proved, reader, self.settings),
            by_hand=StoredHandReadings(reader, self.writer),
            open_at=lambda ms: is_open(shop_hours(reader, self.settings), self.settings.zone, ms),
            doubts=functools.partial(doubts, reader, self.settings),
        )
        link = CommandLink(self.settings.command_link_path, self._carry_out)
        link.start()
        self._parts.callback(link.stop)

    def _carry_out(self, command: Mapping[str, object]) -> Mapping[str, object]:
        if command.get("about") == archive.ABOUT:
            return archive.carry_out(self.writer, command)
        return self.commands.carry_out(command, now_ms())

    def go_round(self) -> None:
        """Let the rules look once, as the service does every few seconds."""
        now = now_ms()
        alert_fixtures.run_cycles(self.settings, self.writer, now, now, 1)

    def stop(self) -> None:
        self._parts.close()

    def command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """A `benchweather` command on this shop's data."""
        return benchweather(*arguments, environment=self.environment)


@pytest.fixture
def make_command_server(tmp_path: Path) -> Iterator[Callable[[], CommandServer]]:
    """Command servers of the test's own, not yet started."""
    made: list[CommandServer] = []

    def make() -> CommandServer:
        made.append(CommandServer(tmp_path / f"shop{len(made)}"))
        made[-1].data.mkdir()
        return made[-1]

    yield make
    for one in made:
        one.stop()


def fill(path, hours, temp_c=20.0, rh_pct=50.0):
    """Reference air up to now, each minute."""
    path.parent.mkdir(parents=True, exist_ok=True)
    end, writer = now_ms(), Writer(path)
    writer.write(
        [
            Reading(Series("bench", "a1", quantity), end - 60_000 * i, value)
            for quantity, value in ((Quantity.TEMPERATURE, temp_c), (Quantity.HUMIDITY, rh_pct))
            for i in range(60 * hours)
        ]
    )
    writer.close()


@pytest.fixture(scope="module")
def six_days(tmp_path_factory):
    """A store with six days of reference air."""
    path = tmp_path_factory.mktemp("air") / "readings.sqlite3"
    fill(path, 24 * 6)
    return path


@pytest.fixture
def six_days_until_now(tmp_path):
    """The same by the clock of this test: a real service doubts a clock behind its store."""
    path = tmp_path / "six-days.sqlite3"
    fill(path, 24 * 6)
    return path


def opened(one, six_days, columns="250"):
    """A shop of three places over its own copy of the six days."""
    one.environment |= {"COLUMNS": columns, "BENCHWEATHER_SHOP__TIME_ZONE": "Europe/Berlin"}
    one.data.mkdir(exist_ok=True)
    shutil.copy(six_days, one.store)
    (one.data / "benchweather.toml").write_text(
        "".join(f"[[places]]\nid = '{place}'\n" for place in ("bench", "rack", "attic"))
    )
    one.start()
    return one
