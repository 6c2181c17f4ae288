"""Waits on the board: what they say, what a tap becomes, the calendar."""

from __future__ import annotations

import json
import re
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from zoneinfo import ZoneInfo

import bench_fixtures
import dashboard_fixtures as shop_air
import flask
import numpy as np
import plotly.graph_objects as go
import pytest
from board_requests import HERE, ask_page, do, said

from dashboard.air import page as air_page
from dashboard.app import create_app
from dashboard.bench import finished_page as bench_finished_page
from dashboard.bench import forms as bench_forms
from dashboard.bench import opening, wait_page
from dashboard.bench import page as bench_page
from dashboard.bench import view as bench_view
from dashboard.bench import wait_type_page as bench_wait_type_page
from dashboard.bench import wall as bench_wall
from dashboard.bench.why_figure import rate_plot
from dashboard.data.alerts import AlertQueries
from dashboard.data.glue import GlueQueries
from dashboard.data.journal import CachedJournal
from dashboard.data.outlook import OutlookQueries
from dashboard.data.shop import ShopData
from dashboard.data.waits import WaitQueries
from dashboard.data.wood import WoodQueries
from dashboard.past import marks as past_marks
from dashboard.past import page as past_page
from dashboard.past.selection import Choice
from dashboard.ui import formats
from dashboard.ui.form_input import Form
from dashboard.ui.themes import theme_of
from monitor.air.latest_air import LatestAir
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.core.measurements import Quantity
from monitor.domain.cautions import WORDS, Caution
from monitor.domain.wait import Feel
from monitor.science.waits.open_time import CHILLED_TEMP_C
from monitor.store import Writer
from monitor.waits import text as wait_text
from monitor.waits.evaluation import counting

HOUR, DAY = 3_600_000, 86_400_000
PARIS = ZoneInfo("Europe/Paris")
five_days, settings = bench_fixtures.five_days, bench_fixtures.settings
commands = bench_fixtures.commands
ids, book, client = bench_fixtures.ids, bench_fixtures.book, bench_fixtures.client


def test_the_full_bench_is_told_by_ready_time_each_with_its_state(settings, ids, book):
    found = book.statuses()
    assert len(found) == len(ids) == 13
    ready = [s.readiness.ready_ms for s in found if s.readiness and s.readiness.ready_ms]
    assert ready == sorted(ready)
    states = {s.wait.id: wait_text.status_text(s, now_ms(), settings.zone).state for s in found}
    assert states[ids[4]] == "ready"
    assert states[ids[6]] == "hold"
    assert states[ids[11]] == "paused"
    assert states[ids[12]] == "unknown"


@pytest.mark.slow
def test_an_answer_is_kept_until_the_journal_grows(settings, ids, book, commands):
    first = book.statuses()
    assert book.statuses() is first
    commands.carry_out({"do": "release", "wait": ids[0]}, now_ms())
    again = book.statuses()
    assert again is not first
    (off,) = [s for s in again if s.wait.id == ids[0]]
    assert off.wait.setting
    shop = ShopData(settings)
    page = bench_page.live(shop, book, GlueQueries(shop, CachedJournal(shop)), True)
    assert "13 waits open, 1 of them unclamped" in said(page)
    assert "See the 13 waits" in said(page)
    assert "13 open, 1 of them unclamped" in said(bench_wall.strip(again, now_ms(), settings.zone))
    commands.carry_out({"do": "load", "wait": ids[0]}, now_ms())
    assert ids[0] not in [s.wait.id for s in book.statuses()]
    assert [w.id for w in book.finished(5)] == [ids[0]]


def test_a_new_store_is_noticed(settings, ids, book, tmp_path):
    assert len(book.statuses()) == 13
    for part in settings.store_path.parent.glob("readings.sqlite3*"):
        part.rename(tmp_path / f"old-{part.name}")
    Writer(settings.store_path).close()
    assert book.statuses() == []


