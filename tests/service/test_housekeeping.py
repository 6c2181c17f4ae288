"""Corrections by `check --correct`: what is safe, and nothing else."""

from __future__ import annotations

import os

import pytest

from monitor import settings
from monitor.service.housekeeping import correct
from monitor.service.sole_use import sole_use

KEPT = (
    "readings.sqlite3",
    "readings.sqlite3-wal",
    "secrets.json",
    "heartbeat.json",
    "mine.part.txt",
)


@pytest.fixture
def shop(tmp_path):
    """Settings of a shop with a file of each kind, all of them old."""
    data = tmp_path / "shop"
    (data / "outlook").mkdir(parents=True)
    data.chmod(0o700)
    for name in (*KEPT, "people.json.part", "space.trial", "command-link.json", "outlook/b.part"):
        (data / name).write_text(name)
    outside = tmp_path / "outside"
    outside.write_text("not ours to delete")
    (data / "link.part").symlink_to(outside)
    for path in (*data.rglob("*"), outside):
        if not path.is_symlink():
            os.utime(path, (0, 0))
    (data / "now.part").write_text("being written")
    return settings.load(data=data, environ={})


def names(shop):
    return {path.relative_to(shop.data).as_posix() for path in shop.data.rglob("*")}


def test_only_old_leftovers_go_and_nothing_else(shop):
    before = names(shop)
    said = correct(shop)
    gone = {"people.json.part", "space.trial", "command-link.json", "outlook/b.part"}
    assert before - names(shop) == gone
    assert len(said) == len(gone)
    assert all((shop.data / name).read_text() == name for name in KEPT)
    assert (shop.data.parent / "outside").exists()
    assert correct(shop) == []


def test_the_files_of_a_service_that_runs_are_left_alone(shop):
    before = names(shop)
    with sole_use(shop.data):
        (said,) = correct(shop)
    assert "another service already works" in said
    assert names(shop) - {"service.lock"} == before


def test_a_key_that_others_can_read_is_closed(tmp_path):
    cert, key, data = tmp_path / "cert.pem", tmp_path / "key.pem", tmp_path / "none"
    cert.write_text("")
    key.write_text("")
    key.chmod(0o640)
    environ = {
        "BENCHWEATHER_BOARD__CERT_FILE": str(cert),
        "BENCHWEATHER_BOARD__KEY_FILE": str(key),
    }
    loaded = settings.load(data=data, environ=environ)
    assert correct(loaded) == [f"{key} is now for this user only."]
    assert key.stat().st_mode & 0o777 == 0o600
    assert not data.exists()


def test_rights_behind_a_link_are_left(shop, tmp_path):
    """It may lead to a file that other programs share."""
    shared = tmp_path / "shared.toml"
    shared.write_text("")
    shared.chmod(0o644)
    (tmp_path / "link.toml").symlink_to(shared)
    linked = settings.load(data=shop.data, config=tmp_path / "link.toml", environ={})
    assert "is a link or another user's" in correct(linked)[0]
    assert shared.stat().st_mode & 0o777 == 0o644
