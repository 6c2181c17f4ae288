"""Files that open the wall page when a computer starts."""

from __future__ import annotations

import configparser
import shlex
import stat
import subprocess

import pytest
from typer.testing import CliRunner

from monitor.cli import app
from monitor.cli.startup_files import NAME, write


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


def test_the_command_writes_a_script_a_page_and_a_desktop_entry(tmp_path):
    to = tmp_path / "screen of the shop"
    asked = ["wall-screen", "--data", str(tmp_path), "--to", str(to)]
    answer = CliRunner().invoke(app, asked)
    assert answer.exit_code == 0, answer.output
    script, page, entry = (to / f"{NAME}{end}" for end in (".sh", ".html", ".desktop"))
    assert (mode(script), mode(page), mode(entry)) == (0o700, 0o600, 0o600)
    link = page.read_text().partition("url=")[2].partition('"')[0]
    assert link.startswith("http://127.0.0.1:8050/open/")
    token = link.rpartition("/")[2]
    assert len(token) > 20
    assert token not in answer.output + script.read_text() + entry.read_text()
    parser = configparser.ConfigParser(interpolation=None)
    parser.optionxform = str
    parser.read(entry)
    assert shlex.split(parser["Desktop Entry"]["Exec"]) == [str(script)]
    assert str(entry) in answer.output.replace("\n", "")
    subprocess.run(["sh", "-n", script], check=True)


def test_another_address_is_used_and_a_wrong_one_refused(tmp_path):
    asked = ["wall-screen", "--data", str(tmp_path), "--to", str(tmp_path / "s")]
    answer = CliRunner().invoke(app, [*asked, "--address", "http://shop.local:8050"])
    assert answer.exit_code == 0, answer.output
    assert "url=http://shop.local:8050/open/" in (tmp_path / "s" / f"{NAME}.html").read_text()
    refused = CliRunner().invoke(app, [*asked, "--address", "shop.local"])
    assert refused.exit_code == 2


def test_files_that_are_there_are_replaced_with_their_rights(tmp_path):
    old = tmp_path / f"{NAME}.html"
    old.write_text("old")
    old.chmod(0o644)
    write(tmp_path, "http://127.0.0.1:8050/wall?a=1&b=2")
    assert mode(old) == 0o600
    assert "a=1&amp;b=2" in old.read_text()


@pytest.mark.slow
@pytest.mark.parametrize("folder", ["plain", "with space", "it's $HOME `x`"])
def test_the_script_starts_a_browser_again_and_keeps_the_link_off_its_command_line(
    tmp_path, folder
):
    """The browser and the question for the board are stand-ins here; the real ones are in
    `test_board_browser_wall`."""
    script, page, _ = write(tmp_path / folder, "http://127.0.0.1:1/open/secret-code")
    programs = tmp_path / "bin"
    programs.mkdir()
    log = tmp_path / "log"
    (programs / "curl").write_text("#!/bin/sh\nexit 0\n")
    (programs / "sleep").write_text("#!/bin/sh\nexit 0\n")
    (programs / "chromium").write_text(
        f'#!/bin/sh\nfor one in "$@"; do echo "$one"; done >> {log}\n'
        f"[ $(grep -c kiosk {log}) -ge 2 ] && kill $PPID\nexit 0\n"
    )
    for program in programs.iterdir():
        program.chmod(0o755)
    environ = {"PATH": f"{programs}:/usr/bin:/bin", "HOME": str(tmp_path)}
    subprocess.run(["sh", script], env=environ, timeout=60, check=False)
    told = log.read_text().splitlines()
    assert told.count("--kiosk") == 2
    assert told[-1] == f"file://{page}"
    assert "secret-code" not in log.read_text()