def test_a_page_waits_for_no_answer_that_takes_long(settings, ids, book):
    kept = CachedJournal(book._shop)
    book = WaitQueries(book._shop, kept)
    begun, go_on = threading.Event(), threading.Event()

    def sheet(reader, journal):
        begun.set()
        assert go_on.wait(60)
        return len(journal.waits), len(reader.series()) > 0

    with ThreadPoolExecutor(1) as pool:
        made = pool.submit(kept.ask, sheet)
        assert begun.wait(60)
        assert len(book.statuses()) == 13
        assert book.kind("cleat").id == "cleat"
        assert not made.done()
        go_on.set()
        assert made.result(30) == (13, True)


def test_an_answer_that_many_ask_for_at_once_is_worked_out_once(settings, ids, book, monkeypatch):
    begun, go_on, worked = threading.Event(), threading.Event(), []

    def slowly(reader, settings, waits, now, _jump):
        begun.set()
        assert go_on.wait(60)
        worked.append(now)
        return counting(reader, settings, waits, now)

    monkeypatch.setattr("dashboard.data.waits.counting_in_doubt", slowly)
    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(book.statuses) for _ in range(4)]
        assert begun.wait(60)
        assert book.kind("cleat").id == "cleat"
        go_on.set()
        found = [one.result(60) for one in asked]
    assert len(worked) == 1
    assert all(one is found[0] for one in found)


def test_an_answer_of_a_store_that_was_replaced_meanwhile_is_not_kept(
    settings, ids, book, tmp_path, monkeypatch
):
    def replaced(reader, settings, waits, now, _jump):
        found = counting(reader, settings, waits, now)
        for part in settings.store_path.parent.glob("readings.sqlite3*"):
            part.rename(tmp_path / f"old-{part.name}")
        Writer(settings.store_path).close()
        with ThreadPoolExecutor(1) as pool:  # another page notices
            assert pool.submit(book.kind, "cleat").result(30).id == "cleat"
        return found

    monkeypatch.setattr("dashboard.data.waits.counting_in_doubt", replaced)
    assert len(book.statuses()) == 13
    monkeypatch.undo()
    assert book.statuses() == []


def test_the_most_used_kinds_come_first(ids, book):
    assert book.kinds()[0].id == "cleat"


def test_the_wall_shows_clamps_only_when_there_are_any(settings, commands, book):
    shop = ShopData(settings)
    assert "In clamps" not in said(
        air_page.content(
            shop, air_page.NO_STRIPS._replace(waits=partial(bench_wall.open_waits, shop, book))
        )
    )
    request = {"do": "open", "kind": "cleat", "place": "front-bench", "what": "f-hole"}
    commands.carry_out(request, now_ms())
    text = said(
        air_page.content(
            shop, air_page.NO_STRIPS._replace(waits=partial(bench_wall.open_waits, shop, book))
        )
    )
    assert "In clamps" in text
    assert "f-hole" in text


def test_the_bench_says_what_is_ready_first(client, ids):
    # The page is a callback of Dash: its layout is asked through the server
    page = client.post("/_dash-update-component", headers=HERE, json=_page("/bench"))
    text = page.get_data(as_text=True)
    assert "Ready: Cello, job 39, lower bout seam." in text
    assert "On hold since" in text
    assert "planned work" in text


def _page(path):
    return {
        "output": ".._pages_content.children..._pages_store.data..",
        "outputs": [
            {"id": "_pages_content", "property": "children"},
            {"id": "_pages_store", "property": "data"},
        ],
        "inputs": [
            {"id": "_pages_location", "property": "pathname", "value": path},
            {"id": "_pages_location", "property": "search", "value": ""},
        ],
        "changedPropIds": [],
        "state": [],
    }


# Taps


