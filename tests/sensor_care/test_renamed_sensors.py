"""Sensors and places under a new name: what was sent before and after, undone, and by commands."""

from __future__ import annotations

import contextlib
import json

import pytest
from conftest import until

from monitor.commands import Commands
from monitor.core.errors import Rejected
from monitor.core.measurements import Quantity, Reading, Series
from monitor.sensor_care.calibration import JarWatch
from monitor.settings import load
from monitor.store import Reader, Writer

NOW, MIN = 1_790_000_000_000, 60_000
HOSTILE = "<script>alert(1)</script>"


class Shop:
    def __init__(self, folder) -> None:
        self.writer, self.now = Writer(folder / "readings.sqlite3"), NOW
        self.reader = Reader(folder / "readings.sqlite3")
        settings = load(data=folder, environ={})
        self.commands = Commands(self.writer, look=JarWatch(self.reader, settings))

    def hears(self, place: str, sensor: str, value: float) -> None:
        self.now += MIN
        self.writer.write([Reading(Series(place, sensor, Quantity.HUMIDITY), self.now, value)])

    def do(self, do: str, sensor: str, **request: object) -> None:
        command = {"about": "sensor", "do": do, "sensor": sensor, "by": "Ina", **request}
        self.commands.carry_out(command, self.now)

    def values(self) -> dict[str, list[float]]:
        return {
            f"{place}/{sensor}": self.reader.readings(series_id, 0, 2**50)[1].tolist()
            for (place, sensor, _), series_id in self.reader.series().items()
        }


@pytest.fixture
def shop(tmp_path):
    one = Shop(tmp_path)
    yield one
    one.reader.close()
    one.writer.close()


@pytest.mark.parametrize("old", ["bnech", HOSTILE.replace("/", ""), "läden"])
def test_a_new_name_holds_for_past_and_future_readings_and_can_be_undone(shop, old):
    shop.hears(old, "a1", 40)
    shop.do("rename", f"{old}/a1", to="bench/a1")
    shop.hears(old, "a1", 41)
    assert shop.values() == {"bench/a1": [40, 41]}
    newest = {one.reading.series.place: one.reading.value for one in shop.reader.latest(shop.now)}
    assert newest == {"bench": 41}
    shop.do("undo-rename", "bench/a1")  # known by its new name too
    assert shop.values() == {f"{old}/a1": [40, 41]}
    with pytest.raises(Rejected, match="was not renamed"):
        shop.do("undo-rename", f"{old}/a1")


def test_a_sensor_whose_topic_was_mended_joins_its_old_readings(shop):
    shop.hears("bnech", "a1", 40)
    shop.hears("bench", "a1", 41)
    shop.do("rename", "bnech/a1", to="bench/a1")
    assert shop.values() == {"bench/a1": [40, 41]}


def test_a_renamed_sensor_can_be_moved_voided_and_keeps_its_corrections(shop):
    shop.hears("bnech", "a1", 40)
    shop.do("rename", "bnech/a1", to="bench/b7")
    shop.hears("bnech", "a1", 41)
    shop.do("move", "bench/b7", place="attic", at_ms=shop.now)
    assert shop.values() == {"bench/b7": [40], "attic/b7": [41]}
    shop.do("void-readings", "bench/b7", from_ms=shop.now, until_ms=shop.now + 1, why="wrong")
    assert shop.values() == {"bench/b7": [40], "attic/b7": []}
    history = shop.reader.histories()["bnech/a1"]
    assert (history.shown, history.home) == ("bench/b7", "attic")


def test_a_place_that_it_was_moved_to_gets_the_new_name_too_and_back(shop):
    shop.hears("bench", "a1", 40)
    shop.do("move", "bench/a1", place="atitc", at_ms=shop.now + 1)
    shop.hears("bench", "a1", 41)
    shop.do("rename", "bench/a1", to="bench/a1", old_place="atitc", new_place="attic")
    assert shop.values() == {"bench/a1": [40], "attic/a1": [41]}
    shop.do("undo-rename", "bench/a1")
    assert shop.values() == {"bench/a1": [40], "atitc/a1": [41]}


@pytest.mark.parametrize(
    "to", ["", "bench", "bench/", "/a1", "be nch/a1", "a/b/c", "bnech/a1", "x" * 300]
)
def test_a_name_that_cannot_be_is_rejected(shop, to):
    shop.hears("bnech", "a1", 40)
    with pytest.raises(Rejected):
        shop.do("rename", "bnech/a1", to=to)
    assert shop.values() == {"bnech/a1": [40]}


@pytest.mark.slow
@pytest.mark.broker
def test_a_place_is_renamed_by_a_command_with_all_that_is_there(service, tmp_path):
    """Through a real service: readings, an instrument, the settings' lines, the later messages."""

    def sent(value: float, count: int) -> None:
        done = service.command("sensor", "send", "bnech/a1", "--humidity", str(value))
        assert done.returncode == 0, done.stderr
        with contextlib.closing(Reader(service.store)) as reader:
            until(lambda: reader.tallies()["readings"] == count, what="the reading is stored")

    def shown() -> dict[str, float]:
        done = service.command("now", "--json")
        return {one["place"]: one["rh_pct"] for one in json.loads(done.stdout)}

    until(lambda: service.store.exists(), what="there is a store")
    sent(44, 1)
    done = service.command("sensor", "rename-place", "bnech", "bench")
    assert done.returncode == 0, done.stderr
    assert "bnech/a1: renamed to bench/a1" in done.stdout
    sent(45, 2)
    assert "bench" in shown()
    assert "bnech" not in shown()
    assert service.command("sensor", "rename", "bench/a1", "--undo").returncode == 0
    assert "bnech" in shown()
