"""Homes of the outlooks: files and a database keep the same; in a database several share the work."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import closing

import coming_fixtures
import pytest
from conftest import ROOT, until
from one_schema import statements  # noqa: F401 - watches each test
from small_disk import SmallDisk

from monitor.core.errors import SettingsFault, StoreFault
from monitor.outlook import files
from monitor.outlook.evaluation.walk_forward import nothing
from monitor.outlook.files import IssuedOutlooks
from monitor.outlook.homes import LEARN, LOOK, OutlookDatabase, OutlookFolder, home_of
from monitor.outlook.worker import Work, night_began_ms
from monitor.service.look_ahead import look_ahead, outlook_processes
from monitor.settings import load
from monitor.store import Reader, Writer, ingest_workers, outlooks
from monitor.store.connection import opened
from monitor.store.outlooks import Item, When
from monitor.store.shared_home import SharedHome

T0, HOUR = 1_790_000_000_000, 3_600_000
PLACE = "bänch/2.1"
"""A name that a file's name cannot have as it is."""


@pytest.fixture
def address(postgresql_server):
    """Address of an empty store in a database."""
    found = postgresql_server.emptied()
    Writer(found).close()
    return found


@pytest.fixture(params=["files", "database"])
def home(request, tmp_path):
    """Both homes, empty."""
    if request.param == "files":
        yield OutlookFolder(tmp_path / "outlook")
        return
    address = request.getfixturevalue("address")
    with closing(SharedHome(address, address)) as shared:
        yield OutlookDatabase(shared)


@pytest.fixture
def two(address):
    """The home as two processes have it."""
    with (
        closing(SharedHome(address, address)) as one,
        closing(SharedHome(address, address)) as two,
    ):
        yield OutlookDatabase(one), OutlookDatabase(two)


def body(home, place, kind):
    with home.opened(place, kind) as file:
        return file.read()


def test_what_is_put_is_read_back_whole_and_its_stamp_grows(home):
    assert home.stamp(PLACE, "look") == 0
    assert home.places("look") == set()
    with pytest.raises(FileNotFoundError):
        home.opened(PLACE, "look")
    stamps = []
    for content in (b"\x00one\xff", b"", b"three"):
        home.put([Item(PLACE, "look", content), Item(PLACE, "fit", b"other")])
        assert body(home, PLACE, "look") == content
        stamps.append(home.stamp(PLACE, "look"))
    assert stamps == sorted(stamps)
    assert stamps[0] > 0
    assert home.places("look") == {PLACE}


def test_a_guess_does_not_replace_what_was_learned_meanwhile(home):
    home.put([Item(PLACE, "fit", b"guess", guess=True)])
    assert body(home, PLACE, "fit") == b"guess"
    home.put([Item(PLACE, "fit", b"learned")])
    home.put([Item(PLACE, "fit", b"guess", guess=True)])
    assert body(home, PLACE, "fit") == b"learned"


def test_a_task_is_due_until_it_is_done_for_this_time_and_state(home):
    when = When(T0, "a")
    assert home.due(LOOK, {"x": when}) == ["x"]
    turn = home.take(LOOK, "x", when)
    home.note(turn, 3, 60)
    assert home.progress() == ("x", 3, 60)
    assert home.finish(turn, [Item("x", "look", b"1")])
    assert home.progress() is None
    assert home.due(LOOK, {"x": when}) == []
    assert home.due(LEARN, {"x": when}) == ["x"]
    assert home.due(LOOK, {"x": When(T0, "b"), "y": when}) in (["x", "y"], ["y", "x"])
    assert home.due(LOOK, {"x": When(T0 + HOUR, "a")}) == ["x"]


def test_a_task_that_failed_is_due_again(home):
    turn = home.take(LOOK, "x", When(T0, "a"))
    home.note(turn, 1, 2)
    home.drop(turn)
    assert home.progress() is None
    assert home.due(LOOK, {"x": turn.when}) == ["x"]
    assert home.take(LOOK, "x", turn.when) is not None


def test_progress_that_cannot_be_deleted_does_not_end_the_work(tmp_path):
    (tmp_path / "progress.json").mkdir()
    home = OutlookFolder(tmp_path)
    home.forget_progress()
    turn = home.take(LOOK, "x", When(T0, "a"))
    home.note(turn, 1, 2)
    assert home.finish(turn, [Item("x", "look", b"1")])
    assert body(home, "x", "look") == b"1"