def test_a_tap_opens_a_wait_once_however_often_it_is_sent(settings, commands, client, book):
    tap = {
        "do": "open",
        "id": "a" * 32,
        "by": "Ina",
        "kind": "closing",
        "place": "front-bench",
        "at_ms": now_ms(),
        "form": {"instrument": "Violin", "clamps": "32", "count": ""},
    }
    with shop_air.command_link(settings, commands):
        status, first = do(client, **tap)
        assert status == 200
        assert do(client, **tap) == (200, first)
    (one,) = book.statuses()
    assert (one.wait.instrument, one.wait.clamps, one.wait.events[0].by) == ("Violin", 32, "Ina")
    assert one.wait.started_ms == tap["at_ms"]


@pytest.mark.slow
def test_the_times_before_and_after_the_tap_are_one(settings, commands, client, book):
    shop, now = ShopData(settings), now_ms()
    kept = CachedJournal(shop)
    woods, glues = WoodQueries(shop, kept, OutlookQueries(shop)), GlueQueries(shop, kept)
    batch = {"about": "glue", "do": "mix", "kind": "hide", "name": "jar A"}
    commands.carry_out(batch, now)
    (glue,) = glues.here()
    order = ["plate-crack", "spirit-coat", "cleat", "linings", "oil-coat"]
    first, others, places, _ = opening.live(shop, book, glues, {"glue": glue.id}, order)
    assert [one.to_plotly_json()["props"]["data-choose"] for one in first + others] == order
    by_place = {
        tap["data-place"]: json.loads(tap["data-ready"])
        for tap in (one.to_plotly_json()["props"] for one in places)
    }
    crack, coat = said(first[0]), said(first[1])
    phrase = by_place["front-bench"]["plate-crack"]
    assert re.fullmatch(
        r"ready to unclamp about .*\d\d:\d\d(, almost surely by| \().*\d\d:\d\d\)?", phrase
    )
    assert phrase in crack
    assert "Hide glue, jar A" in crack
    assert "jar A" not in coat
    assert by_place["varnish-room"]["spirit-coat"] in coat or "Front bench" in coat
    assert by_place["cellar"]["plate-crack"].startswith("on hold, too damp to harden")
    assert by_place["loft"]["plate-crack"] == "ready time not known yet"
    with shop_air.command_link(settings, commands):
        _, answer = do(
            client,
            do="open",
            kind="plate-crack",
            place="front-bench",
            at_ms=now_ms(),
            form={"instrument": "VN-50", "clamps": "3", "glue": glue.id},
        )
    done = answer["done"]
    assert done["opened"] == "Plate crack, VN-50, 3 clamps, Hide glue, jar A, Front bench"
    assert done["ready"] == phrase
    assert done["unknown"] == "VN-50"
    (status,) = book.statuses()
    row = bench_view.row(
        [status], bench_view.axis([status], now), PARIS, {}, writer=True
    ).to_plotly_json()["props"]
    assert row["data-ready"] == phrase
    assert book.recent_instruments(4) == ["VN-50"]
    assert book.usual_places() == {"plate-crack": "front-bench"}
    assert woods.here() == []


@pytest.mark.slow
def test_the_cautions_of_the_chosen_glue_are_shown_with_those_of_the_kind(
    settings, commands, book
):
    shop = ShopData(settings)
    glues = GlueQueries(shop, CachedJournal(shop))
    batch = {"about": "glue", "do": "mix", "kind": "epoxy", "clamp_h": 12}
    commands.carry_out(batch, now_ms())
    (glue,) = glues.here()

    def told(glue_id):
        taps = opening.live(shop, book, glues, {"glue": glue_id}, ["plate-crack", "oil-coat"])[0]
        return [tap.to_plotly_json()["props"]["data-cautions"].split(" ") for tap in taps]

    (plain, coat), (crack, same_coat) = told(""), told(glue.id)
    assert Caution.REACTIVE_GLUES not in plain
    assert Caution.REACTIVE_GLUES in crack
    assert set(plain) <= set(crack)
    assert same_coat == coat
    listed = said(opening.cautions(book.kinds(), "C"))
    assert "about 60 °C scalds" in listed
    assert "about 140 °F scalds" in said(opening.cautions(book.kinds(), "F"))
    for one in (Caution.REACTIVE_GLUES, Caution.ALKALINE_GLUE):
        assert WORDS[one] in listed


