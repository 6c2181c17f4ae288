"""The systemd unit of the service."""

from __future__ import annotations

import re
import subprocess

import pytest
from conftest import ROOT, needs
from typer.testing import CliRunner

from monitor.cli import app
from monitor.cli.service_unit import UNIT


def call(*arguments, code=0):
    answer = CliRunner().invoke(app, ["unit", *map(str, arguments)])
    assert answer.exit_code == code, answer.output
    return answer.output


def test_the_container_has_named_files_only_no_secret_and_no_root():
    text = (ROOT / ".container/Containerfile").read_text().replace("\\\n", " ")
    steps = [line.split(maxsplit=1) for line in text.splitlines() if line[:1].isupper()]
    copied = [words.split()[:-1] for step, words in steps if step == "COPY"]
    for name in (name for names in copied for name in names if names[0][:2] != "--"):
        assert (ROOT / name).exists()
        assert name not in (".", "*")
    last = dict(steps)  # of each kind
    assert last["USER"] == "10001:10001"
    assert last["VOLUME"] == "/data"
    assert "/health'" in last["HEALTHCHECK"]
    kept = " ".join(words for step, words in steps if step in ("ENV", "ARG"))
    assert not re.search("password|secret|token|passphrase|url", kept, re.I)


def test_the_unit_starts_this_shop_and_is_watched(tmp_path):
    lines = call("--data", tmp_path).splitlines()
    assert any(f"-m monitor run --data {tmp_path}" in line for line in lines)
    for line in ("Type=notify", "WatchdogSec=60", "Restart=on-failure", "NoNewPrivileges=yes"):
        assert line in lines
    assert "WantedBy=default.target" in lines
    assert not any(line.startswith(("User=", "ProtectSystem=")) for line in lines)


def test_a_unit_of_the_whole_computer_may_write_the_data_folder_only(tmp_path):
    lines = call("--data", tmp_path, "--user", "shop").splitlines()
    for line in ("User=shop", "ProtectSystem=strict", f"ReadWritePaths={tmp_path}"):
        assert line in lines
    # systemd.exec(5): a later filter takes away from, or adds to, an earlier one; @privileged has @clock
    filters = [line for line in lines if line.startswith("SystemCallFilter=")]
    assert filters[-1] == "SystemCallFilter=adjtimex clock_adjtime"
    assert not any(line.startswith(("IPAddress", "PrivateNetwork")) for line in lines)
    assert "no such folder" in call("--data", tmp_path / "none", "--user", "shop", code=1)
    assert "--user" in call("--data", tmp_path, "--user", "a b", code=2)


def test_a_unit_of_the_whole_computer_may_write_backups(tmp_path, monkeypatch):
    monkeypatch.setenv("BENCHWEATHER_BACKUP__FOLDER", "/media/my stick")
    lines = call("--data", tmp_path, "--user", "shop").splitlines()
    # systemd.exec(5): a path that begins with - may be missing
    assert 'ReadWritePaths="-/media/my stick"' in lines
    monkeypatch.setenv("BENCHWEATHER_BACKUP__FOLDER", "/home/mira/backups")
    assert "ProtectHome=read-only" in call("--data", tmp_path, "--user", "shop").splitlines()


def test_a_folder_cannot_add_lines_to_the_unit(tmp_path, monkeypatch):
    """Root writes the unit of a shop whose settings another user writes."""
    assert "line ends" in call("--data", tmp_path / "a\nExecStartPre=+x", code=1)
    assert "--user" in call("--data", tmp_path, "--user", "a\rb", code=2)
    monkeypatch.setenv("BENCHWEATHER_BACKUP__FOLDER", "/media/a\nExecStartPre=+x")
    assert "line ends" in call("--data", tmp_path, "--user", "shop", code=1)


def test_a_unit_that_was_changed_by_hand_is_not_written_over(tmp_path):
    write = ("--data", tmp_path, "--write", "--to", tmp_path / "units")
    assert "systemctl --user daemon-reload" in call(*write)
    call(*write)
    unit = tmp_path / "units" / UNIT
    unit.write_text(unit.read_text() + "# mine\n")
    assert "add --force" in " ".join(call(*write, code=1).split())
    call(*write, "--force")
    assert "# mine" not in unit.read_text()


def test_a_unit_for_each_part_that_runs_on_another_computer(tmp_path):
    standby = call("--data", tmp_path, "--part", "standby")
    assert f"-m monitor run --standby --data {tmp_path}" in standby
    folder = tmp_path / "worker 2"
    assert "-m monitor ingest --data" in call("--data", folder, "--part", "ingest")
    written = call("--data", folder, "--part", "ingest", "--write", "--to", tmp_path / "units")
    assert "enable --now benchweather-ingest-worker-2" in " ".join(written.split())
    assert (tmp_path / "units" / "benchweather-ingest-worker-2.service").is_file()
    assert "--part" in call("--data", tmp_path, "--part", "all", code=2)


@pytest.mark.slow
@pytest.mark.parametrize("more", [(), ("--user", "daemon")])
def test_systemd_accepts_the_unit(tmp_path, more):
    program, folder = needs("systemd-analyze", "systemd"), tmp_path / 'my "odd" 100 % $shop'
    folder.mkdir()
    call("--data", folder, *more, "--write", "--to", tmp_path)
    verify = [program, "verify", "--man=no", str(tmp_path / UNIT)]
    done = subprocess.run(verify, capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_a_unit_starts_the_outlooks_work_under_a_name_of_its_own(tmp_path):
    call("--data", tmp_path, "--part", "outlook", "--write", "--to", tmp_path)
    text = (tmp_path / "benchweather-outlook.service").read_text(encoding="utf-8")
    assert f"-m monitor look-ahead --data {tmp_path}" in text


def test_a_unit_starts_a_board_under_a_name_of_its_own(tmp_path):
    call("--data", tmp_path, "--part", "board", "--write", "--to", tmp_path)
    text = (tmp_path / "benchweather-board.service").read_text(encoding="utf-8")
    assert f"-m monitor board --serve --data {tmp_path}" in text


@pytest.mark.parametrize("words", [["look-ahead"], ["board", "--serve"]])
def test_a_part_apart_needs_a_database(tmp_path, words):
    answer = CliRunner().invoke(app, [*words, "--data", str(tmp_path)])
    assert answer.exit_code == 2
    assert "store.url is not set" in answer.output
