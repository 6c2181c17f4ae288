"""Waits opened together stand in one row while they are alike, on the bench and on the wall."""

from __future__ import annotations

import contextlib
import json
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air
import pytest
from bench_fixtures import readiness
from board_requests import HERE, said

from dashboard.bench import series as bench_series
from dashboard.bench import text as bench_text
from dashboard.bench import view as bench_view
from dashboard.bench import wall as bench_wall
from monitor.commands import Journal
from monitor.core.clock import now_ms, to_ms
from monitor.domain.wait import Feel
from monitor.domain.wait_types import KINDS
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import WaitState
from monitor.store import Reader, Writer
from monitor.waits import text as wait_text
from monitor.waits.evaluation import WaitStatus

HOUR, MINUTE = 3_600_000, 60_000
PARIS = ZoneInfo("Europe/Paris")
NOON = to_ms(datetime(2026, 11, 25, 12, 0, tzinfo=PARIS))
PLACES = {"front-bench": "Front bench", "loft": "Loft"}


@pytest.fixture
def do(tmp_path):
    """Carry a command out at a moment; `do.waits()` are the waits there are."""
    settings = shop_air.settings_in(tmp_path)
    with (
        contextlib.closing(Writer(settings.store_path)) as writer,
        contextlib.closing(Reader(settings.store_path)) as reader,
    ):
        commands = shop_air.commanded(writer, settings)

        def command(do, at_ms=NOON, **request):
            return commands.carry_out({"do": do, **request}, at_ms)["waits"]

        command.waits = lambda: list(Journal(reader).waits.values())
        yield command


def cleats(do, count=8, **more):
    return do(
        "open",
        kind="cleat",
        place="front-bench",
        instrument="VC-12",
        what="cleats",
        count=count,
        **more,
    )


def titles(waits):
    return [bench_series.title(group) for group in bench_series.alike(waits, lambda wait: wait)]


def status(wait, **found):
    return WaitStatus(wait, KINDS[wait.kind["id"]], readiness(**found))


def test_a_series_is_one_row_until_something_is_done_to_one_of_it(do):
    ids = cleats(do)
    assert titles(do.waits()) == ["VC-12, cleats 1 to 8 of 8"]
    do("move", wait=ids[2], place="loft", at_ms=NOON)
    do("pause", wait=ids[7], at_ms=NOON)
    assert titles(do.waits()) == [
        "VC-12, cleats 1 to 2, 4 to 7 of 8",
        "VC-12, cleats 3 of 8",
        "VC-12, cleats 8 of 8",
    ]


def test_series_opened_apart_and_waits_named_alike_stay_apart(do):
    cleats(do, 2)
    cleats(do, 2, at_ms=NOON + 1)
    for _ in range(2):
        do("open", kind="cleat", place="front-bench", instrument="VC-12", what="cleat by the post")
    assert titles(do.waits()) == [
        "VC-12, cleats 1 to 2 of 2",
        "VC-12, cleats 1 to 2 of 2",
        "VC-12, cleat by the post",
        "VC-12, cleat by the post",
    ]


def test_a_row_of_a_series_releases_all_of_it_and_still_shows_each(do):
    ids = cleats(do, 3, clamps=1)
    found = [status(wait) for wait in do.waits()]
    of = bench_view.axis(found, NOON)
    row = bench_view.row(found, of, PARIS, PLACES, writer=True)
    assert "1 clamp each" in said(row)
    parts = [part for part in row._traverse() if hasattr(part, "to_plotly_json")]
    props = [part.to_plotly_json()["props"] for part in parts]
    releases = {p["data-wait"]: p["children"] for p in props if p.get("data-do") == "release"}
    assert releases == {" ".join(ids): "Unclamp all 3", **dict.fromkeys(ids, "Unclamp")}
    links = {p["href"] for p in props if "href" in p}
    assert links == {f"/bench/wait/{wait_id}" for wait_id in ids}


def test_the_last_of_a_series_to_be_ready_is_told(do):
    cleats(do, 2)
    late = {"ready_ms": NOON + 5 * HOUR, "ready_low_ms": None, "ready_high_ms": None}
    first, last = do.waits()
    found = [status(first), status(last, **late)]
    shown = said(bench_view.row(found, bench_view.axis(found, NOON), PARIS, PLACES, writer=False))
    assert "Clamps off about 17:00." in shown


