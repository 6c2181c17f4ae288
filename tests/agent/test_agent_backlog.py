"""The agent's queue: in order, over restarts, bounded, and over a disk that refuses."""

from __future__ import annotations

import sqlite3
import subprocess
import sys

import pytest
from conftest import ROOT

from monitor.core.errors import StoreFault
from sensors.agent import backlog
from sensors.agent.backlog import Backlog
from sensors.agent.pack_store import Pack

START = "start-1"
A, B = "benchweather/front-bench/a", "benchweather/varnish/b"


@pytest.fixture
def make(tmp_path):
    made = []

    def open_(packs_max=1000, start_id=START, name="deep/backlog.sqlite3"):
        made.append(Backlog(tmp_path / name, packs_max, start_id))
        return made[-1]

    yield open_
    for one in made:
        one.close()


def pack(number, topic=A, *, dated=True, start_id=START):
    return Pack(
        topic, start_id, number, 1_800_000_000_000 + number if dated else None, f"[{number}]"
    )


def moments(queue, number=-1, at_most=100_000):
    return [kept.since_start_ms for _, kept in queue.after(number, at_most)]


def test_packs_come_back_in_order_and_leave_only_when_done(make):
    queue = make()
    queue.put([pack(1), pack(2, B)])
    queue.put([pack(3)])
    (first, _), (second, kept), _ = queue.after(-1, 10)
    assert kept == pack(2, B)
    assert moments(queue, second) == [3]
    assert moments(queue, at_most=2) == [1, 2]
    queue.done([first])
    assert moments(queue) == [2, 3]
    assert queue.waiting == 2


def test_packs_survive_a_restart_and_new_ones_come_after_them(make):
    queue = make()
    queue.put([pack(1), pack(2)])
    queue.close()
    queue = make()
    queue.put([pack(3)])
    assert moments(queue) == [1, 2, 3]
    assert queue.waiting == 3


