"""Power cuts on a disk that really loses what was not flushed: the store, its first migrations, and
small files. The whole service is cut by `tests/benchmarks/bench_power.py`."""

from __future__ import annotations

import contextlib
import random
import shutil
import tempfile
from pathlib import Path

import pytest
from lossy_disk import MODES, Cuts, LossyDisk, missing, mounted

from monitor.core.measurements import Quantity, Reading, Series
from monitor.people.board_keys import make_board_keys, read_board_keys
from monitor.store import Reader, Writer
from monitor.store.secret_files import FolderFiles

pytestmark = pytest.mark.slow
SERIES, START = Series("bench", "a1", Quantity.HUMIDITY), 1_790_000_000_000


@pytest.fixture
def disk(tmp_path):
    if reason := missing():
        pytest.skip(reason)
    work = Path(tempfile.mkdtemp(dir="/dev/shm"))
    yield LossyDisk(work, tmp_path / "disk", size_mb=48)
    shutil.rmtree(work)


def test_after_a_cut_all_that_was_committed_is_there_once(disk, tmp_path):
    made, keys_at, loose = [], 0, []
    with disk:
        keys = make_board_keys(FolderFiles(disk.folder))
        keys_at = disk.position()
        writer = Writer(disk.folder / "readings.sqlite3")
        for number in range(60):
            writer.write([Reading(SERIES, START + number, 40.0)])
            made.append(disk.position())
        writer.connection.raw.execute("PRAGMA synchronous = OFF")  # a store that breaks its word
        for number in range(60, 80):
            writer.write([Reading(SERIES, START + number, 40.0)])
            loose.append(disk.position())
        writer.close()
    cuts, draw, forgotten = Cuts(disk), random.Random(1), 0
    for number in range(24):
        mode = MODES[number % len(MODES)]
        position = draw.randrange(20, made[-1] + 1) if number < 18 else loose[-1]
        image = disk.work / "cut.img"
        cuts.image(image, position, mode, number)
        with mounted(image, tmp_path / "cut") as folder:
            if keys_at <= position:
                assert read_board_keys(FolderFiles(folder)) == keys
            Writer(folder / "readings.sqlite3").close()  # finishes a migration that was cut
            with contextlib.closing(Reader(folder / "readings.sqlite3")) as reader:
                assert reader.connection.row("PRAGMA integrity_check") == ("ok",)
                ids = reader.series()
                stored = reader.readings(ids[SERIES], 0, 2**60)[0] - START if SERIES in ids else []
            due = sum(at <= position for at in made)
            assert list(stored)[:due] == list(range(due)), (position, mode)
            forgotten += len(stored) < due + sum(at <= position for at in loose)
    assert forgotten  # the disk does lose what was not flushed
