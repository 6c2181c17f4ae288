"""What commands print: tables for a screen and for a pipe, JSON, names found, and where readings are."""

from __future__ import annotations

import contextlib
import json
import math
import socket

import dashboard_fixtures as shop_air
import pytest
from conftest import benchweather, free_port

from monitor import settings
from monitor.cli.output import plain
from monitor.core.clock import now_ms
from monitor.core.errors import SettingsFault
from monitor.core.measurements import Quantity, Reading, Series
from monitor.core.steady_clock import ClockJump, JumpState
from monitor.readings.payload import AHEAD_MAX_MS
from monitor.store import Writer

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
LONG = "VN-31 violin with a reference that is rather long"


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """Settings and a store with six days of a bench's air, three instruments and two waits."""
    folder = tmp_path_factory.mktemp("shop")
    found = shop_air.settings_in(folder)
    now = now_ms()
    with contextlib.closing(Writer(found.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now - 6 * DAY, now, 600_000)
        commands = shop_air.commanded(writer, found)
        for reference in (LONG, "VN-32 viola", "CE-7 cello"):
            wanted = {"reference": reference, "kind": "violin", "place": "front-bench"}
            commands.carry_out(
                {"about": "instrument", "do": "register", "arrived_ms": now - 5 * DAY} | wanted,
                now,
            )
        for instrument in (LONG, "CE-7 cello"):
            commands.carry_out(
                {
                    "do": "open",
                    "kind": "cleat",
                    "place": "front-bench",
                    "instrument": instrument,
                    "start_ms": now - HOUR,
                },
                now,
            )
    return found


def call(shop, *arguments, code=0, width=None):
    environment = {"COLUMNS": str(width)} if width else {}
    done = benchweather(*arguments, "--data", str(shop.data), environment=environment)
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout if code == 0 else done.stderr


SHOWN = [
    ("now",),
    ("wait", "list"),
    ("wait", "history", "1"),
    ("kind", "list"),
    ("rule", "list"),
    ("rule", "show", "dry"),
    ("instrument", "list"),
    ("instrument", "show", "VN-31"),
    ("sensor", "health"),
]


@pytest.mark.parametrize("command", SHOWN, ids=" ".join)
def test_a_table_fits_eighty_columns_is_tabbed_in_a_pipe_and_comes_as_json(shop, command):
    screen = call(shop, *command, width=80)
    assert max(map(len, screen.splitlines())) <= 80
    assert "…" not in screen
    assert any("\t" in line for line in call(shop, *command).splitlines())
    assert json.loads(call(shop, *command, "--json"))


@pytest.mark.slow
def test_no_letter_of_a_long_name_is_lost_on_a_narrow_screen(shop):
    for command in (("wait", "list"), ("instrument", "list")):
        screen = call(shop, *command, width=60)
        assert all(word in screen for word in LONG.split())


def test_rows_of_a_pipe_have_as_many_cells_as_the_head(shop):
    head, *rows = call(shop, "wait", "list").splitlines()
    assert len(rows) == 2
    assert {row.count("\t") for row in rows} == {head.count("\t")}


def test_no_wait_is_listed_as_ready_by_a_clock_in_doubt(shop):
    assert "in doubt" not in call(shop, "wait", "list")
    shop_air.beat(shop, clock=ClockJump(DAY, now_ms() - DAY, JumpState.DOUBTED))
    try:
        rows = call(shop, "wait", "list").splitlines()[1:]
    finally:
        shop.heartbeat_path.unlink()
    assert len(rows) == 2
    assert all("The clock of the shop's computer is in doubt" in row for row in rows)


def test_an_instrument_is_found_by_a_part_of_its_reference(shop):
    assert LONG in call(shop, "instrument", "show", "vn-31")
    several = call(shop, "instrument", "show", "vn", code=1)
    assert f"'vn' fits {LONG}, VN-32 viola. Give one in full." in several
    assert "Did you mean CE-7 cello?" in call(shop, "instrument", "show", "CE-8", code=1)
    assert "It must be one of" in call(shop, "instrument", "show", "guitar", code=1)
    near = call(shop, "instrument", "close", "CE", code=1)  # found, and no service to ask
    assert "benchweather run" in near


def test_near_misses_of_names_are_suggested(shop):
    for command, why in (
        (("rule", "show", "very-dri"), "Did you mean very-dry"),
        (("kind", "list", "cleet"), "Did you mean cleat?"),
        (("climate", "--place", "bench"), "Did you mean front-bench?"),
        (("outlook", "front-bnech"), "Did you mean front-bench?"),
    ):
        assert why in call(shop, *command, code=1)


def test_a_span_without_readings_says_so_and_judges_nothing(shop):
    span = ("--from", "2024-01-01", "--to", "2024-02-01")
    for command, nothing in (("climate", "judged"), ("replay-rules", "replayed")):
        said = call(shop, command, *span, code=1)
        assert "No readings" in said
        assert f"Nothing can be {nothing}." in said
        done = benchweather(command, *span, "--data", str(shop.data))
        assert "mould" not in done.stdout.lower()
        assert "alert" not in done.stdout.lower()


def test_a_reading_dated_ahead_of_this_clock_has_no_negative_age(tmp_path):
    found = shop_air.settings_in(tmp_path)
    at = now_ms() + AHEAD_MAX_MS - MINUTE
    with contextlib.closing(Writer(found.store_path)) as writer:
        writer.write(
            [
                Reading(Series("front-bench", "a1", Quantity.TEMPERATURE), at, 20.0),
                Reading(Series("front-bench", "a1", Quantity.HUMIDITY), at, 45.0),
            ]
        )
    said = call(found, "now")
    assert "0 s ago" in said
    assert "-" not in said.replace("front-bench", "")


def test_times_are_utc_and_what_is_not_known_is_null_in_json():
    found = plain({"seen_ms": 0, "rh_pct": math.nan, "at_ms": (0, None), "n": [1.5]})
    assert found == {
        "seen_at": "1970-01-01T00:00:00Z",
        "rh_pct": None,
        "at_at": ["1970-01-01T00:00:00Z", None],
        "n": [1.5],
    }


def test_the_path_that_the_demo_prints_is_the_demo_again(tmp_path):
    demo = settings.load(data=tmp_path, demo=True, environ={})
    demo.data.mkdir()
    assert not settings.load(data=demo.data, environ={}).demo
    (demo.data / settings.DEMO_MARK).touch()
    for given in ({"data": demo.data}, {"data": demo.data, "demo": True}):
        found = settings.load(**given, environ={})
        assert (found.data, found.demo, found.places) == (demo.data, True, demo.places)
    assert not settings.load(data=tmp_path, environ={}).demo


def test_where_readings_are_missing_the_way_to_the_demo_is_told(tmp_path):
    for command in ("now", "export", "climate"):
        done = benchweather(command, "--data", str(tmp_path))
        assert done.returncode == 1
        assert done.stderr == (
            f"No readings in {tmp_path}. Start `benchweather run`; for the demo add `--demo`.\n"
        )
    done = benchweather("alert", "acknowledge", "1", "--data", str(tmp_path))
    assert (done.returncode, done.stderr) == (
        1,
        f"No service is running in {tmp_path}. Start `benchweather run`; for the demo add `--demo`.\n",
    )
    done = benchweather("now", "--demo", "--data", str(tmp_path))
    folder = tmp_path / "demo"
    assert done.stderr == f"No readings in {folder}. Start `benchweather demo`.\n"
    folder.mkdir(exist_ok=True)
    (folder / "demo.txt").touch()
    hint = f"The demo has its data in {folder}: for the demo add `--demo`."
    done = benchweather("now", "--data", str(tmp_path))
    assert done.stderr == f"No readings in {tmp_path}. {hint}\n"
    done = benchweather("board", "--data", str(tmp_path))
    assert hint in done.stderr


def test_a_link_says_if_no_board_answers_here_though_the_service_runs(tmp_path):
    port = free_port()
    shop_air.beat(shop_air.settings_in(tmp_path, port=port))

    def said(*more):
        return benchweather(
            "board",
            *more,
            environment={
                "BENCHWEATHER_DATA": str(tmp_path),
                "BENCHWEATHER_BOARD__PORT": str(port),
            },
        ).stderr

    assert f"No board answers at http://127.0.0.1:{port}," in said()
    assert said("--address", "http://shop.test:8050") == ""
    with socket.create_server(("127.0.0.1", port)):
        assert said() == ""


def test_an_unknown_setting_is_answered_with_the_near_one(tmp_path):
    (tmp_path / "benchweather.toml").write_text('[shop]\nnam = "x"\n[bord]\nport = 1\n')
    with pytest.raises(SettingsFault) as caught:
        settings.load(data=tmp_path, environ={"BENCHWEATHER_BOARD__PROT": "1"})
    text = "\n".join(caught.value.faults)
    assert "unknown setting shop.nam" in text
    assert "did you mean shop.name?" in text
    assert "did you mean BENCHWEATHER_BOARD__PORT?" in text
