"""Wood on the board: what it says, how it is drawn, what a tap and a typed field become."""

from __future__ import annotations

import math
from dataclasses import replace

import dashboard_fixtures as shop_air
import numpy as np
import plotly.graph_objects as go
import pytest
import wood_fixtures
from board_requests import HERE, ask_dash, ask_page, said
from hypothesis import given
from hypothesis import strategies as st
from wood_fixtures import NOON, PARIS, ask

from dashboard.ui import plots
from dashboard.ui.plates_text import ClosingAhead
from dashboard.ui.themes import theme
from dashboard.wood import figure as wood_figure
from dashboard.wood import instrument_page as wood_instrument_page
from dashboard.wood import page as wood_page
from dashboard.wood import text as wood_text
from dashboard.wood import view as wood_view
from monitor.core.clock import now_ms
from monitor.science.plates.assessment import Close, Reason
from monitor.science.plates.history import MoistureHistory
from monitor.science.plates.parts import PRESETS
from monitor.science.quantiles import QuantileRange
from monitor.wood.evaluation import InstrumentStatus

HOUR, DAY = 3_600_000, 86_400_000
three_weeks, settings = wood_fixtures.three_weeks, wood_fixtures.settings
commands, guests = wood_fixtures.commands, wood_fixtures.guests
book, shop, client = wood_fixtures.book, wood_fixtures.shop, wood_fixtures.client
NAN, INF = math.nan, math.inf


# Words


@pytest.mark.parametrize(
    ("off", "side", "text"),
    [
        ((-3.5, -2.7, -1.6), "dry", "2.7 points drier (1.6 to 3.5)"),
        ((0.5, 1.4, 2.5), "damp", "1.4 points damper (0.5 to 2.5)"),
        ((-1.2, -0.3, 0.6), "right", "near home moisture (−1.2 to +0.6 points)"),
        ((-1.4, 0.9, 3.2), "unknown", "uncertain (−1.4 to +3.2 points)"),
    ],
)
def test_how_far_from_rest_is_said_with_its_range_and_never_surer_than_it_is(off, side, text):
    assert wood_text.side(QuantileRange(*off)) == side
    assert wood_text.off_home(QuantileRange(*off)) == text


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ((-1.6, -1.2, -0.8), "1.2 mm narrower across 245 mm (0.8 to 1.6)"),
        ((0.3, 0.7, 1.3), "0.7 mm wider across 245 mm (0.3 to 1.3)"),
        ((-0.5, -0.15, 0.24), "0.5 mm narrower to 0.2 wider across 245 mm"),
        ((-0.02, 0.01, 0.04), "changed by 0.1 mm at most across 245 mm"),
        ((NAN, NAN, NAN), "not known"),
    ],
)
def test_a_gap_is_said_in_millimetres_across_the_stated_width(change, text):
    assert wood_text.moved(QuantileRange(*change), 245) == text


@given(st.lists(st.floats(-9, 9), min_size=3, max_size=3).map(sorted))
def test_a_gap_names_a_direction_only_if_the_range_does(values):
    text = wood_text.moved(QuantileRange(*values), 200)
    if "narrower" in text and "wider" not in text:
        assert values[2] <= wood_text.LEAST_MM
    if "wider" in text and "narrower" not in text:
        assert values[0] >= -wood_text.LEAST_MM


@pytest.mark.parametrize(
    ("in_s", "text"),
    [
        ((0, 0, 0), "settled"),
        ((172_800, 345_600, 518_400), "settles in about 4 days (2 days to 6 days)"),
        ((0, 36_000, 50_000), "settles in about 10 hours (14 hours at most)"),
        ((8e6, 2.6e7, INF), "settles in about 10 months (3 months to more than a year)"),
        ((INF, INF, INF), "takes more than a year to settle"),
        ((2.6e7, 4e7, INF), "takes more than a year to settle (at least 10 months)"),
        ((NAN, NAN, NAN), "settling time not known"),
    ],
)
def test_how_long_until_it_has_settled(in_s, text):
    assert wood_text.settles_words(QuantileRange(*in_s)) == text


# With the store, the command link and the journal as they are