def test_one_process_has_a_turn(two):
    first, second = two
    when = When(T0, "a")
    turn = first.take(LOOK, "x", when)
    assert second.take(LOOK, "x", when) is None
    assert second.due(LOOK, {"x": when}) == []
    assert second.take(LOOK, "y", when) is not None
    assert first.finish(turn, [])
    assert second.take(LOOK, "x", when) is None, "it is done"
    assert second.take(LOOK, "x", When(T0 - HOUR, "a")) is None, "and for a later time"
    assert second.take(LOOK, "x", When(T0, "b")) is not None


def test_who_was_frozen_does_not_replace_newer_results(two, monkeypatch):
    first, second = two
    monkeypatch.setattr(outlooks, "TURN_MS", -1)
    frozen = first.take(LOOK, "x", When(T0, "a"))
    monkeypatch.undo()
    other = second.take(LOOK, "x", When(T0 + HOUR, "a"))
    first.note(frozen, 1, 2)
    first.drop(frozen)
    assert second.progress() is None
    assert not first.finish(frozen, [Item("x", "look", b"old"), Item("x", "fit", b"old")])
    assert second.finish(other, [Item("x", "look", b"new")])
    assert not first.finish(frozen, [Item("x", "look", b"old")])
    assert body(first, "x", "look") == b"new"
    assert first.places("fit") == set()


def test_a_turn_that_ran_out_but_that_nobody_took_still_counts(two, monkeypatch):
    monkeypatch.setattr(outlooks, "TURN_MS", -1)
    turn = two[0].take(LOOK, "x", When(T0, "a"))
    assert two[0].finish(turn, [Item("x", "look", b"late")])
    assert two[1].due(LOOK, {"x": turn.when}) == []


def test_a_time_in_the_future_does_not_keep_a_place_from_being_looked_at(two):
    """A server whose clock was wrong for a while."""
    home = two[0]
    future = When(outlooks.now_ms(home._home.writing) + 1000 * HOUR, "a")
    assert home.finish(home.take(LOOK, "x", future), [])
    assert home.take(LOOK, "x", When(T0, "a")) is not None


def test_a_turn_taken_while_the_clock_was_ahead_does_not_last(two, monkeypatch):
    when = When(T0, "a")
    monkeypatch.setattr(outlooks, "TURN_MS", 1000 * HOUR)
    lost = two[0].take(LOOK, "x", when)
    assert two[1].due(LOOK, {"x": when}) == ["x"]
    assert two[1].take(LOOK, "x", when) is not None
    assert not two[0].finish(lost, [])