def test_a_wait_shows_why_it_takes_so_long(settings, commands, ids, book):
    shop = ShopData(settings)
    on_hold = next(s.wait for s in book.statuses() if s.wait.place == "cellar")
    told, plot = wait_page.why_longer(on_hold, shop, book, {"theme": "night", "width": 390})
    text = said(told)
    assert re.search(r"It was on hold for 5 h( \d+ min)?, too damp to harden: ", text)
    assert (
        "The ready time expected at the start is not known." in text
    )  # nothing foresees in this shop
    assert "In all 5 h" in text
    assert "reference air (20.0 °C and 50 % RH)" in text
    (rate,) = plot.data  # neither expected nor ready
    assert (max(rate.x) - min(rate.x)) / HOUR == pytest.approx(5, abs=0.1)
    assert {note.text for note in plot.layout.annotations} == {"reference air", "on hold"}
    held = [s for s in plot.layout.shapes if s.type == "rect" and s.y1 == 0]
    assert sum(s.x1 - s.x0 for s in held) / HOUR == pytest.approx(5, abs=0.1)
    ready = next(s.wait for s in book.statuses() if s.ready)
    foreseen = tuple(ready.started_ms + n * HOUR for n in (3, 4, 6))
    found = replace(book.account(ready), wait=replace(ready, foreseen_ms=foreseen))
    plot = rate_plot(found, settings.zone, "C", 1280, theme_of({}))
    assert {"expected at the start", "ready"} <= {n.text for n in plot.layout.annotations}
    expected, came = plot.data[1:]
    assert (expected.x[0], came.x[0]) == (foreseen[1], found.came_ms)
    assert expected.marker.symbol != came.marker.symbol
    assert max(*expected.y, *came.y) < plot.layout.yaxis.range[1]
    assert min(*expected.y, *came.y) > max(plot.data[0].y)  # over the curve
    plot = rate_plot(replace(found, expected=found.lost), settings.zone, "C", 1280, theme_of({}))
    assert "expected air" in {note.text for note in plot.layout.annotations}
    assert (plot.data[1].line.dash, plot.data[0].line.dash) == ("2px,5px", None)
    assert list(plot.data[1].y) == list(plot.data[0].y)
    loft = next(s.wait for s in book.statuses() if s.wait.place == "loft")
    told, plot = wait_page.why_longer(loft, shop, book, {})
    assert "The air of this wait is not known." in said(told)
    assert plot.layout.annotations[0].text == "The air of this wait is not known."


@pytest.mark.slow
def test_a_start_of_the_past_is_counted_and_one_to_come_is_not(settings, commands, book):
    shop = ShopData(settings)
    glues = GlueQueries(shop, CachedJournal(shop))

    def first(start):
        asked = {"start": formats.to_input(start, settings.zone)}
        return said(opening.live(shop, book, glues, asked, ["plate-crack"])[0])

    assert "since" in first(now_ms() - 3 * DAY)  # hard long ago
    assert first(now_ms() + HOUR) == said(opening.live(shop, book, glues, {}, ["plate-crack"])[0])


def test_eight_cleats_open_at_once_with_a_start_of_their_own(settings, commands, client, book):
    start = formats.to_input(now_ms() - 2 * HOUR, settings.zone)
    with shop_air.command_link(settings, commands):
        status, answer = do(
            client,
            do="open",
            id="b",
            kind="cleat",
            place="front-bench",
            at_ms=now_ms(),
            form={"count": "8", "start": start},
        )
    assert status == 200
    assert len(answer["done"]["waits"]) == 8
    assert {formats.to_input(s.wait.started_ms, settings.zone) for s in book.statuses()} == {start}