@pytest.mark.slow
def test_the_one_furthest_from_its_rest_is_first_and_what_is_not_known_last(guests, book):
    found = book.statuses()
    ids = [one.instrument.id for one in found]
    assert (ids[0], ids[-1]) == ("va-2-viola", "db-4")
    head, after = wood_text.title(found)
    assert head.startswith("Furthest from home moisture: VA-2 viola, ")
    assert head.endswith(" points too dry.")
    assert after == "4 instruments in the shop."


def test_wood_that_is_not_known_is_not_called_near_its_home_moisture(guests, book):
    near, unknown = book.status("vn-1"), book.status("db-4")
    assert wood_text.title([near]) == (
        "All wood is near its home moisture.",
        "1 instrument in the shop.",
    )
    assert wood_text.title([near, unknown]) == (
        "All wood that is known is near its home moisture.",
        "2 instruments in the shop. The moisture of 1 of them is not known.",
    )


@pytest.mark.slow
def test_an_answer_is_kept_until_anything_is_done_with_an_instrument(guests, book, commands):
    first = book.statuses()
    commands.carry_out({"do": "open", "kind": "cleat", "place": "front-bench"}, now_ms())
    assert book.statuses() is first
    ask(commands, "leave", instrument="vc-3")
    again = book.statuses()
    assert again is not first
    assert wood_text.closeness(book.status("vn-1"), now_ms(), PARIS).word == "Yes"
    clamped = {
        "kind": "cleat",
        "place": "front-bench",
        "instrument": "VN-1",
        "what": "centre cleat",
    }
    commands.carry_out({"do": "open"} | clamped, now_ms())
    told = wood_text.closeness(book.status("vn-1"), now_ms(), PARIS)
    assert (told.word, "centre cleat" in told.why) == ("Not now", True)
    shown = wood_view.closing(book.status("vn-1"), now_ms(), PARIS, "C").children
    strong = [said([one]) for one in shown if getattr(one, "className", "") == "then"]
    assert [told.why in one for one in strong] == [True]  # not what its wood alone would allow
    assert "vc-3" not in [one.instrument.id for one in again]
    assert [one.id for one in book.left(5)] == ["vc-3"]
    assert book.status("vc-3") is None


@pytest.mark.slow
def test_an_answer_grows_old(guests, book, monkeypatch):
    first = book.statuses()
    later = now_ms() + 61_000
    monkeypatch.setattr("dashboard.data.journal.now_ms", lambda: later)
    assert book.statuses() is not first


def test_safe_to_close_is_answered_with_why_and_with_what_the_present_air_does(guests, book):
    told = {
        one.instrument.id: wood_text.closeness(one, now_ms(), PARIS) for one in book.statuses()
    }
    dry = told["va-2-viola"]
    # It never becomes safe in the present air: the large word must not promise that it does.
    assert (dry.close, dry.word) == (Close.NOT_YET, "Not in this air")
    assert "It does not become safe there." in dry.then
    assert "drier. Held by its joints, it is strained to" in dry.why
    assert (
        "Once nothing on it is drying, bring the air around it slowly to its home's 75 % RH, in a "
        "bag or tent." in dry.then
    )
    assert told["vn-1"].word == "Yes"
    assert "it would be strained to" in told["vn-1"].why
    assert told["vc-3"].word == "Not known"
    assert "Ask where the instrument lives." in told["vc-3"].why
    assert told["db-4"].word == "Not known"
    assert "No sensor at its place" in told["db-4"].why