def test_a_place_that_fails_does_not_keep_others_from_their_outlook(tmp_path, monkeypatch):
    settings = load(data=tmp_path, environ={})
    with closing(Writer(settings.store_path)) as writer:
        now = 1_800_000_000_000
        coming_fixtures.fill(settings, writer, now, 1)

    def looked(self, turn, now_ms):
        if turn.place == min(self.indoors()):
            raise AssertionError("a fault of ours")
        return [IssuedOutlooks(turn.place, nothing())]

    monkeypatch.setattr(Work, "looked", looked)
    with closing(Reader(settings.store_path)) as reader:
        work = Work(settings, reader)
        first, *others = sorted(work.indoors())
        assert others
        work.look_all(now)
        assert work.home.places("issuedoutlooks") == set(others)
        work.look_all(now)  # it does not try at each minute what needs a new version
        assert work.home.due(LOOK, {first: When(now // HOUR * HOUR, "another")}) == [first]


def test_files_move_into_the_database_once_and_out_again(two, tmp_path):
    folder = OutlookFolder(tmp_path / "outlook")
    folder.put([Item(PLACE, "fit", b"of the file"), Item("x", "fit", b"of the file")])
    two[0].put([Item("x", "fit", b"of the database")])
    stamp = folder.stamp(PLACE, "fit")
    (tmp_path / "outlook" / "y.fit.npz").mkdir()  # which cannot be read
    with closing(opened(two[0]._home._address, read_only=False)) as store:
        assert outlooks.take_in(store, tmp_path / "outlook") == 2
        assert outlooks.take_in(store, tmp_path / "outlook") == 0
        assert body(two[1], PLACE, "fit") == b"of the file"
        assert body(two[1], "x", "fit") == b"of the database"
        assert two[1].stamp(PLACE, "fit") == stamp // 1_000_000 * 1_000_000
        assert len(outlooks.write_files(store, tmp_path / "outlook", ("fit", "look"))) == 2
    assert body(folder, PLACE, "fit") == b"of the file"
    assert body(folder, "x", "fit") == b"of the database"


def test_outlooks_issued_while_the_store_was_a_file_are_set_aside_if_the_database_has_others(
    two, tmp_path, caplog
):
    folder = OutlookFolder(tmp_path / "outlook")
    folder.put([Item("x", kind, b"of the file") for kind in ("issuedoutlooks", "look")])
    two[0].put([Item("x", kind, b"of the database") for kind in ("issuedoutlooks", "look")])
    with closing(opened(two[0]._home._address, read_only=False)) as store:
        assert outlooks.take_in(store, tmp_path / "outlook") == 1
    assert body(two[1], "x", "issuedoutlooks") == b"of the database"
    (left,) = (tmp_path / "outlook").iterdir()
    assert (left.name, left.read_bytes()) == ("x.issuedoutlooks.npz.aside", b"of the file")
    assert str(left) in caplog.text


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 no archive", b"\x00" * 500])
def test_a_damaged_row_counts_as_none(address, tmp_path, content):
    settings = load(data=tmp_path, environ={"BENCHWEATHER_STORE__URL": address})
    files.keep(settings, IssuedOutlooks("x", nothing()))
    assert files.issued(settings, "x").walked.moments.size == 0
    home_of(settings).put([Item("x", "issuedoutlooks", content)])
    assert files.issued(settings, "x") is None


def test_a_file_with_a_wrong_byte_counts_as_none(tmp_path):
    settings = load(data=tmp_path, environ={})
    files.keep(settings, IssuedOutlooks("x", nothing()))
    path = tmp_path / "outlook" / "x.issuedoutlooks.npz"
    whole = path.read_bytes()
    assert files.issued(settings, "x") is not None
    entry = whole.index(b"PK\x01\x02")  # of the archive's contents: its flags, method and version
    for at in range(entry + 4, entry + 12):
        path.write_bytes(whole[:at] + b"\xff" + whole[at + 1 :])
        files.issued(settings, "x")


def test_a_file_that_cannot_be_read_is_set_aside_and_keeps_no_guess_out(tmp_path, caplog):
    settings = load(data=tmp_path, environ={})
    files.keep(settings, IssuedOutlooks("x", nothing()))
    folder = tmp_path / "outlook"
    damaged = folder / "x.learnedplace.npz"
    damaged.write_bytes(b"PK\x03\x04 no archive")
    files.set_aside_unreadable(settings)
    assert files.issued(settings, "x") is not None
    assert (folder / "x.learnedplace.npz.aside").read_bytes() == b"PK\x03\x04 no archive"
    assert "outlook file set aside" in caplog.text
    home_of(settings).put([Item("x", "learnedplace", b"guess", guess=True)])
    assert damaged.read_bytes() == b"guess"


def test_a_full_disk_keeps_all_items_of_a_place_as_they_were(tmp_path):
    disk = SmallDisk(tmp_path / "small", 2)
    try:
        home = OutlookFolder(disk.folder)
        home.put([Item("x", "issued", b"1"), Item("x", "look", b"1")])
        before = sorted(disk.folder.iterdir())
        with pytest.raises(OSError, match="No space"):
            home.put([Item("x", "issued", b"2"), Item("x", "look", b"2" * 3_000_000)])
        assert (body(home, "x", "issued"), body(home, "x", "look")) == (b"1", b"1")
        assert sorted(disk.folder.iterdir()) == before
    finally:
        disk.unmount()


def test_a_night_begins_at_three_by_the_shops_clock(tmp_path):
    zone = load(data=tmp_path, environ={"BENCHWEATHER_SHOP__TIME_ZONE": "Europe/Paris"}).zone
    three = 1_790_038_800_000  # 2026-09-22 03:00 there
    assert night_began_ms(three, zone) == three
    assert night_began_ms(three + 9 * HOUR, zone) == three
    assert night_began_ms(three - 1, zone) == three - 24 * HOUR


def test_only_a_database_is_shared_by_several_processes(tmp_path, address, postgresql_server):
    one = load(data=tmp_path, environ={})
    assert len(outlook_processes(one, None)) == 1
    for number in ("0", "2"):
        environ = {"BENCHWEATHER_OUTLOOK__PROCESSES": number}
        with pytest.raises(SettingsFault, match=r"outlook\.processes = . needs a database"):
            load(data=tmp_path, environ=environ)
        several = load(data=tmp_path, environ=environ | {"BENCHWEATHER_STORE__URL": address})
        assert len(outlook_processes(several, None)) == int(number)
    with pytest.raises(SettingsFault, match=r"store\.url is not set"):
        look_ahead(one, 1, lambda: None)
    postgresql_server.sql("CREATE ROLE looker LOGIN")
    environ = {"BENCHWEATHER_STORE__URL": address.replace("owner@", "looker@")}
    with pytest.raises(StoreFault, match="does not have the rights"):
        look_ahead(load(data=tmp_path, environ=environ), 1, lambda: os.kill(os.getpid(), 15))


VICTIMS = """
import os, sys, time
from contextlib import closing
from monitor.outlook.evaluation.walk_forward import nothing
from monitor.outlook.files import IssuedOutlooks
from monitor.outlook.worker import Work
from monitor.settings import load
from monitor.store import Reader, outlooks
outlooks.TURN_MS = 2_000
settings = load()
def learned(self, turn, now_ms):
    self.home.note(turn, 1, 2)
    os.read(0, 1)
    return [IssuedOutlooks(turn.place, nothing())]
Work.learned = learned
if child := os.fork():
    print(child, flush=True)
with closing(Reader(settings.read_address)) as reader:
    Work(settings, reader).learn_all(int(sys.argv[1]))
"""


@pytest.mark.slow
def test_what_a_dead_or_frozen_process_was_doing_is_done_by_another_and_nothing_twice(
    postgresql_server, tmp_path
):
    address = postgresql_server.address()
    environ = {"BENCHWEATHER_STORE__URL": address, "BENCHWEATHER_DATA": str(tmp_path)}
    settings = load(environ=environ)
    with closing(Writer(address)) as writer:
        now = outlooks.now_ms(writer.connection)  # that of the processes
        coming_fixtures.fill(settings, writer, now, 5)
    places = {coming_fixtures.BENCH, coming_fixtures.OUTDOORS}

    def process(*arguments, **streams):
        return subprocess.Popen(
            [sys.executable, *arguments], cwd=ROOT, env={**os.environ, **environ}, **streams
        )

    def done():
        fits = [files.fit(settings, place) for place in places]
        looks = [files.look(settings, place, home_of(settings).now_ms()) for place in places]
        return all(fit and fit.tried for fit in fits) and all(looks)

    def turns(condition="true"):
        with closing(opened(address, read_only=True)) as store:
            sql = "SELECT place, number FROM outlook_turn WHERE task = 'learn' AND "
            return dict(store.rows(sql + condition))

    pipes = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.PIPE)
    frozen = process("-W", "default", "-c", VICTIMS, str(now), **pipes)
    killed = int(frozen.stdout.readline())
    try:
        until(lambda: set(turns("days = 1")) == places, what="both have a place each")
    finally:
        os.kill(killed, signal.SIGKILL)
        frozen.send_signal(signal.SIGSTOP)
    over = f"until_ms < {ingest_workers.NOW_MS}"  # or the other looks again a minute later
    until(lambda: set(turns(over)) == places, what="their turns are over")
    other = process("-m", "monitor", "look-ahead", "--processes", "1")
    try:
        until(done, what="every place is learned and looked at")
        frozen.send_signal(signal.SIGCONT)
        _, errors = frozen.communicate(b"go on", timeout=60)
        assert frozen.returncode == 0
        assert b"ResourceWarning" not in errors, "its connections are closed at its end"
    finally:
        frozen.kill()
        other.terminate()
        assert other.wait(60) == 0
    assert turns() == dict.fromkeys(places, 2)
    for place in places:
        assert files.issued(settings, place).walked.moments.size, (
            "of the frozen one nothing is kept"
        )