def test_release_feel_and_taking_it_back(settings, commands, ids, client, book):
    with shop_air.command_link(settings, commands):
        assert do(client, do="release", wait=ids[4], at_ms=now_ms())[0] == 200
        assert do(client, do="feel", wait=ids[4], feel="right")[0] == 200
        assert book.wait(ids[4]).feel is Feel.RIGHT
        assert len(book.learned("rib-seam").evidence) == 1
        assert do(client, do="feel", wait=ids[4])[0] == 200
        assert book.wait(ids[4]).feel is None
        status, answer = do(client, do="release", wait=ids[4], at_ms=now_ms())
        assert status == 409
        assert "is released: reopen it first." in answer["refused"]


def test_only_what_was_changed_is_put_right(settings, commands, ids, client, book):
    was = book.wait(ids[1])
    form = {
        "instrument": was.instrument,
        "what": "top, all round",
        "clamps": "32",
        "note": "",
        "start": formats.to_input(was.started_ms, settings.zone),
        "wanted": "",
    }
    with shop_air.command_link(settings, commands):
        assert do(client, do="correct", wait=ids[1], form=form)[0] == 200
        last = book.wait(ids[1]).events[-1]
        assert last.body == {"what": "top, all round", "wanted_ms": None}
        again = do(client, do="correct", wait=ids[1], form=form)
    assert again == (409, {"refused": "Nothing was changed."})


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"clamps": "two"}, "Clamps: 'two' must be a whole number from 0 to 99999."),
        ({"count": "-1"}, "How many: '-1' must be a whole number from 0 to 99999."),
        ({"start": "yesterday"}, "Started: 'yesterday' is not a date and time."),
        (
            {"wanted": "2026-11-25T10:00Z"},
            "Wanted by: '2026-11-25T10:00Z' is not a date and time.",
        ),
    ],
)
def test_a_field_that_cannot_be_read_is_named(settings, commands, client, form, said):
    with shop_air.command_link(settings, commands):
        status, answer = do(
            client, do="open", id="c", kind="cleat", place="front-bench", form=form
        )
    (field,) = form
    told = said.partition(": ")[2].removesuffix(".")
    assert (status, answer) == (409, {"refused": said, "fields": {field: told}})


def test_without_the_service_a_tap_is_to_be_sent_again(commands, client):
    status, answer = do(client, do="open", kind="cleat", place="front-bench")
    assert status == 503
    assert "Is Benchweather running?" in answer["later"]


def test_a_kind_is_changed_added_and_taken_off(settings, commands, client, book):
    with shop_air.command_link(settings, commands):
        form = {"basis_h": "5,5", "minimum_h": "2", "spread": "0.2", "law.wood_memory_h": "3"}
        assert do(client, do="kind", kind="cleat", form=form)[0] == 200
        changed = book.kind("cleat")
        assert (changed.basis_s, changed.law.wood_memory_h) == (19_800, 3)
        assert do(client, do="kind", like="cleat", form={"name": "Cleat, thick"})[0] == 200
        assert book.kind("cleat-thick").name == "Cleat, thick"
        status, answer = do(client, do="kind", kind="cleat", form={"law.hard_activity": "2"})
        assert status == 409
        assert "hard_activity" in answer["refused"]
        form = bench_forms.shown_of(changed)
        assert do(client, do="kind", kind="cleat", form=form)[0] == 409
        assert do(client, do="kind", kind="cleat", never_shorter="no")[0] == 200
        assert book.kind("cleat") == replace(changed, never_shorter=False)
        assert do(client, do="retire", kind="cleat")[0] == 200
    assert book.kind("cleat") is None


