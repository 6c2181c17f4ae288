"""The command line: exit codes, and that what goes in comes out."""

from __future__ import annotations

import contextlib
import csv
import io
import os
import re
import sqlite3
import subprocess
import sys

import msgspec
import pandas as pd
import pytest
from certificates import make_certificate
from conftest import ROOT, free_port
from typer.testing import CliRunner

from monitor.cli import app
from monitor.core.clock import now_ms, to_ms
from monitor.domain.events import About, Event
from monitor.runtime import heartbeat
from monitor.service.self_check import BUILT
from monitor.store import Writer, journal, retention
from monitor.store.retention import YEAR_MS

runner = CliRunner()
LOG = """time,T,RH
2025-01-05T10:00:00Z,20.5,45
2025-01-05T10:20:00Z,21.5,47
2025-01-05T11:05:00Z,22,x
"""


@pytest.fixture
def shop(tmp_path, monkeypatch):
    for name in [name for name in os.environ if name.startswith("BENCHWEATHER_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("BENCHWEATHER_DATA", str(tmp_path / "shop"))
    monkeypatch.setenv("BENCHWEATHER_BROKER__PORT", str(free_port()))
    (tmp_path / "log.csv").write_text(LOG)
    return tmp_path


def call(*arguments, code=0):
    result = runner.invoke(app, [str(a) for a in arguments])
    assert result.exit_code == code, result.output
    return result


def take(shop, *more, code=0):
    return call(
        "import",
        shop / "log.csv",
        "--place",
        "bench",
        "--sensor",
        "old",
        "--time",
        "time",
        "--take",
        "temperature:Cel:T",
        "--take",
        "humidity:%RH:RH",
        *more,
        code=code,
    )


def test_a_dry_run_stores_nothing_and_says_what_it_would_do(shop):
    result = take(shop, "--dry-run")
    assert "5 readings would be stored, 1 rejected" in result.output
    assert "line 4: RH 'x' is not a number" in result.output
    assert not (shop / "shop" / "readings.sqlite3").exists()


def test_what_was_imported_is_exported(shop):
    take(shop)
    assert "0 readings stored, 5 already stored" in take(shop).output
    rows = list(csv.DictReader(io.StringIO(call("export").stdout)))
    assert [(r["measured_at"], r["temp_c"], r["rh_pct"]) for r in rows] == [
        ("2025-01-05T10:00:00.000Z", "20.5", "45"),
        ("2025-01-05T10:20:00.000Z", "21.5", "47"),
        ("2025-01-05T11:05:00.000Z", "22", ""),
    ]


def test_an_import_into_cleared_time_rejects_without_filling_the_rejected_messages(shop):
    take(shop)
    with contextlib.closing(Writer(shop / "shop" / "readings.sqlite3")) as writer:
        hours = writer.connection.rows("SELECT * FROM rollup")
        cleared = [retention.clear(writer, i, now_ms() - YEAR_MS, float("inf")) for i in (1, 2)]
        assert sorted(cleared) == [2, 3]
        assert "They stay in your file only" in " ".join(take(shop).output.split())
        assert writer.connection.row("SELECT count(*) FROM refused") == (0,)
        assert writer.connection.rows("SELECT * FROM rollup") == hours


def test_an_export_can_be_imported_again(shop):
    take(shop)
    call("export", "--out", shop / "out.csv")
    result = call(
        "import",
        shop / "out.csv",
        "--data",
        shop / "other",
        "--place",
        "bench",
        "--sensor",
        "old",
        "--time",
        "measured_at",
        "--take",
        "temperature:Cel:temp_c",
        "--take",
        "humidity:%RH:rh_pct",
    )
    assert "5 readings stored" in result.output


def test_a_raw_export_says_so_in_its_header(shop):
    take(shop)
    header, first, *_ = call("export", "--raw").stdout.splitlines()
    assert header == "measured_at,place,sensor,raw_temp_c,raw_rh_pct"
    assert first == "2025-01-05T10:00:00.000Z,bench,old,20.5,45.0"


def test_what_was_deleted_or_voided_is_named_where_it_is_left_out(shop, monkeypatch):
    monkeypatch.setattr("monitor.cli.sending.ANSWER_S", 0.5)  # no broker is there
    take(shop)
    path = shop / "shop" / "readings.sqlite3"
    with contextlib.closing(Writer(path)) as writer:
        (series_id, _) = writer.connection.row("SELECT min(series_id), 1 FROM series")
        retention.clear(writer, series_id, 1_736_074_800_000, float("inf"))  # 11:00 UTC
        body = {"from_ms": 1_736_074_800_000, "until_ms": 2**53, "why": "in the sun"}
        with writer.connection.transaction() as run:
            event = Event(About.SENSOR, "bench/old", 1, "Mira", "void-readings", body)
            journal.append(run, [event])
    gone = "bench/old, 2025-01-05 10:00 to 2025-01-05 11:00: readings of temperature deleted"
    to = shop / "raw.csv"
    readme = to.with_name("raw.csv.README.txt")
    assert gone in call("export", "--raw", "--out", to).stderr
    assert gone in readme.read_text()
    assert "Means of ten minutes instead of" in call("export").stderr
    assert "deleted" not in call("export", "--place", "bench", "--every", "hour").stderr
    assert "deleted" not in call("export", "--raw", "--out", to, "--from", "2025-01-06").stderr
    assert "Nothing was deleted" in readme.read_text()
    unsent = call("sensor", "replay", "--broker", f"mqtt://127.0.0.1:{free_port()}", code=1).stderr
    assert gone in unsent
    voided = "bench/old, 2025-01-05 11:00 to now: voided (in the sun)"
    assert voided in unsent
    found = call("replay-rules", "--from", "2025-01-05", "--to", "2025-01-06")
    assert voided.replace("now", "2025-01-07 00:00") in found.stderr
    assert "deleted" not in found.stderr, "rules are replayed from the means"


def test_rollups_are_exported_by_hour(shop):
    take(shop)
    rows = list(csv.DictReader(io.StringIO(call("export", "--every", "hour").stdout)))
    columns = ("temp_c_n", "temp_c_low", "temp_c_mean", "temp_c_high")
    assert [(r["measured_at"][11:16], *(r[name] for name in columns)) for r in rows] == [
        ("10:00", "2", "20.5", "21", "21.5"),
        ("11:00", "1", "22", "22", "22"),
    ]


def test_a_recount_finds_a_wrong_rollup_and_corrects_it(shop):
    take(shop)
    assert call("recount").stdout == "8 rollups agree with their readings.\n"
    with contextlib.closing(sqlite3.connect(shop / "shop" / "readings.sqlite3")) as store, store:
        store.execute("UPDATE rollup SET n = 9 WHERE period_s = 3600 AND n = 2")
    result = call("recount", "--to", "2025-02-01", code=1)
    assert "60 minutes" in result.output
    assert "the rollup has 9 readings, the store 2." in result.output
    assert "2 of 8 rollups are wrong. To correct them, add --correct." in result.output
    assert "2 of 8 rollups were wrong" in call("recount", "--correct").output
    assert "agree" in call("recount", "--from", "2025-01-01").stdout


def test_parquet_holds_the_same(shop):
    take(shop)
    call("export", "--out", shop / "out.parquet")
    table = pd.read_parquet(shop / "out.parquet")
    assert table["temp_c"].tolist() == [20.5, 21.5, 22.0]
    assert str(table["measured_at"].dt.tz) == "UTC"


def test_a_range_is_cut_at_local_days(shop, monkeypatch):
    monkeypatch.setenv("BENCHWEATHER_SHOP__TIME_ZONE", "Pacific/Auckland")  # 13 h ahead: 6 January
    take(shop)
    inside = call("export", "--from", "2025-01-06", "--to", "2025-01-06").stdout
    assert len(inside.splitlines()) == 2  # 10:00 and 10:20 UTC are 23:00 and 23:20 on the 5th
    assert "11:05" in inside


WRONG = [
    (["export", "--every", "day"], "must be one of raw, 10min, hour"),
    (["export", "--out", "x.xlsx"], "must end in .csv or .parquet"),
    (["export", "--raw", "--every", "hour"], "so leave out --every"),
    (["export", "--from", "soon"], "must be a day or time"),
    (["export", "--to", "9999-12-31"], "must be a day or time"),
    (["export", "--from", "2025-02-01", "--to", "2025-01-01"], "is not before"),
    (["nonsense"], "No such command"),
    (["import"], "Missing argument"),
]


@pytest.mark.parametrize(("arguments", "why"), WRONG, ids=[why[:25] for _, why in WRONG])
def test_wrong_use_ends_with_two_and_says_what_is_allowed(shop, arguments, why):
    assert why in " ".join(call(*arguments, code=2).output.split())


def test_a_wrong_setting_ends_with_two(shop, monkeypatch):
    monkeypatch.setenv("BENCHWEATHER_BOARD__PORT", "x")
    assert "board.port = 'x'" in call("check", code=2).output


def test_failure_ends_with_one(shop):
    for command in ("export", "now", "check", "climate"):
        if command != "check":
            said = " ".join(call(command, code=1).output.split())
            assert f"No readings in {shop / 'shop'}. Start `benchweather run`" in said
            assert "for the demo add `--demo`" in said
    (shop / "log.csv").write_text("time,T,RH\n")
    assert "0 readings" in take(shop, code=1).output


def test_a_failed_export_leaves_what_stood_there(shop):
    take(shop)
    (shop / "keep.csv").write_text("mine")
    call("export", "--place", "nope", "--out", shop / "keep.csv", code=1)
    assert (shop / "keep.csv").read_text() == "mine"
    assert "/nope" in call("export", "--out", "/nope/x.csv", code=1).output
    assert "measured_at" in call("export", "--to", "2020-01-01").stdout


def test_a_data_folder_that_is_a_file_is_told(shop):
    (shop / "file").write_text("")
    assert "file" in call("run", "--data", shop / "file", code=1).output
    assert "not a folder" in call("check", "--data", shop / "file", code=1).output


def test_check_names_each_part_and_its_verdict(shop, moved_clock):
    moved_clock.move(max(0, to_ms(BUILT) - now_ms()))  # an earlier clock has not been set
    result = call("check")
    for part in ("broker", "store", "disk"):
        assert f"good  {part}" in result.output
    assert re.search("(good|note)  clock", result.output)  # a note where no network time sets it
    assert "note  backup  no backups are made" in result.output
    assert "environment" in result.output


@pytest.mark.slow
def test_check_says_what_a_dead_service_means_and_what_to_do(shop, moved_clock):
    moved_clock.move(max(0, to_ms(BUILT) - now_ms()))
    folder = shop / "shop"
    folder.mkdir(mode=0o700)
    dead = heartbeat.Heartbeat(beat_ms=now_ms() - 60_000, started_ms=now_ms() - 120_000, pid=7)
    heartbeat.write(folder / "heartbeat.json", dead)
    said = " ".join(call("check", code=1).output.split())
    assert "BAD service The service stopped at" in said
    assert "For the shop: No reading is stored" in said
    assert "What to do: Start Benchweather again" in said
    alive = msgspec.structs.replace(dead, beat_ms=now_ms(), stuck=("rounds",))
    heartbeat.write(folder / "heartbeat.json", alive)
    said = " ".join(call("check", code=1).output.split())
    assert "BAD rounds A round of evaluation hangs. For the shop: No alert is raised" in said


def test_check_corrects_rights_and_leftovers_and_says_so(shop, moved_clock):
    moved_clock.move(max(0, to_ms(BUILT) - now_ms()))
    folder = shop / "shop"
    folder.mkdir(mode=0o755)
    part = folder / "secrets.json.part"
    part.write_text("half")
    os.utime(part, (0, 0))
    assert "can read" in call("check", code=1).output
    said = " ".join(call("check", "--correct").output.split())
    assert f"{folder} is now for this user only." in said
    assert f"{part} was left over and is deleted." in said
    assert "good privacy" in said
    assert "left over" not in call("check", "--correct").output


def test_check_warns_of_a_board_open_to_the_network(shop, monkeypatch):
    monkeypatch.setenv("BENCHWEATHER_BOARD__HOST", "0.0.0.0")
    said = " ".join(call("check", code=1).output.split())
    assert (
        "BAD board board.host = 0.0.0.0 opens the board to the network without a password" in said
    )
    assert "without TLS" in said


@pytest.mark.slow
@pytest.mark.real_clock
def test_check_looks_at_the_boards_certificate(shop, monkeypatch):
    cert, key = make_certificate(shop)
    monkeypatch.setenv("BENCHWEATHER_BOARD__CERT_FILE", str(cert))
    monkeypatch.setenv("BENCHWEATHER_BOARD__KEY_FILE", str(key))
    assert "renew it" in " ".join(call("check", code=1).output.split())  # two days are left
    said = call("board").output
    assert "https://127.0.0.1:8050/open/" in said
    assert "Benchweather does not run with the data in " in said
    (shop / "shop").chmod(0o700)
    make_certificate(shop, days=90)
    assert "https on 127.0.0.1, port 8050" in call("check").output
    key.chmod(0o644)
    assert "can read" in " ".join(call("check", code=1).output.split())
    cert.write_text("")
    assert "must be a certificate" in " ".join(call("check", code=1).output.split())


def test_check_fails_where_the_store_is_damaged(shop):
    (shop / "shop").mkdir()
    (shop / "shop" / "readings.sqlite3").write_bytes(b"junk" * 500)
    assert "BAD   store" in call("check", code=1).output


@pytest.mark.slow
def test_it_runs_as_a_module_and_tells_its_version():
    from monitor import __version__

    done = subprocess.run(
        [sys.executable, "-m", "monitor", "--version"], cwd=ROOT, capture_output=True, text=True
    )
    assert done.stdout.strip() == __version__