def test_what_is_ready_leaves_room_on_the_wall_for_what_is_next(do):
    cleats(do, 8)
    for what in ("neck set", "button", "seam", "scroll"):
        do("open", kind="plate-crack", place="front-bench", instrument="VN-31", what=what)
    ready = {"state": WaitState.READY, "ready_ms": NOON - 40 * MINUTE}
    found = [
        status(wait, **(ready if i < 9 else {"ready_ms": NOON + i * HOUR}))
        for i, wait in enumerate(do.waits())
    ]
    strip = bench_wall.strip(found, NOON, PARIS)
    cells = [said(cell).strip() for cell in strip.children[1].children]
    assert len(cells) == bench_wall.SHOWN
    assert cells[0] == (
        "9 ready VC-12, cleats 1 to 8 of 8; VN-31, neck set The first since 11:20."
    )
    assert [next(w for w in ("button", "seam", "scroll") if w in cell) for cell in cells[1:]] == [
        "button",
        "seam",
        "scroll",
    ]


def test_the_wall_counts_what_is_on_hold(do):
    cleats(do, 3)
    first, *others = do.waits()
    held = status(first, state=WaitState.HOLD, hold=Hold.DAMP, ready_ms=None)
    strip = bench_wall.strip([*map(status, others), held], NOON, PARIS)
    assert "3 open, 1 on hold" in said(strip)


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("cleat", "too damp to harden:"),
        ("spirit-coat", "too damp to set:"),
        ("washed-wood", "too damp to dry:"),
        ("settling", "too damp:"),
    ],
)
def test_damp_air_keeps_each_kind_of_work_from_its_own_end(do, kind, text):
    do("open", kind=kind, place="front-bench")
    found = status(do.waits()[0], state=WaitState.HOLD, hold=Hold.DAMP, hold_since_ms=NOON - HOUR)
    assert text in wait_text.status_text(found, NOON, PARIS).sentence


def test_a_wait_left_far_beyond_its_basis_says_what_just_right_would_mean(do):
    (wait,) = cleats(do, 1)
    do("release", at_ms=NOON + HOUR, wait=wait)
    (told,) = do.waits()
    assert bench_text.long_wait_reminder(told) == ""
    basis_s = told.kind["basis_s"]
    assert bench_text.long_wait_reminder(replace(told, equivalent_s=1.4 * basis_s)) == ""
    past = replace(told, equivalent_s=3 * basis_s)
    assert bench_text.long_wait_reminder(past).startswith("It had 300 % of its usual time.")
    assert "It had 300 %" in said(bench_view.feel_question([past], writer=True))
    answered = replace(past, feel=Feel.RIGHT)
    assert "It had" not in said(bench_view.feel_question([answered], writer=True))


def test_what_was_foreseen_is_told_to_five_minutes_and_each_time_with_its_day(do):
    cleats(do, 1)
    at = [NOON + 30 * HOUR + m * MINUTE for m in (1, 22, 71)]
    wait = replace(do.waits()[0], foreseen_ms=tuple(at))
    told = wait_text.foreseen(wait, NOON + 40 * HOUR, PARIS)
    assert told == "clamps off yesterday 18:25 (yesterday 18:05 to yesterday 19:15)"
    coat = replace(wait, kind={**wait.kind, "load_s": 0.0})
    assert wait_text.foreseen(coat, NOON + 40 * HOUR, PARIS).startswith("ready yesterday 18:25")


def test_a_time_of_today_after_one_of_another_day_says_so(do):
    cleats(do, 1)
    at = [NOON - 22 * HOUR, NOON - 20 * HOUR, NOON - 7 * HOUR]  # yesterday, yesterday, today
    wait = replace(do.waits()[0], foreseen_ms=tuple(at))
    told = wait_text.foreseen(wait, NOON, PARIS)
    assert told == "clamps off yesterday 16:00 (yesterday 14:00 to today 05:00)"


def test_a_kind_taken_off_the_list_is_put_back_as_it_was_by_a_tap(tmp_path):
    settings = shop_air.settings_in(tmp_path)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now_ms() - HOUR, now_ms(), MINUTE)
        commands = shop_air.commanded(writer, settings)
        for command in (
            {"do": "kind", "kind": "patch", "like": "cleat", "name": "Patch", "basis_s": 32400.0},
            {"do": "kind", "kind": "cleat", "basis_s": 5 * 3600.0},
            {"do": "retire", "kind": "patch"},
            {"do": "retire", "kind": "cleat"},
        ):
            commands.carry_out(command, now_ms())
        before = dict(commands.journal.book)
        with shop_air.command_link(settings, commands):
            client = shop_air.board_client(settings)

            def tap(kind):
                asked = {"do": "restore", "kind": kind}
                return client.post("/bench/do", json=asked, headers=HERE)

            assert tap("patch").status_code == 200
            assert tap("cleat").status_code == 200
            refused = tap("cleat")
            assert "must be a retired type: none is retired" in json.loads(refused.data)["refused"]
        book = commands.journal.book
    assert set(book) - set(before) == {"patch", "cleat"}
    assert (book["patch"].name, book["patch"].basis_s) == ("Patch", 9 * 3600)
    assert book["patch"].law == KINDS["cleat"].law
    assert book["cleat"].basis_s == 5 * 3600
    assert book["cleat"].source == KINDS["cleat"].source