def test_a_kind_is_seen_and_changed_in_the_unit_of_the_reader(settings, commands, book):
    kind = book.kind("spirit-coat")
    table = said(bench_wait_type_page.figures(kind, "F", True))
    assert "°C" not in table
    assert " K " not in table
    shown, celsius = bench_forms.shown_of(kind, "F"), bench_forms.shown_of(kind)
    assert (celsius["law.valid_low_c"], shown["law.valid_low_c"]) == ("12", "53.6")
    assert (celsius["law.dew_margin_k"], shown["law.dew_margin_k"]) == ("3", "5.4")

    def asked(**typed):
        form = Form({**shown, **typed}, settings)
        form.unit = "F"
        return bench_forms.values_of({"do": "kind", "kind": kind.id}, form, book)

    with pytest.raises(Rejected, match="nothing was changed"):
        asked()
    typed = {"law.valid_low_c": "50", "law.dew_margin_k": "9", "law.most_rate": "3"}
    law = {"valid_low_c": 10, "dew_margin_k": 5, "most_rate": 3}
    assert asked(**typed) == {"kind": kind.id, "law": law}


def test_the_list_of_kinds_says_which_usual_time_new_waits_use(commands, ids, client, book):
    commands.carry_out({"do": "release", "wait": ids[4], "feel": "soft"}, now_ms())
    used, set_ = book.learned("rib-seam").used_s, book.kind("rib-seam").basis_s
    assert used > set_
    page = json.dumps(
        json.loads(ask_page(client, "/bench/kinds", **HERE).data), ensure_ascii=False
    )
    row = page.partition('"Rib seam"')[2].partition('"Tr"')[0]
    shown = f'"children": "{bench_wait_type_page.in_hours(used)}"'
    assert row.index(shown) < row.index(f"from 1 release; set: {formats.hours(set_)}")
    assert f'"children": "{formats.hours(set_)}"' not in row
    assert "Usual time, hours" in page
    assert "Basis" not in page


def test_a_kind_shows_every_parameter_and_what_was_taught(settings, commands, ids, book):
    commands.carry_out({"do": "release", "wait": ids[4], "feel": "soft"}, now_ms())
    shown = said(
        bench_wait_type_page.learned_words(book.kind("rib-seam"), book.learned("rib-seam"))
    )
    assert "Before: usual time 4 h" in shown
    assert "1 release: 1 still soft." in shown.replace("Releases", "releases")
    table = said(bench_wait_type_page.figures(book.kind("rib-seam"), "C", False))
    assert "Wood memory" in table
    assert "0.55 to 0.95" in table


def test_a_release_before_the_safe_minimum_is_asked_for_once(ids, book):
    wait = next(s.wait for s in book.statuses() if s.kind.minimum_s > 3600 and not s.wait.paused)
    least = wait.started_ms + round(1000 * float(wait.kind["minimum_s"]))
    wait = replace(wait, pauses=())

    def asked(at_ms):
        button = bench_view.steps_of([wait], at_ms)[0]
        return button.to_plotly_json()["props"].get("data-sure", "")

    word = bench_view.release_word(wait)
    assert asked(least - 60_000) == f"{word} before the safe minimum? Tap again"
    assert asked(least) == asked(least + HOUR) == ""
    assert bench_view.early_question([wait, wait], "Release all 2", least - 1).startswith(
        "Release all 2 before"
    )


def _latest(place, newest):
    nothing = np.empty(0)
    return LatestAir(place, "sht", newest, {}, nothing.astype(np.int64), nothing, nothing)


def test_a_place_warns_of_a_chilled_joint_in_two_steps(settings):
    # Source: warn below 18 °C, strongly below 15 °C: common practice, no source (workshop advice of
    # 18 to 21 °C read second-hand).
    assert (settings.limits.glue_temp_low_c, CHILLED_TEMP_C) == (18.0, 15.0)
    shop, place = ShopData(settings), settings.places[0]

    def told(temp_c):
        newest = {Quantity.TEMPERATURE: (now_ms(), temp_c)}
        return said(opening.cold_places([_latest(place, newest)], "C", shop))

    assert told(18.0) == ""
    for temp_c in (17.9, 15.0):
        assert "below 18 °C. Warm the parts first" in told(temp_c)
    assert "below 15 °C. A joint made there now is likely to chill." in told(14.9)


