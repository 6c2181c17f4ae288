"""Past sheets: kept with what they rest on, made again the same, and erased for good."""

from __future__ import annotations

import contextlib
import json
import logging
import threading

import pytest
from client_fixtures import (
    EASY,
    GREENSBORO,
    INLAND,
    MADE_MS,
    MEMBERS,
    PARIS,
    calculated,
    holding,
    kept,
    packaged,
)
from typer.testing import CliRunner

from monitor.cli import app
from monitor.clients import archive, weather_files
from monitor.clients.calculation import calculate_sheet
from monitor.clients.home_climate import HomeSources
from monitor.clients.request import read_sheet_request
from monitor.clients.sheet import sheet_of
from monitor.commands import ipc
from monitor.core.errors import Rejected, StoreUnavailable
from monitor.store import Reader, Writer, client_sheets

NAME, OTHER = "Ilse Unwahrscheinlich", "Jo Nebenan"


@pytest.fixture
def path(tmp_path):
    return tmp_path / "readings.sqlite3"


@pytest.mark.slow
def test_a_sheet_of_a_weather_file_is_found_after_a_restart_and_made_again_the_same(path):
    airs = HomeSources(weather_files.read(packaged(GREENSBORO)).outdoors, "Greensboro")
    with contextlib.closing(Writer(path)) as writer:
        first = kept(writer, NAME, source="weather", airs=airs, case="cello, hard case")
        kept(writer, NAME, source="weather", airs=airs, case="cello, hard case")  # once
        kept(writer, OTHER, instrument="Viola")
    with contextlib.closing(Reader(path)) as reader:
        assert [s.client for s in archive.found(reader)] == [OTHER, NAME]
        assert [s.client for s in archive.found(reader, "vIOLA")] == [OTHER]
        (sheet,) = archive.found(reader, "ilse")
        assert sheet.advised["lead"] == first.lead
        worked = calculate_sheet(*archive.again(sheet), members=MEMBERS)
    assert sheet_of(worked, "Kestrel Row Strings", sheet.made_ms, PARIS) == first


@pytest.mark.parametrize(
    "damage",
    [
        {"made_ms": 2**63 - 1},
        {"made_ms": "5"},
        {"advised": {}},
        {"advised": {"lead": [1]}},
        {"air": "x"},
    ],
)
def test_what_the_page_could_not_list_is_not_kept(path, damage):
    typed = INLAND | {"title": NAME}
    asked = {"do": "keep", "typed": typed, "made_ms": 5, "advised": {"lead": ""}, "air": {}}
    with contextlib.closing(Writer(path)) as writer:
        assert archive.carry_out(writer, asked)["sheet"]
        with pytest.raises(archive.PastFault, match="not a calculated sheet"):
            archive.carry_out(writer, asked | damage)


def test_what_is_erased_stands_in_no_file_of_the_store_and_the_rest_stays(path):
    with contextlib.closing(Writer(path)) as writer, contextlib.closing(Reader(path)) as reader:
        for i in range(40):  # over many pages, so that rows move from page to page
            typed = dict(read_sheet_request(INLAND | {"title": OTHER if i % 3 else NAME}).typed)
            figures = {"lead": f"{i} {typed['title']} " * (1 + 40 * (i % 7))}
            client_sheets.keep(writer, typed["title"], i, typed | {"people": i}, figures, {})
        assert NAME.encode() in b"".join(p.read_bytes() for p in path.parent.iterdir())
        before = archive.exported(reader, OTHER)
        assert archive.carry_out(writer, archive.erasing(NAME)) == {"erased": 14}
        assert holding(path.parent, NAME) == []  # while a reader is open
        assert archive.exported(reader, OTHER) == before
        assert archive.carry_out(writer, archive.erasing(OTHER)) == {"erased": 26}
    assert holding(path.parent, "Jo N") == []


@pytest.mark.slow
def test_erasing_says_so_while_a_reading_keeps_the_log_file_and_mends_it_later(path, monkeypatch):
    monkeypatch.setattr(client_sheets, "EMPTY_LOG_S", 0.1)
    with contextlib.closing(Writer(path)) as writer, contextlib.closing(Reader(path)) as reader:
        kept(writer, NAME)
        with reader.connection.cursor("SELECT * FROM client_sheet") as rows:
            assert rows.fetchone()
            reader.connection.raw.execute("BEGIN")
            reader.connection.row("SELECT count(*) FROM client_sheet")
            with pytest.raises(StoreUnavailable, match="erase again"):
                archive.carry_out(writer, archive.erasing(NAME))
            reader.connection.raw.execute("COMMIT")
        archive.carry_out(writer, archive.erasing(NAME))
        assert holding(path.parent, NAME) == []


@pytest.mark.slow
def test_at_the_desk_nothing_of_a_client_is_logged(path, caplog):
    caplog.set_level(logging.DEBUG)
    lock = threading.Lock()
    with contextlib.closing(Writer(path)) as writer:

        def handle(command):
            with lock:
                return archive.carry_out(writer, command)

        opened = ipc.CommandLink(path.with_name("command-link.json"), handle)
        opened.start()
        worked = calculated(EASY | {"title": NAME})
        sheet = sheet_of(worked, "", MADE_MS, PARIS)
        asked = archive.keeping(worked, HomeSources(), sheet, MADE_MS)
        assert ipc.ask(opened.path, asked) == {"sheet": 1}
        for bad in (
            asked | {"typed": asked["typed"] | {"people": -1}},
            asked | {"typed": asked["typed"] | {"title": ""}},
            archive.erasing(NAME * 9),
            archive.erasing(NAME) | {"do": NAME},
        ):
            with pytest.raises(Rejected):
                ipc.ask(opened.path, bad)
        assert ipc.ask(opened.path, archive.erasing(NAME)) == {"erased": 1}
        opened.stop()
    assert NAME not in caplog.text
    assert "Unwahrscheinlich" not in caplog.text


@pytest.mark.slow
def test_the_commands_keep_list_make_again_export_and_erase(tmp_path):
    def run(*words, typed=None):
        return CliRunner().invoke(app, [*words, "--data", str(tmp_path / "d")], input=typed)

    given = [t for n, v in EASY.items() for t in ("--set", f"{n}={v}")]
    target = str(tmp_path / "a.html")
    made = run("advise", target, *given, "--set", f"title={NAME}")
    assert made.exit_code == 0, made.output
    assert "Kept as sheet 1" in made.output
    assert "Kept" not in run("advise", target, *given, "--set", "title=Jo", "--no-keep").output
    listed = run("client", "list").output
    head, row = listed.splitlines()
    assert head.split("\t") == ["sheet", "client", "instrument", "made", "advice"]
    assert row.startswith(f"1\t{NAME}\tviolin, hard case\t")
    again = run("client", "again", "1", str(tmp_path / "b.html"))
    assert again.exit_code == 0, again.output
    assert NAME in (tmp_path / "b.html").read_text()
    (only,) = json.loads(run("client", "export", NAME).stdout)["sheets"]
    assert only["typed"]["rh.1"] == EASY["rh.1"]
    assert run("client", "export", "Nobody").exit_code == 1
    assert run("client", "erase", NAME, typed="n\n").exit_code == 1
    assert run("client", "erase", NAME, "--yes").output == "Erased: 1.\n"
    assert holding(tmp_path / "d", NAME) == []
    assert "No sheet" in run("client", "list").output
