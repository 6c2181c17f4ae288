"""The service makes the nightly backup while it stores, and reports one that fails."""

from __future__ import annotations

import contextlib
from datetime import datetime, timedelta
from types import SimpleNamespace

import pytest
from conftest import RunningService, benchweather, mosquitto_pub, until

from monitor import settings
from monitor.backup import making, restoring, state
from monitor.backup.contents import belongs
from monitor.runtime import heartbeat
from monitor.service import backup_watch
from monitor.store import Writer

AT = f"{(datetime.now().astimezone() + timedelta(hours=6)):%H:%M}"
"""A time of day that does not pass during a test."""
LEFT_OUT = {
    "broker": "readings that wait in the broker, and its log",
    "forecasts": "files of forecasts: what was taken from them is in the store",
    "uploads": "files of an import that has not ended",
    "log": "the log",
    "outlook": "outlooks of this hour: they are made again",
    "plan.json": "the repair plan: it is made again",
    "session.json": "the session at the broker, which a restored shop begins anew",
    "known-time.json": "the time that the clock last had",
    "heard-topics.json": "topics that were heard",
    "heartbeat.json": "the state of the service that runs",
    "command-link.json": "the address of the service that runs",
    "service.lock": "the mark of the service that runs",
    "backup.lock": "the mark of a backup that is being made",
    "backup.json": "when the last backup was made",
    "backup.work": "the folder in which a backup is being made",
    "space.reserve": "space that is kept free",
}
"""Other files and folders of a data folder, each with what it has, and so why it is left out."""
BESIDE = ("-wal", "-shm", "-journal", ".part")
"""Ends of files that belong to another beside them."""


@pytest.mark.slow
@pytest.mark.broker
def test_a_running_service_makes_its_backup_and_every_file_is_accounted_for(
    make_service, tmp_path
):
    service: RunningService = make_service()
    (tmp_path / "stick").mkdir()
    service.environment["BENCHWEATHER_BACKUP__FOLDER"] = str(tmp_path / "stick")
    service.environment["BENCHWEATHER_BACKUP__AT"] = AT
    service.start()
    mosquitto_pub(service.port, "benchweather/bench/a1/temperature", "20.5")
    shop = settings.load(
        data=service.data, environ={"BENCHWEATHER_BACKUP__FOLDER": str(tmp_path / "stick")}
    )
    until(lambda: state.read(shop).good_ms, what="the first backup")
    (made,) = making.backups(shop, shop.backup.folder)
    files = [
        p.relative_to(service.data).as_posix() for p in service.data.rglob("*") if p.is_file()
    ]
    # If this fails, say in backup/contents.py that a backup has the new file, or above why not.
    rest = [name for name in files if not (belongs(name) or name.endswith(BESIDE))]
    assert [name for name in rest if name.split("/")[0] not in LEFT_OUT] == []
    until(lambda: heartbeat.read(shop.heartbeat_path), what="a heartbeat")
    assert heartbeat.read(shop.heartbeat_path).backup_trouble == ""
    restored, _ = restoring.drill(made.path, shop, "")
    assert {"secrets.json", "broker-keys.json"} <= {one.name for one in restored.manifest.files}
    done = benchweather("check", environment=service.environment | {"COLUMNS": "300"})
    assert f"rows, {made.path}" in done.stdout


@pytest.mark.slow
@pytest.mark.real_clock
def test_a_backup_that_fails_is_reported_and_tried_again(tmp_path):
    data, folder = tmp_path / "shop", tmp_path / "stick"
    Writer(data / "readings.sqlite3").connection.close()
    environ = {"BENCHWEATHER_BACKUP__FOLDER": str(folder), "BENCHWEATHER_BACKUP__AT": AT}
    shop = settings.load(data=data, environ=environ)
    watch = backup_watch.BackupWatch(shop, ["--data", str(data)])
    with pytest.MonkeyPatch.context() as patch, contextlib.ExitStack() as ended:
        for name, text in environ.items():
            patch.setenv(name, text)
        ended.callback(watch.stop)
        watch.look()
        assert watch.trouble == "There is no good backup yet." or watch.trouble == ""
        until(lambda: not watch._child.running(), what="the first try has ended")
        watch.look()
        assert watch.trouble.startswith(f"The last backup failed: There is no folder {folder}")
        folder.mkdir()
        watch.look()
        assert not watch._child.running()  # not before an hour has passed
        state.note(shop, state.State(folder=str(folder), fault="once"))
        watch.look()
        until(lambda: not watch._child.running(), what="the second try has ended")
        watch.look()
        assert watch.trouble == ""
        assert state.read(shop).path in {str(one.path) for one in making.backups(shop, folder)}
        watch._started_ms, watch._child._process.returncode = state.read(shop).tried_ms + 1, -9
        watch.look()  # killed before it could note anything
        assert "its process ended unexpectedly (code -9)" in watch.trouble


def test_a_backup_that_hangs_is_reported(tmp_path, moved_clock):
    environ = {"BENCHWEATHER_BACKUP__FOLDER": str(tmp_path / "stick")}
    watch = backup_watch.BackupWatch(settings.load(data=tmp_path, environ=environ), [])
    watch._child = SimpleNamespace(running=lambda: True)
    watch.look()
    assert watch.trouble == ""
    moved_clock.move(state.OLD_MS + 1)
    watch.look()
    assert watch.trouble == "There is no good backup yet."