def test_what_was_released_before_today_is_folded_into_a_list(settings, commands, book):
    now = now_ms()
    ids = []
    for days in (0, 1, 2, 3):
        opened = {"do": "open", "kind": "cleat", "place": "bench", "what": f"cleat of day {days}"}
        start_ms = now - days * DAY - 3 * HOUR
        ids += commands.carry_out(opened | {"start_ms": start_ms}, now)["waits"]
        release = {"do": "release", "wait": ids[-1], "at_ms": now - days * DAY}
        commands.carry_out(release, now)
    shop = ShopData(settings)
    with create_app(settings).server.test_request_context():
        parts = bench_finished_page.content(shop, book)
    cards, folded = parts[1:]
    assert "cleat of day 0" in said(cards)
    assert "3 released before today" in said(folded)
    for day in (1, 2, 3):
        assert f"cleat of day {day}" not in said(cards)
        assert f"cleat of day {day}" in said(folded)
    assert folded.open is False
    with flask.Flask("board").test_request_context():
        just = bench_page.just_released(book, writer=True, now=now)
    assert len(just) == bench_page.JUST_CARDS + 1
    assert "1 more released" in said(just[-1])


# Marks on Past


def test_waits_and_alerts_are_marked_below_the_curves_of_their_place(
    settings, commands, ids, book
):
    shop = ShopData(settings)
    kept = CachedJournal(shop)
    alerts = AlertQueries(shop, kept, book, WoodQueries(shop, kept, OutlookQueries(shop)))
    now = now_ms()
    choice = Choice(("front-bench",), "humidity", "day", None, None)
    marks_of = partial(past_marks.marks, waits=book, alerts=alerts)
    found = marks_of(choice.places, now - DAY, now)
    here = [s.wait for s in book.statuses() if s.wait.place == "front-bench"]
    assert {mark.text.partition(" (")[0] for mark in found} == {wait_text.title(w) for w in here}
    assert {mark.row for mark in found} == {"clamps", "rests"}
    alert = past_marks.Mark("alerts", "Dry air", now - 9 * HOUR, now - 2 * HOUR, "/alerts/1")
    answer = past_page.answered(choice, {}, now, shop, lambda *asked: [alert, *marks_of(*asked)])
    plain = past_page.answered(choice, {}, now, shop)
    go.Figure(answer.figure)  # plotly checks every property
    drawn = {t["name"]: t for t in answer.figure["data"] if t.get("yaxis") == "y2"}
    assert list(drawn) == ["clamps", "rests", "alerts"]
    looks = [
        (t["line"]["dash"], t["marker"]["symbol"], t["line"]["color"]) for t in drawn.values()
    ]
    assert len({look[:2] for look in looks}) == 3  # by form
    assert len({look[2] for look in looks}) == 1  # and not by colour
    assert drawn["alerts"]["x"] == [alert.begin_ms, alert.end_ms, None]
    assert len(drawn["clamps"]["x"]) == 3 * sum(mark.row == "clamps" for mark in found)
    top, foot = (answer.figure["layout"][axis]["domain"] for axis in ("yaxis", "yaxis2"))
    assert foot[1] < top[0]  # they hide no curve
    curves = [t for t in answer.figure["data"] if t.get("yaxis") != "y2"]
    assert len(curves) == len(plain.figure["data"])
    label = next(n for n in answer.figure["layout"]["annotations"] if n["text"] == "Front bench")
    was = next(n for n in plain.figure["layout"]["annotations"] if n["text"] == "Front bench")
    assert (label["y"] - top[0]) / (top[1] - top[0]) == pytest.approx(was["y"])
    text = said(answer.words)
    assert "alerts (1)" in text
    assert "Dry air" in text
    assert "Marked" not in said(plain.words)
    assert "yaxis2" not in plain.figure["layout"]
    assert marks_of(("varnish-room",), now - 5 * DAY, now - 4 * DAY) == []
