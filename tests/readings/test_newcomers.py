"""New places and sensors: the first few at once, the rest when a person admits them."""

from __future__ import annotations

import contextlib
import itertools
import json

import pytest
from conftest import benchweather, until
from scripted_subscription import NOW, Script, arrival

from monitor.commands import Commands
from monitor.core.errors import Rejected
from monitor.readings import newcomers as logic
from monitor.readings.ingest import Ingest
from monitor.readings.newcomers import Newcomers
from monitor.readings.payload import Contract
from monitor.store import Reader, Writer, newcomers

PACKET = itertools.count(1)


class Shop:
    """An ingest with newcomers on a scripted subscription; started again, it has the same store."""

    def __init__(self, folder):
        self.path = folder / "readings.sqlite3"
        self.begin()

    def begin(self):
        self.script, self.writer = Script(), Writer(self.path)
        self.reader = Reader(self.path)
        self.newcomers = Newcomers(self.writer, ["bench"], places_a_day=2, sensors_a_day=4)
        self.commands = Commands(self.writer, newcomers=self.newcomers)
        self.ingest = Ingest(
            self.script, Contract(), self.writer, self.commands, newcomers=self.newcomers
        )
        self.ingest.start()

    def end(self):
        self.ingest.stop(60)
        self.writer.close()
        self.reader.close()

    def send(self, *names, at=NOW, start=1_790_000_000):
        group = [
            arrival(
                next(PACKET),
                json.dumps([{"bt": start + i, "u": "Cel", "v": 20}]).encode(),
                topic=f"benchweather/{name}",
                at=at,
            )
            for i, name in enumerate(names)
        ]
        wanted = self.script.acknowledged + [one.packet_id for one in group]
        self.script.groups.append(group)
        until(lambda: self.script.acknowledged == wanted)

    def do(self, do, **fields):
        return self.commands.carry_out({"about": "newcomer", "do": do} | fields, NOW)

    def stored(self):
        return sorted(f"{s.place}/{s.sensor}" for s in self.reader.series())

    def count(self):
        return sum(self.reader.count(i, 0, 2**60) for i in self.reader.series().values())

    def waiting(self):
        return {
            one.name: (one.messages, one.unkept)
            for one in newcomers.every(self.reader, newcomers.WAITING, newcomers.REFUSED)
        }


@pytest.fixture
def shop(tmp_path):
    one = Shop(tmp_path)
    yield one
    one.end()


def test_the_first_places_are_taken_at_once_and_the_next_wait(shop):
    shop.send("bench/a", "attic/a", "cellar/a", "loft/a", "attic/a", "loft/a")
    assert shop.stored() == ["attic/a", "bench/a", "cellar/a"]
    assert shop.waiting() == {"loft": (2, 0)}
    assert shop.reader.tallies()["messages"] == 6


def test_readings_of_an_admitted_place_enter_the_store_also_over_a_restart(shop):
    shop.send("a/1", "b/1", "c/1", "c/1", "d/1")
    shop.end()
    shop.begin()
    assert shop.waiting() == {"c": (2, 0), "d": (1, 0)}
    assert shop.do("admit", newcomer="c") == {"newcomers": ["c"], "messages": 2}
    until(lambda: shop.count() == 4)
    shop.send("c/1", "d/1", start=1_790_000_100)
    assert shop.count() == 5
    assert shop.waiting() == {"d": (2, 0)}
    assert shop.stored() == ["a/1", "b/1", "c/1"]


def test_an_admission_before_a_crash_is_carried_out_after_it(shop):
    shop.send("a/1", "b/1", "c/1")
    shop.ingest.stop(60)  # as if it were killed before it saw the admission
    shop.do("admit", every=True)
    assert shop.count() == 2
    shop.end()
    shop.begin()
    until(lambda: shop.count() == 3)


def test_untimed_messages_of_one_millisecond_are_all_stored_once_by_whoever_admits_them(shop):
    group = [
        arrival(next(PACKET), b'[{"u":"Cel","v":%d}]' % value, topic="benchweather/c/1", at=NOW)
        for value in (20, 20, 21)
    ]
    shop.send("a/1", "b/1")
    shop.script.groups.append(group)
    until(lambda: shop.waiting() == {"c": (3, 0)})
    shop.ingest.stop(60)
    shop.do("admit", newcomer="c")
    rows = newcomers.admitted(shop.writer, 9)
    with pytest.MonkeyPatch.context() as patch, contextlib.closing(Writer(shop.path)) as other:
        found = iter([rows, rows])
        patch.setattr(newcomers, "admitted", lambda *_: next(found, []))
        for writer in (shop.writer, other):  # both have read the same rows
            one = Ingest(Script(), Contract(), writer, newcomers=Newcomers(writer))
            one._admit(one._newcomers)
    assert shop.count() == 5
    assert shop.reader.tallies()["readings"] == 5


def test_a_refused_place_is_counted_and_can_be_admitted_later(shop):
    shop.send("a/1", "b/1", "c/1")
    shop.do("refuse", newcomer="c")
    until(lambda: not shop.newcomers.settled)
    shop.send("c/1", "c/1", start=1_790_000_100)
    assert shop.waiting() == {"c": (0, 3)}
    shop.do("admit", newcomer="c")
    until(lambda: not shop.newcomers.settled)
    shop.send("c/1", start=1_790_000_200)
    assert shop.stored() == ["a/1", "b/1", "c/1"]


