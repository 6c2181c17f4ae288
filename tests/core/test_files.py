"""Files of others: what they are and how long they may be, refused in bounded time and memory."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time

import pytest
from conftest import ROOT

from monitor.commands import ipc
from monitor.core import files
from monitor.core.errors import BadPayload, ImportFault, SettingsFault
from monitor.core.measurements import Quantity
from monitor.outlook.evaluation import files as score_files
from monitor.outlook.weather.formats import from_csv
from monitor.people.board_keys import read_board_keys
from monitor.readings import export
from monitor.readings.csv_import import Column, ImportPlan, read_csv
from monitor.runtime import heartbeat
from monitor.settings import load
from monitor.store.secret_files import BOARD_KEYS, FolderFiles
from sensors.agent import settings as agent_settings

NOW = 1_780_000_000_000
PLAN = ImportPlan(
    place="bench",
    sensor="a",
    columns=(Column(Quantity.TEMPERATURE, "Cel", "T"),),
    time_columns=("time",),
)
MEMORY = 60_000_000
"""Address space beyond what the imports take. [bytes]"""


def refusal(call, *errors):
    """The sentence of a refusal, which must come within seconds."""
    began = time.monotonic()
    with pytest.raises(errors) as found:
        call()
    assert time.monotonic() - began < 5
    text = str(found.value)
    assert len(text) < 1000
    return text


def kinds(folder):
    os.mkfifo(folder / "pipe")
    (folder / "folder").mkdir()
    with socket.socket(socket.AF_UNIX) as link:
        link.bind(str(folder / "socket"))
    (folder / "endless").symlink_to("/dev/zero")
    return {
        "pipe": "is a pipe: must be a file",
        "folder": "is a folder: must be a file",
        "endless": "is a device: must be a file",
    }


def test_what_is_no_file_is_refused_and_never_waited_for(tmp_path):
    for name, why in kinds(tmp_path).items():
        path = tmp_path / name
        assert why in refusal(lambda path=path: files.read_content(path, 1000), files.FileFault)
        assert why in refusal(
            lambda path=path: load(data=tmp_path, config=path, environ={}), SettingsFault
        )
        assert why in refusal(lambda path=path: read_csv(path, PLAN, now_ms=NOW), ImportFault)
        assert why in refusal(lambda path=path: agent_settings.load(path, {}), SettingsFault)
    with pytest.raises(OSError, match="socket"):
        files.read_content(tmp_path / "socket", 1000)
    (tmp_path / "link").symlink_to(tmp_path / "plain")
    (tmp_path / "plain").write_text("x")
    assert files.read_content(tmp_path / "link", 1) == b"x"


def test_size_is_looked_at_before_reading(tmp_path):
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate(2_000_000_000)  # takes no disk
    assert "has 2 GB: must be at most 300 kB" in refusal(
        lambda: load(data=tmp_path, config=path, environ={}), SettingsFault
    )
    assert "has 2 GB: must be at most 500 MB" in refusal(
        lambda: read_csv(path, PLAN, now_ms=NOW), ImportFault
    )
    assert "larger than 4 bytes" in refusal(
        lambda: files.read_content(files.Path("/proc/self/stat"), 4), files.FileFault
    )


TOML = {
    b"[broker]\nport = true\n": "broker.port = true",
    b"[weather]\nlatitude = true\n": "weather.latitude = true",
    b"[broker]\nport = 1e23\n": "broker.port = 1e+23",
    b"[shop]\naltitude_m = nan\n": "shop.altitude_m = nan",
    b"[broker]\nport = 0x" + b"f" * 9000: "a whole number of more than 19 digits",
    b"[broker]\nport = " + b"9" * 9000: "not TOML",
    b"a = " + b"[" * 100_000: "nested too deeply",
    b"a = " + b"[" * 30 + b"]" * 30: "nested more than 20 deep",
    b"a." * 100_000 + b"b = 1": "line 1 has more than 200 dots",
    b'[shop]\nname = "a\0b"': "Illegal character",
    b'[shop]\nname = "\\ud800"': "not a Unicode scalar value",
    b'[shop]\nname = "\xff"': "is not UTF-8 text (invalid start byte at byte 15)",
    '[shop]\nname = "a"\n'.encode("utf-16"): "it looks like UTF-16: save it as UTF-8",
    b"[broker]\rport = 1884\r": "not TOML",
    b"PK\x03\x04\x14\0\0\0": "not TOML",
    b"\x1f\x8b\x08\x00": "is not UTF-8 text",
    b"#" * 300_001: "must be at most 300 kB",
}


@pytest.mark.parametrize("content", TOML, ids=range(len(TOML)))
def test_settings_that_cannot_be_are_refused_with_the_reason(tmp_path, content):
    path = tmp_path / "shop.toml"
    path.write_bytes(content)
    text = refusal(lambda: load(data=tmp_path, config=path, environ={}), SettingsFault)
    assert TOML[content] in text


def test_of_very_many_faults_the_first_are_named_and_the_rest_counted(tmp_path):
    (tmp_path / "shop.toml").write_text("".join(f"brokr{i} = 1\n" for i in range(15_000)))
    with pytest.raises(SettingsFault) as found:
        load(data=tmp_path, config=tmp_path / "shop.toml", environ={})
    assert len(found.value.faults) == 51
    assert found.value.faults[-1] == "14950 more faults"


def test_a_byte_order_mark_and_line_ends_of_any_system_do_not_matter(tmp_path):
    path = tmp_path / "shop.toml"
    path.write_bytes(b"\xef\xbb\xbf[broker]\r\nport = 1884\r\n")
    assert load(data=tmp_path, config=path, environ={}).broker.port == 1884


TABLES = {
    b"time,T" + b",a" * 700_000: "line 1: it has more than 100000 characters",
    b"time,T" + b",a" * 2_000: "its header has 2002 columns: must be at most 1000",
    b"time,T\n" + b"1" * 100_001: "line 2: it has more than 100000 characters",
    "time,T\n".encode("utf-16"): "is not utf-8-sig text",
    b"time,T\n\xff\n": "is not utf-8-sig text",
    b"PK\x03\x04\x14\0\0\0": "has no column 'time', 'T'",
    b'time,T\n"open,1\n': "is a quote left open there?",
    b"time;" + b"x" * 90_000: "its header has",
}


@pytest.mark.parametrize("content", TABLES, ids=range(len(TABLES)))
def test_tables_that_cannot_be_are_refused_with_the_reason(tmp_path, content):
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    for way in ({}, {"content": content}):
        text = refusal(lambda way=way: read_csv(path, PLAN, now_ms=NOW, **way), ImportFault)
        assert TABLES[content] in text
    assert len(refusal(lambda: from_csv(content, "s", NOW), BadPayload)) < 400


@pytest.mark.parametrize("sign", ["", ",,", "\n", '"', "\0"])
def test_a_delimiter_or_decimal_sign_is_one_character(tmp_path, sign):
    for name in ("delimiter", "decimal"):
        plan = ImportPlan(**(vars(PLAN) | {name: sign}))
        text = refusal(
            lambda plan=plan: read_csv(files.Path("x"), plan, now_ms=NOW, content=b"time,T\n"),
            ImportFault,
        )
        assert "must be one character" in text


def test_mixed_line_ends_are_read_and_lines_beyond_the_end_skipped():
    content = b"time,T\r2025-01-05T10:00:00Z,1\n2025-01-05T11:00:00Z,2\r\n2025-01-05T12:00:00Z,3"
    found = read_csv(files.Path("x"), PLAN, now_ms=NOW, content=content)
    assert found.total == 3
    plan = ImportPlan(**(vars(PLAN) | {"skip_lines": 10**18}))
    assert "no header line" in refusal(
        lambda: read_csv(files.Path("x"), plan, now_ms=NOW, content=content), ImportFault
    )


@pytest.mark.slow
@pytest.mark.real_clock
def test_a_line_without_an_end_takes_little_memory(tmp_path):
    path = tmp_path / "line.csv"
    with path.open("wb") as file:
        file.write(b"time,T\n1,")
        file.truncate(files.TABLE_MAX)  # zeros without a line's end, no disk
    script = (
        "import resource, sys; from pathlib import Path; import test_files as t\n"
        "used = int(Path('/proc/self/statm').read_text().split()[0]) * 4096\n"
        f"resource.setrlimit(resource.RLIMIT_AS, (used + {MEMORY}, used + {MEMORY}))\n"
        "t.read_csv(Path(sys.argv[1]), t.PLAN, now_ms=1)\n"
    )
    folders = os.pathsep.join(map(str, (ROOT, ROOT / "tests", ROOT / "tests/core")))
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)],
        env=os.environ | {"PYTHONPATH": folders},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert "line 2: it has more than 100000 characters" in done.stderr


@pytest.mark.parametrize("name", ["raw.csv", "raw.parquet"])
def test_files_to_send_again_or_to_score_are_read_within_the_same_limits(tmp_path, name):
    path = tmp_path / name
    os.mkfifo(path)
    assert "is a pipe" in refusal(lambda: export.read_raw(path), export.ExportFault)
    assert "is a pipe" in refusal(lambda: score_files.read(path, path), ImportFault)
    path.unlink()
    path.write_bytes(b"time,place,temp_c" + b",a" * 2_000)
    if path.suffix == ".csv":
        assert "at most 1000 columns" in refusal(lambda: export.read_raw(path), export.ExportFault)
    assert "at most 1000 columns" in refusal(lambda: score_files.read(path, path), ImportFault)
    with path.open("wb") as file:
        file.truncate(files.TABLE_MAX + 1)
    assert "must be at most 500 MB" in refusal(lambda: export.read_raw(path), export.ExportFault)


@pytest.mark.parametrize(
    "columns",
    [
        {"measured_at": [1, 2], "place": [3, 4], "sensor": [None, "a"], "raw_temp_c": ["x", None]},
        {
            "measured_at": [[1], [2]],
            "place": [{"a": 1}, {"a": 2}],
            "sensor": ["a", "b"],
            "raw_temp_c": [1, 2],
        },
        {"measured_at": ["x", None], "place": ["a", "b"], "sensor": ["a", "b"]},
        {
            "measured_at": ["2026-01-05T10:00Z"],
            "place": ["a"],
            "sensor": ["a"],
            "raw_rh_pct": [[1]],
        },
    ],
    ids=range(4),
)
def test_a_parquet_of_other_types_is_refused(tmp_path, columns):
    parquet = pytest.importorskip("pyarrow.parquet")
    import pyarrow

    path = tmp_path / "raw.parquet"
    parquet.write_table(pyarrow.table(columns), path)
    refusal(lambda: export.read_raw(path), export.ExportFault)


LINES = (
    b'{"token": "\\ud800", "command": {}}',
    b'{"token": "\xed\xa0\x80", "command": {}}',
    b'{"token": NaN, "command": {}}',
    b"[" * 100_000,
    b'{"token": "t", "command": ' + b'{"a":' * 100_000,
    b"\xff\xfe",
    b"",
    b"null",
)


@pytest.mark.parametrize("line", LINES, ids=range(len(LINES)))
def test_a_line_on_the_command_link_that_cannot_be_gets_an_answer(line):
    answer = ipc._answer(line, "t", lambda _: {})
    assert answer["rejected"][0]["problem"] in ("not a command", "wrong token")


@pytest.mark.parametrize(
    "content",
    [
        b"[" * 100_000,
        b'{"broker": "\x85"}',
        b'{"port": 99999999999, "token": 1}',
        b'{"port": [1]}',
        b"\xff",
        b"{}",
        b"3",
    ],
)
def test_damaged_files_between_our_processes_are_as_good_as_none(tmp_path, content):
    path = tmp_path / "link.json"
    path.write_bytes(content)
    (tmp_path / BOARD_KEYS).write_bytes(content)
    assert read_board_keys(FolderFiles(tmp_path)) is None
    assert heartbeat.read(path) is None
    with pytest.raises(ipc.ServiceUnavailable):
        ipc.ask(path, {"do": "nothing"})