@pytest.mark.slow
def test_a_time_is_promised_only_within_its_range(guests, book):
    status = book.status("va-2-viola")
    answer = status.answer
    ready = QuantileRange(86_400.0, 3 * 86_400.0, 9 * 86_400.0)
    closing = replace(answer.closing, ready_in_s=ready, from_in_s=8.2 * 86_400.0)

    def told_of(**changes):
        found = replace(answer, closing=replace(closing, **changes))
        return wood_text.closeness(InstrumentStatus(status.instrument, found), NOON, PARIS)

    told = told_of()
    assert told.word == "Not before Thu 3 Dec"
    assert told.then == (
        "If the air stays as it is, it is most likely safe from Sat 28 Nov (tomorrow 12:00 to Fri "
        "4 Dec)."
    )
    open_ended = ready._replace(low=0.0, high=INF)
    assert told_of(ready_in_s=open_ended, close=Close.UNKNOWN).then == ""
    assert told_of(ready_in_s=ready._replace(high=INF)).then.endswith("to never).")
    assert told_of(from_in_s=400 * 86_400.0).word == "Not in this air"  # not "Not before never"
    # The hour is rounded up where it begins and down where it ends.
    assert told_of(from_in_s=3_700.0).word == "Not before today 14:00"
    good = {"close": Close.YES, "reason": Reason.NEAR_HOME}
    told = told_of(until_in_s=4 * 3_600.0 + 900, **good)
    assert told.word == "Yes, until today 16:00"
    assert "does not stay safe in the present air" in told.then
    assert told_of(until_in_s=INF, **good).word == "Yes"
    soon = told_of(reason=Reason.LEAVES, from_in_s=INF)
    assert soon.word == "Not in this air"
    assert "no time to glue" in soon.why
    old = replace(
        answer,
        closing=replace(
            answer.closing, close=Close.UNKNOWN, reason=Reason.OLD_AIR, ready_in_s=None
        ),
    )
    told = wood_text.closeness(InstrumentStatus(status.instrument, old), now_ms(), PARIS)
    assert told.why.startswith("The last reading of its air is from ")
    assert told.then == ""


@pytest.mark.slow
def test_the_outlook_makes_the_answer_on_closing_stricter_and_never_gives_another(guests, book):
    status, now = book.status("vn-1"), now_ms()
    closing = status.answer.closing
    assert closing.close is Close.YES

    def then(ahead_h, of=status, **changes):
        found = replace(of.answer, closing=replace(of.answer.closing, **changes))
        ahead = ClosingAhead(now + ahead_h * HOUR, "By the outlook.")
        return wood_text.closeness(replace(of, answer=found), now, PARIS, "C", ahead).then

    dry = book.status("va-2-viola")
    assert math.isinf(dry.answer.closing.from_in_s)
    for ahead_h in (9, INF):
        assert then(ahead_h).endswith("By the outlook.")
        assert then(ahead_h, dry).endswith("By the outlook.")
    assert "By the outlook." not in then(0, dry)  # "not in this air" is stricter
    later = {"from_in_s": 5 * 3_600.0}
    assert "By the outlook." not in then(4, dry, **later)
    assert then(6, dry, **later).endswith("By the outlook.")
    assert "By the outlook." not in then(9, close=Close.UNKNOWN)
    assert "By the outlook." not in then(9, dry, reason=Reason.AIR_VERY_DRY)


@pytest.mark.slow
def test_the_page_shows_each_instrument_its_parts_and_the_small_print(guests, shop, book):
    text = said(wood_page.live(shop, book))
    for part in ("top", "back", "ribs", "neck block"):
        assert text.count(part) >= 3
    assert "viola, closed, Front bench" in text
    assert "here 20 days, due out " in text
    assert "across 245 mm" in text
    assert "Humidifier:" in text
    assert "Your local codes" in text
    one = said(wood_instrument_page.inside(book.instrument("va-2-viola"), shop, book))
    assert "Assumed: it came with the moisture that wood keeps at its home" in one
    assert "stress not known" in one
    assert "cleat by the bar" in one


def test_a_part_is_drawn_between_drier_and_damper(guests, book):
    for one in book.status("va-2-viola").answer.parts:
        pieces = {piece.className: piece for piece in wood_view.scale(one).children}
        place = {
            name: float(piece.style["left"].rstrip("%"))
            for name, piece in pieces.items()
            if getattr(piece, "style", None)
        }
        width = float(pieces["range"].style["width"].rstrip("%"))
        assert place["range"] <= place["mark"] <= place["range"] + width
        assert 0 <= place["mark"] < 50
        assert 0 <= place["settle"] < 50
    assert [wood_view.at(x) for x in (-99, -5, 0, 2.5, 99)] == [0, 0, 50, 75, 100]


