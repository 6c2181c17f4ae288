"""Forecasts dropped as files: taken once they have stopped growing, each moved with its fate."""

from __future__ import annotations

import json

import pytest
from forecast_fixtures import GOOD_JSON, HEAD, Shop, csv_of
from weather_server import HOUR, NOW

from monitor.core.errors import StoreUnavailable
from monitor.store import forecasts
from monitor.weather.drop_folder import FILE_MAX, DropFolder


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


def test_while_the_store_is_away_the_file_stays(shop, folder):
    path = drop(shop, "a.csv", csv_of())
    folder.take_files(NOW)
    store = shop.writer.path
    store.rename(store.with_suffix(".away"))
    with pytest.raises(StoreUnavailable):
        folder.take_files(NOW)
    assert path.exists()
    store.with_suffix(".away").rename(store)
    assert twice(folder) == 1
