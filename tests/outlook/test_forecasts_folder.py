"""Forecasts dropped as files: taken once they have stopped growing, each moved with its fate."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest
from forecast_fixtures import GOOD_JSON, HEAD, Shop, csv_of
from weather_server import HOUR, NOW

from dashboard.coming.text import unread_forecasts
from monitor.core.errors import StoreUnavailable
from monitor.outlook.weather.drop_folder import FILE_MAX, STUCK_S, DropFolder, left_out
from monitor.service import self_check
from monitor.store import forecasts


@pytest.fixture
def shop(tmp_path):
    one = Shop(tmp_path, HEAD)
    yield one
    one.writer.close()
    one.reader.close()


@pytest.fixture
def folder(shop):
    found = DropFolder(shop.settings.forecast_folder, shop.intake)
    found.take_files(NOW)
    return found


def drop(shop, name, content):
    path = shop.settings.forecast_folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def twice(folder, now=NOW):
    """A look that sees a file, and one that finds it as it was."""
    folder.take_files(now)
    return folder.take_files(now + 1000)


def names(shop, where):
    return sorted(path.name for path in (shop.settings.forecast_folder / where).iterdir())


def test_a_file_is_taken_once_it_is_as_it_was(shop, folder):
    path = drop(shop, "a.csv", csv_of())
    assert folder.take_files(NOW) == 0
    drop(shop, "a.csv", csv_of(hours=20))
    assert folder.take_files(NOW + 15_000) == 0
    assert folder.take_files(NOW + 30_000) == 1
    assert not path.exists()
    assert names(shop, "taken") == ["20260110T130530Z-a.csv"]
    (kept,) = forecasts.recent(shop.reader, 9)
    assert (kept.source, kept.hours, kept.known_ms) == ("folder", 20, NOW + 30_000)


def test_json_and_csv_are_told_by_their_names(shop, folder):
    drop(shop, "a.JSON", json.dumps(GOOD_JSON))
    drop(shop, "b.csv", csv_of(issued=NOW - NOW % HOUR - HOUR))
    assert twice(folder) == 2
    assert len(shop.kept()) == 2


@pytest.mark.parametrize(
    ("name", "content", "why"),
    [
        ("a.csv", csv_of(temp="hot"), "line 2: temp_c 'hot' is not a number"),
        ("a.csv", csv_of(issued=NOW - 90 * HOUR), "benchweather forecast import"),
        ("a.json", b"{", "not a JSON object"),
        ("a.xml", b"<x/>", "must end in .csv or .json"),
        ("a.csv", b"", "no column issued_at"),
        ("a.csv", b"x" * (FILE_MAX + 1), "larger than 8 MB"),
        (
            "a.json",
            json.dumps(GOOD_JSON | {"latitude": 40}),
            "it is for 40.00, 10.00: the shop is at",
        ),
    ],
)
def test_what_cannot_be_taken_is_moved_with_the_reason_beside_it(shop, folder, name, content, why):
    drop(shop, name, content)
    assert twice(folder) == 0
    moved, reason = names(shop, "refused")
    assert reason == moved + ".reason.txt"
    assert why in (shop.settings.forecast_folder / "refused" / reason).read_text()
    (refused,) = shop.reader.refused(9)
    assert refused.topic == f"forecasts/{name}"
    assert why in refused.reason
    assert shop.kept() == []


def test_a_file_of_one_name_never_replaces_the_one_before(shop, folder):
    for _ in range(3):
        drop(shop, "a.csv", csv_of())
        twice(folder)
    assert len(names(shop, "taken")) == 3
    assert len(shop.kept()) == 1


def test_what_is_still_being_written_hidden_or_no_file_is_left_alone(shop, folder):
    for name in (".a.csv", "b.csv.part", "c.csv.tmp"):
        drop(shop, name, csv_of())
    (shop.settings.forecast_folder / "d.csv").symlink_to(".a.csv")
    (shop.settings.forecast_folder / "e.csv").mkdir()
    assert twice(folder) == 0
    assert names(shop, "taken") + names(shop, "refused") == []


BAD_NAMES = {
    b"\xff\xfe.csv": "\\xff\\xfe.csv",  # not UTF-8
    ("\u5929" * 83 + ".csv").encode(): "\u5929.csv",  # 253 bytes: nothing fits before or after it
    b"a\nb.csv": "a\\nb.csv",
    b"noending": "noending",
}


def test_a_file_with_a_bad_name_or_kind_does_not_block_the_others(shop, folder):
    for number, name in enumerate(BAD_NAMES):
        drop(shop, os.fsdecode(name), f"no forecast {number}")
    os.mkfifo(shop.settings.forecast_folder / "a.csv")
    (shop.settings.forecast_folder / "b.csv").symlink_to("/dev/zero")
    (shop.settings.forecast_folder / "c.csv").mkdir()
    drop(shop, "z.csv", csv_of())
    assert twice(folder) == 1
    assert len(shop.kept()) == 1
    refused = [name for name in names(shop, "refused") if name.endswith(".reason.txt")]
    assert len(refused) == len(BAD_NAMES)
    told = dict(left_out(shop.settings.forecast_folder, int(time.time() * 1000)))
    for shown in BAD_NAMES.values():
        assert [name for name in told if name.endswith(shown)], shown
    for name in ("a.csv", "b.csv", "c.csv"):
        assert told[name] == "it is not a file but a link, a folder or a pipe"
    assert len(told) == len(BAD_NAMES) + 3
    lines = unread_forecasts(list(told.items()))
    assert lines[-1] == "Not used: 4 more forecast files."
    (found,) = self_check._forecast_files(shop.settings)
    assert not found.good
    assert "is not used" in found.text


def test_a_file_that_can_be_neither_read_nor_moved_is_named_and_blocks_nothing(
    shop, folder, monkeypatch, caplog
):
    path = drop(shop, "a.csv", csv_of(issued=NOW - NOW % HOUR - HOUR))
    drop(shop, "b.csv", csv_of())
    rename = Path.rename

    def unmovable(self, target):
        if self == path:  # as on a folder that lost its rights; root of the test may always move
            raise PermissionError(13, "Permission denied", str(self))
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", unmovable)
    assert twice(folder) == 1
    folder.take_files(NOW + 2000)
    assert [r.getMessage() for r in caplog.records if "stays" in r.getMessage()] == [
        "forecast file stays file=a.csv reason=Permission denied"
    ]
    later = int(time.time() * 1000) + 1000 * STUCK_S + 1000
    assert [name for name, _ in left_out(shop.settings.forecast_folder, later)] == ["a.csv"]


def test_while_the_store_is_away_the_file_stays(shop, folder):
    path = drop(shop, "a.csv", csv_of())
    folder.take_files(NOW)
    store = shop.writer.address
    store.rename(store.with_suffix(".away"))
    with pytest.raises(StoreUnavailable):
        folder.take_files(NOW)
    assert path.exists()
    store.with_suffix(".away").rename(store)
    assert twice(folder) == 1