def test_everything_done_is_told_with_who(guests, shop, book, commands):
    ask(commands, "move", instrument="va-2-viola", place="cellar")
    ask(commands, "amend", instrument="va-2-viola", home_temp_c=18, due_ms=None, note="two cleats")
    ask(
        commands,
        "amend",
        instrument="va-2-viola",
        parts=[PRESETS["viola"][0].to_mapping() | {"thickness_mm": 2.8}],
    )
    ask(commands, "leave", instrument="va-2-viola")
    text = said(wood_instrument_page.history(book.instrument("va-2-viola"), shop))
    for told in (
        "Handed out",
        "Corrected: parts top 2.8 × 245 mm",
        "Moved to Wood store, cellar",
        "Corrected: home temperature 18.0 °C, due out not known, note two cleats",
        "Came in: viola, closed, to Front bench, as of",
        "home 75 %",
        "Ina",
    ):
        assert told in text


def test_every_page_is_served(guests, client, settings):
    for path in (
        "/wood",
        "/wood/new",
        "/wood/left",
        "/wood/va-2-viola",
        "/wood/db-4",
        "/wood/none",
    ):
        answer = ask_page(client, path)
        assert answer.status_code == 200, path
        assert "cannot be read" not in answer.get_data(as_text=True)
        if path == "/wood/none":
            assert "No such instrument" in answer.get_data(as_text=True)


@pytest.mark.parametrize("path", ["/wood", "/wood/new", "/wood/left", "/wood/vn-1"])
def test_without_a_store_a_page_says_so(settings, path):
    assert "Nothing has been stored yet" in _page(shop_air.board_client(settings), path)


def test_an_empty_shop_offers_to_take_one_in(commands, client):
    assert "No instrument is in the shop." in ask_page(client, "/wood").get_data(as_text=True)
    assert "No instrument has been handed out" in ask_page(client, "/wood/left").get_data(
        as_text=True
    )


def test_a_device_that_may_only_read_gets_no_taps(guests, client, settings):
    body = ask_page(client, "/wood/va-2-viola").get_data(as_text=True)
    assert "data-do" not in body
    here = client.post(
        "/_dash-update-component",
        headers=HERE,
        json={
            "output": ".._pages_content.children..._pages_store.data..",
            "outputs": [
                {"id": "_pages_content", "property": "children"},
                {"id": "_pages_store", "property": "data"},
            ],
            "inputs": [
                {"id": "_pages_location", "property": "pathname", "value": "/wood/va-2-viola"},
                {"id": "_pages_location", "property": "search", "value": ""},
            ],
            "changedPropIds": [],
            "state": [],
        },
    )
    assert "data-do" in here.get_data(as_text=True)


def test_the_bench_offers_and_links_the_instruments(guests, client, book):
    assert '"value":"VA-2 viola"' in _page(client, "/bench")
    (wait,) = book.waits(book.instrument("va-2-viola"))
    assert "The wood of VA-2 viola" in _page(client, f"/bench/wait/{wait.id}")


def _page(client, path):
    """A page as this machine's own browser gets it."""
    answer = ask_dash(
        client,
        ".._pages_content.children..._pages_store.data..",
        [("_pages_location", "pathname", path), ("_pages_location", "search", "")],
        **HERE,
    )
    return answer.get_data(as_text=True)


# The plot


@pytest.fixture
def stay():
    """Ten days in steps of ten minutes: two parts, a day's gap in one step, open in the middle."""
    n = 1297
    lasted = np.full(n, 600_000)
    lasted[700] = DAY
    mean = np.vstack([np.linspace(11, 8, n), np.linspace(11, 10, n)])
    known, opened = np.ones(n, bool), np.zeros(n, bool)
    known[700] = False
    opened[300:600] = True
    return MoistureHistory(
        PRESETS["viola"][:2],
        NOON + np.cumsum(lasted),
        mean,
        mean,
        mean,
        np.full(n, 8.5),
        np.full(n, 20.0),
        np.full(n, 45.0),
        known,
        opened,
        11.0,
        np.zeros(1),
    )


def view(stay, width=1280):
    return plots.View(NOON, int(stay.at_ms[-1]), PARIS, "C", width)


def a_wait(commands, book):
    ask(commands, "register", reference="X", kind="viola", place="front-bench")
    commands.carry_out(
        {
            "do": "open",
            "kind": "cleat",
            "place": "front-bench",
            "instrument": "x",
            "what": "<b>%{y}",
        },
        now_ms(),
    )
    return book.waits(book.instrument("x"))