def test_many_sensors_of_a_known_place_wait_too(shop):
    shop.send(*(f"bench/s{i}" for i in range(6)))
    assert shop.stored() == [f"bench/s{i}" for i in range(4)]
    assert shop.waiting() == {"bench/s4": (1, 0), "bench/s5": (1, 0)}
    shop.do("admit", newcomer="bench/s4")
    until(lambda: "bench/s4" in shop.stored())
    assert shop.waiting() == {"bench/s5": (1, 0)}


def test_sensors_beyond_the_few_of_an_admitted_place_wait_in_their_turn(shop):
    shop.send("a/1", "b/1", *(f"c/{i}" for i in range(5)))
    shop.do("admit", newcomer="c")
    until(lambda: len(shop.stored()) == 4)
    assert shop.waiting() == {"c/2": (1, 0), "c/3": (1, 0), "c/4": (1, 0)}


def test_after_a_day_the_next_few_are_taken_at_once(shop):
    shop.send("a/1", "b/1")
    shop.send("c/1", at=NOW + logic.DAY_MS)
    assert shop.stored() == ["a/1", "b/1", "c/1"]


def test_what_exceeds_a_bound_is_counted_and_nothing_is_lost_silently(shop, monkeypatch):
    monkeypatch.setattr(logic, "NAMES_MAX", 3)
    monkeypatch.setattr(logic, "MESSAGES_MAX", 2)
    shop.send("a/1", "b/1", *(f"p{i}/1" for i in range(5)), *["p0/1"] * 4)
    assert shop.waiting() == {"p0": (2, 3), "p1": (1, 0), "p2": (1, 0)}
    assert newcomers.beyond(shop.reader) == 2
    kept = sum(m + n for m, n in shop.waiting().values())
    assert shop.reader.tallies()["messages"] == shop.count() + kept + newcomers.beyond(shop.reader)
    monkeypatch.setattr(logic, "BYTES_MAX", 10)
    shop.send("p2/1")
    assert shop.waiting()["p2"] == (1, 1)


def test_a_repeat_of_a_waiting_message_is_kept_once(shop):
    pack = b'[{"u":"Cel","v":20}]'
    shop.send("a/1", "b/1")
    topic = "benchweather/c/1"

    again = arrival(7, pack, topic=topic, repeat=True)
    shop.script.groups.append([arrival(7, pack, topic=topic), again])
    until(lambda: shop.waiting() == {"c": (1, 0)})
    shop.script.groups.append([again])
    until(lambda: shop.script.acknowledged[-3:] == [7, 7, 7])
    assert shop.waiting() == {"c": (1, 0)}


def test_an_unknown_name_is_refused_with_what_there_is(shop):
    shop.send("a/1", "b/1", "c/1")
    with pytest.raises(Rejected, match="newcomer = 'x': must be one of c"):
        shop.do("admit", newcomer="x")


def test_an_earlier_store_keeps_all_its_sensors(tmp_path):
    shop = Shop(tmp_path)
    with contextlib.closing(shop.writer):
        shop.send("a/1", "b/1")
        shop.ingest.stop(60)
        with shop.writer.connection.transaction() as run:
            run.execute("DELETE FROM newcomer")
    shop.reader.close()
    shop.begin()
    shop.send("a/1", "b/1", "c/1", "d/1", start=1_790_000_100)
    assert shop.stored() == ["a/1", "b/1", "c/1", "d/1"]
    shop.end()


@pytest.mark.parametrize(
    ("topic", "why"),
    [
        ("benchweather//a", "place '' in the topic is empty"),
        ("benchweather/a/", "sensor '' in the topic is empty"),
        ("benchweather/$SYS/a", "have a special meaning in a topic"),
        ("benchweather/a\x07b/a", "control characters"),
        ("benchweather/\u202eevil/a", "control characters"),
        ("benchweather/a/" + "x" * 60_000, "has 60000 characters: must be at most 64"),
        ("benchweather/+/a", "have a special meaning in a topic"),
    ],
)
def test_an_odd_name_in_a_topic_is_refused_with_its_reason_kept(shop, topic, why):
    shop.script.groups.append([arrival(9, b'[{"u":"Cel","v":20}]', topic=topic)])
    until(lambda: shop.script.acknowledged == [9])
    (kept,) = shop.reader.refused(9)
    assert why in kept.reason
    assert len(kept.topic) <= 500
    assert shop.stored() == []


def test_the_command_lists_what_waits_and_needs_a_service_to_admit(shop, tmp_path):
    environment = {"BENCHWEATHER_DATA": str(tmp_path)}

    def place(*words):
        return benchweather("place", *words, environment=environment)

    assert "No new place or sensor waits." in place("list").stdout
    shop.send("a/1", "b/1", "c/1", "c*\x1b/1", "c*/1")
    listed = place("list").stdout
    assert "c\twaiting" in listed
    assert "c*\twaiting" in listed
    assert "\x1b" not in listed
    found = json.loads(place("list", "--json").stdout)
    assert [one["name"] for one in found["newcomers"]] == ["c", "c*"]
    assert place("admit").returncode == 2
    assert place("admit", "c", "--all").returncode == 2
    done = place("admit", "c")
    assert done.returncode == 1
    assert "No service is running" in done.stderr