@pytest.mark.slow
def test_every_pack_put_before_a_kill_is_there_after_it(tmp_path):
    path = tmp_path / "backlog.sqlite3"
    code = (
        "import sys; from pathlib import Path\n"
        "from sensors.agent.backlog import Backlog; from sensors.agent.pack_store import Pack\n"
        "queue = Backlog(Path(sys.argv[1]), 10**6, 's')\n"
        "for n in range(10**6):\n"
        "    queue.put([Pack('t', 's', n, n, '[]')]); print(n, flush=True)\n"
    )
    said = -1
    for turn in range(3):
        child = subprocess.Popen(
            [sys.executable, "-c", code, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        for line in child.stdout:
            said = int(line)
            if said == 150 + 70 * turn:
                break
        child.kill()
        said = int([line, *child.stdout.read().split()][-1])
        child.wait()
        child.stdout.close()
        queue = Backlog(path, 10**6, "s")
        kept = moments(queue)
        numbers = [number for number, _ in queue.after(-1, 10**6)]
        queue.done(numbers)
        queue.close()
        assert kept[: said + 1] == list(range(said + 1))
        assert len(kept) <= said + 2  # one more may be on disk and not yet said


def test_beyond_its_bound_the_backlog_is_thinned_and_told(make, caplog):
    queue = make(packs_max=100)
    for number in range(400):
        queue.put([pack(number, (A, B)[number % 2])])
    assert queue.waiting <= 100
    kept = moments(queue)
    assert kept == sorted(kept)
    assert kept[:2] == [0, 1]  # the first of each sensor stays
    assert kept[-10:] == list(range(390, 400))  # the newest are whole
    # Four times what it holds: evenly thinned, every fourth would be left of each sensor. Tolerance:
    # ours; the older half is thinned first, so that its gaps are up to four times as long.
    gaps = [b - a for topic in (0, 1) for a, b in zip(kept[topic::2], kept[topic + 2 :: 2])]  # noqa: B905 # one ends first
    assert max(gaps) <= 2 * 16
    assert queue.given_up == 400 - queue.waiting
    assert "packs_given_up=" in caplog.text
    queue.close()
    assert make(packs_max=100).given_up == queue.given_up


@pytest.mark.slow
def test_the_file_of_a_thinned_backlog_stays_bounded(make, tmp_path):
    queue = make(packs_max=5000)
    records = '[{"n":"temperature","u":"Cel","v":21.375},{"n":"humidity","u":"%RH","v":47.125}]'
    largest = 0
    for number in range(200):
        queue.put([pack(100 * number + i)._replace(records=records) for i in range(100)])
        largest = max(largest, sum(p.stat().st_size for p in (tmp_path / "deep").iterdir()))
    assert queue.waiting <= 5000
    # Tolerance: ours; measured 290 bytes for each pack and 1.1 MB for the log of changes.
    assert largest < 5000 * 400 + 1_500_000


def test_packs_on_their_way_are_not_thinned(make):
    queue = make(packs_max=100)
    queue.put(pack(n) for n in range(100))
    handed = moments(queue, at_most=40)
    queue.put([pack(100)])
    assert moments(queue, at_most=40) == handed


def full(queue):
    """Let the file not grow: SQLite then says what it says of a full disk."""
    file = queue._disk._file
    (pages,) = file.execute("PRAGMA page_count").fetchone()
    file.execute(f"PRAGMA max_page_count = {pages}")


def roomy(queue):
    queue._disk._file.execute("PRAGMA max_page_count = 1000000")


def test_on_a_full_disk_packs_stay_in_memory_are_sent_from_there_and_saved_later(make, caplog):
    caplog.set_level("INFO")
    queue = make()
    queue.put([pack(1)])
    full(queue)
    many = [pack(n)._replace(records="x" * 3000) for n in range(2, 12)]
    for one in many:
        queue.put([one])
    assert "full" in queue.trouble
    assert caplog.text.count("readings stay in memory") == 1
    assert moments(queue) == list(range(1, 12))
    queue.done(number for number, kept in queue.after(-1, 100) if kept.since_start_ms == 5)
    roomy(queue)
    queue.put([pack(12)])
    assert queue.trouble == ""
    assert "on disk again" in caplog.text
    queue.close()
    assert moments(make()) == [1, 2, 3, 4, *range(6, 13)]


def test_what_a_full_disk_refuses_to_the_end_is_told_as_lost(make, caplog):
    queue = make()
    full(queue)
    queue.put(pack(n)._replace(records="x" * 3000) for n in range(3))
    queue.close()
    assert "packs lost count=3 reason=" in caplog.text


def test_memory_is_bounded_too_and_thinned_the_same_way(make, monkeypatch, caplog):
    monkeypatch.setattr(backlog, "MEMORY_MAX", 50)
    queue = make()
    full(queue)
    for number in range(200):
        queue.put([pack(number)._replace(records="x" * 3000)])
    assert queue.waiting <= 60
    assert moments(queue)[-1] == 199
    assert queue.given_up > 100
    assert "backlog thinned" in caplog.text


def test_a_folder_that_cannot_be_used_is_told_and_used_once_it_can(make, tmp_path):
    (tmp_path / "deep").write_text("a file where the folder should be")
    queue = make()
    queue.put([pack(1), pack(2)])
    assert str(tmp_path) in queue.trouble
    assert moments(queue) == [1, 2]
    queue.done([queue.after(-1, 1)[0][0]])
    (tmp_path / "deep").unlink()
    queue.put([pack(3)])
    assert queue.trouble == ""
    queue.close()
    assert moments(make()) == [2, 3]


@pytest.mark.parametrize("damage", [b"no database, but long enough for a page" * 30, None])
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(make, tmp_path, caplog, damage):
    queue = make()
    queue.put(pack(n)._replace(records="x" * 200) for n in range(500))
    queue.close()
    file = tmp_path / "deep/backlog.sqlite3"
    content = bytearray(file.read_bytes())
    content[4096 : 4096 + 30_000] = b"\xa5" * 30_000
    file.write_bytes(damage or bytes(content))
    queue = make()
    assert moments(queue) == []
    assert "backlog was damaged" in caplog.text
    assert (tmp_path / "deep/backlog.sqlite3.damaged-1").exists()
    queue.put([pack(1)])
    assert moments(queue) == [1]


@pytest.mark.slow
def test_a_second_agent_on_the_same_file_is_refused(make, tmp_path):
    make()
    with pytest.raises(StoreFault, match=r"another agent works in .*deep"):
        make()


def test_undated_packs_hold_back_until_they_are_dated(make):
    queue = make()
    queue.put([pack(1), pack(2, dated=False), pack(3, dated=False)])
    assert moments(queue) == [1]
    queue.date(5_000)
    assert [kept.measured_ms for _, kept in queue.after(-1, 10)][1:] == [5_002, 5_003]


def test_a_set_clock_moves_what_was_not_handed_out_and_nothing_else(make):
    queue = make()
    queue.put([pack(1), pack(2)])
    queue.close()
    queue = make()  # what an earlier run may have sent keeps its date
    queue.put([pack(3), pack(4)])
    queue.after(-1, 3)
    queue.date(0)
    assert [k.measured_ms for _, k in queue.after(-1, 10)] == [
        1_800_000_000_001,
        1_800_000_000_002,
        1_800_000_000_003,
        4,
    ]


def test_packs_that_can_never_be_dated_are_given_up_and_told(make, caplog):
    queue = make(start_id="start-1")
    queue.put([pack(1), pack(2, dated=False)])
    queue.close()
    queue = make(start_id="start-1")
    assert queue.waiting == 2
    queue.close()
    queue = make(start_id="start-2")
    assert moments(queue) == [1]
    assert "packs given up count=1 reason=the clock was never set" in caplog.text


def test_the_file_is_an_ordinary_one(make, tmp_path):
    queue = make()
    queue.put([pack(1)])
    queue.close()
    with sqlite3.connect(tmp_path / "deep/backlog.sqlite3") as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert file.execute("SELECT topic, records FROM pack").fetchall() == [(A, "[1]")]
    file.close()