def test_the_plot_is_a_figure_with_each_part_the_rest_and_the_open_time(stay):
    plot = wood_figure.stay_plot(stay, [], view(stay), theme("day"))
    drawn = go.Figure(plot)
    assert [trace.name for trace in drawn.data] == [
        "moisture in balance with the air",
        "top",
        "back",
    ]
    assert all(len(trace.x) <= wood_figure.POINTS_MAX for trace in drawn.data)
    rest = [s for s in drawn.layout.shapes if s.type == "line"]
    assert [s.y0 for s in rest] == [11.0]
    (opened,) = [s for s in drawn.layout.shapes if s.type == "rect" and s.line.width == 1]
    assert (opened.x0, opened.x1) == (stay.at_ms[299], stay.at_ms[599])
    names = [note.text for note in drawn.layout.annotations]
    assert set(names) == {"top", "back", "air", "home", "open"}


def test_what_is_foretold_goes_on_dotted_behind_now_and_is_within_the_scale(stay):
    last = int(stay.at_ms[-1])
    at = last + 3_600_000 * np.arange(1, 25)
    coming = wood_figure.PartsAhead(at, {"top": np.full(24, 2.0)})
    plot = wood_figure.stay_plot(stay, [], view(stay), theme("day"), coming)
    drawn = go.Figure(plot)
    (ahead,) = [trace for trace in drawn.data if trace.name == "top, outlook"]
    assert ahead.line.dash == "dot"
    assert ahead.x[0] > last
    assert drawn.layout.yaxis.range[0] < 2.0
    assert last in [s.x0 for s in drawn.layout.shapes if s.type == "line"]


def test_a_gap_in_the_air_is_a_gap_in_every_line(stay):
    points = wood_figure.shown(stay)
    (gone,) = np.flatnonzero(np.isnan(points["air_pct"]))
    assert points["at_ms"][gone - 1] <= stay.at_ms[699]
    assert points["at_ms"][gone] >= stay.at_ms[700]
    assert (np.isnan(points["mean"]) == np.isnan(points["air_pct"])).all()
    known = ~np.isnan(points["air_pct"])
    assert np.interp(points["at_ms"][known], stay.at_ms, stay.mean[0]) == pytest.approx(
        points["mean"][0][known], abs=0.01
    )


def test_on_a_phone_the_names_stand_over_the_plot(stay):
    layout = wood_figure.stay_plot(stay, [], view(stay, 390), theme("night"))["layout"]
    assert layout["showlegend"]
    assert [note["text"] for note in layout["annotations"]] == ["open"]


def test_a_wait_is_marked_along_the_foot_and_its_name_stays_text(stay, commands, book):
    waits = a_wait(commands, book)
    now = now_ms()
    span = plots.View(now - DAY, now + 1000, PARIS, "C")
    plot = wood_figure.stay_plot(stay, waits, span, theme("day"))
    mark = plot["data"][-1]
    assert mark["name"] == "waits"
    assert mark["x"][0] == waits[0].started_ms
    assert "Cleat, &lt;b&gt;% {y}" in mark["text"][0]


def test_the_plot_is_told_in_a_sentence(stay):
    text = wood_figure.summary(stay, view(stay))
    assert "top 11.0 to 8.0 %, back 11.0 to 10.0 %; home moisture 11.0 %." in text
    assert "Its air is known for 90 % of the time." in text


def test_a_stay_without_any_air_says_so(guests, shop, book):
    plot, text = wood_instrument_page.drawing("db-4", {}, shop, book)
    assert plot["layout"]["annotations"][0]["text"] == "There is no reading of its air yet."
    assert text == ""
    plot, text = wood_instrument_page.drawing(
        "vn-1", {"theme": "night", "width": 1920}, shop, book
    )
    go.Figure(plot)
    assert "home moisture 9." in text


def test_safe_to_close_of_an_opened_instrument_says_that_it_knows_no_joints(guests, book):
    known = [one for one in book.statuses() if one.answer is not None]
    assert {one.instrument.open_now for one in known} == {True, False}
    for one in known:
        assert ("joints" in wood_text.cautions(one)) == one.instrument.open_now
