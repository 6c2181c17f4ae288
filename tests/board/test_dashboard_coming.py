"""The page on the air to come: its words, its plot, what may be typed, and the wall's ribbon."""

from __future__ import annotations

import contextlib
import dataclasses
import re
from datetime import UTC, datetime
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import coming_fixtures
import dash
import dashboard_fixtures as shop_air
import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.coming import page as coming_page
from dashboard.coming import room_text as coming_room_text
from dashboard.coming import text as coming_text
from dashboard.coming import wall as coming_wall
from dashboard.coming.figure import FANS, Beside, coming_plot, fan_of, summary
from dashboard.coming.forms import change
from dashboard.data.outlook import OutlookQueries, worst
from dashboard.data.shop import ShopData
from dashboard.ui import plates_text
from dashboard.ui.formats import scale
from dashboard.ui.plots import View
from dashboard.ui.themes import theme
from monitor.alerting.observations import ServiceTroubles, Snapshot, _coming
from monitor.commands import Commands
from monitor.core.errors import Rejected
from monitor.core.formats import local
from monitor.domain.cautions import leave_shut
from monitor.domain.cold_walls import INSTEAD, SafeHumidity
from monitor.domain.forecast import Forecast
from monitor.outlook import files
from monitor.outlook import summary as outlook_summary
from monitor.outlook.evaluation.report import Score, SnapScore
from monitor.outlook.files import FRESH_MS
from monitor.outlook.homes import LEARN, home_of
from monitor.outlook.kept_outlooks import KeptOutlooks
from monitor.outlook.safe_air import SafeAhead
from monitor.outlook.summary import foreseen, walls_allow_no_water
from monitor.science.case.travel import shut_hours, slowest_case
from monitor.science.cold_surface import ColdSurface
from monitor.science.outlook import ensemble_statistics, heat_balance, vapour_balance
from monitor.science.outlook.ensemble_statistics import OutlookRange, OutlookSpell
from monitor.science.outlook.fitting import prior_estimate
from monitor.science.outlook.hourly_log import STEPS
from monitor.science.outlook.room_model import FillCalibration, RoomModel, Tank
from monitor.science.outlook.tank import USUAL
from monitor.science.outlook.what_if import Change, Water, water_to_hold
from monitor.science.plates.air_steps import HomeAir
from monitor.science.plates.parts import PRESETS
from monitor.science.plates.projection import PartProjection, PlatesProjection
from monitor.science.quantiles import QuantileRange
from monitor.store import Writer, forecasts
from monitor.store.outlooks import When
from sensors.demo.shop import BENCH

PARIS = ZoneInfo("Europe/Paris")
NOW = int(datetime(2026, 11, 20, 12, 7, tzinfo=UTC).timestamp() * 1000)
HOUR = 3_600_000


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    settings = shop_air.settings_in(tmp_path_factory.mktemp("coming"))
    with contextlib.closing(Writer(settings.store_path)) as writer:
        coming_fixtures.fill(settings, writer, NOW)
    coming_fixtures.look(settings, NOW)
    return ShopData(settings)


@pytest.fixture
def book(shop, monkeypatch):
    for module in ("dashboard.data.outlook", "dashboard.coming.page"):
        monkeypatch.setattr(f"{module}.now_ms", lambda: NOW)
    return OutlookQueries(shop)


@pytest.fixture
def one(book):
    return book.foremost()


ROOM = RoomModel(prior_estimate(heat_balance.PRIOR), prior_estimate(vapour_balance.PRIOR), 0)


def with_spells(one, **spells):
    nothing = dict.fromkeys(("dry", "damp", "over", "hot"))
    return dataclasses.replace(one, **(nothing | spells))


SNAP = OutlookSpell(0.92, OutlookRange(30.0, 34.0, 40.0), OutlookRange(28.0, 31.0, 34.0), 43.0)


@pytest.mark.slow
def test_the_headline_says_when_how_far_how_sure_and_what_to_do(one):
    said = coming_text.headline(with_spells(one, dry=SNAP), NOW, PARIS, "C")
    assert said.state == "dry"
    assert said.sentence == (
        "Front bench will be below 40 % RH from about Sat 23:00, reaching about 31 % RH "
        "(28 to 34 %) by Sun 08:00."
    )
    assert said.detail.startswith(
        "The chance is 9 in 10 (almost certain). It begins in about 34 h (30 h to 40 h)."
    )
    assert "humidifier" in said.detail
    assert "tomorrow" not in f"{said.sentence} {said.detail}"  # a day has one name in a paragraph
    # Said once, with the amount of water or by itself; never left out.
    assert said.detail.count("when water shows on windows or cold walls") == 1


def test_a_spell_that_is_only_possible_is_told_as_that_and_an_unlikely_one_not_at_all(one):
    maybe = SNAP._replace(chance=0.3)
    said = coming_text.headline(with_spells(one, dry=maybe), NOW, PARIS, "C")
    assert "may be below 40 % RH" in said.sentence
    assert "If it comes" in said.detail
    edge = SNAP._replace(extreme=SNAP.extreme._replace(middle=39.8))
    near = coming_text.wall_line(with_spells(one, dry=edge), NOW, PARIS, "C")
    assert near.sentence.endswith("just below 40 %.")
    far = coming_text.wall_line(with_spells(one, dry=SNAP), NOW, PARIS, "C")
    assert far.sentence.endswith(": dry, down to 31 %.")
    calm = coming_text.headline(with_spells(one, dry=SNAP._replace(chance=0.1)), NOW, PARIS, "C")
    assert calm.state == "right"
    assert "40 to 60 %" in calm.detail


def test_what_is_so_already_has_no_lead(one):
    there = SNAP._replace(begins_h=OutlookRange(0.0, 0.0, 2.0))
    said = coming_text.headline(with_spells(one, dry=there), NOW, PARIS, "C")
    assert "is below 40 % RH now" in said.sentence
    (line,) = coming_text.spell_lines(with_spells(one, dry=there), NOW, PARIS, "C")
    assert line.when == "already"
    worst = there._replace(extreme_at_h=0.0)  # in this hour, whose begin is past
    told = with_spells(one, dry=worst)
    said = coming_text.headline(told, NOW + HOUR // 2, PARIS, "C").sentence
    assert said == "Front bench is below 40 % RH now: about 31 % RH (28 to 34 %)."
    assert coming_text.wall_line(told, NOW, PARIS, "C").detail.endswith("(28 to 34 %) now.")
    (line,) = coming_text.spell_lines(told, NOW, PARIS, "C")
    assert line.extreme.endswith(", now")


def test_a_spell_is_furthest_out_no_earlier_than_it_begins_and_may_begin_now(one):
    early = SNAP._replace(extreme_at_h=20.0, begins_h=OutlookRange(0.0, 34.0, 40.0))
    said = coming_text.headline(with_spells(one, dry=early), NOW, PARIS, "C")
    assert "from about Sat 23:00" in said.sentence
    assert said.sentence.endswith("by Sat 23:00.")
    assert "It begins in about 34 h (now to 40 h)." in said.detail


def test_the_time_left_is_to_the_hour_that_the_headline_names(one):
    between = SNAP._replace(begins_h=OutlookRange(20.0, 33.6, 40.0))
    said = coming_text.headline(with_spells(one, dry=between), NOW + HOUR // 4, PARIS, "C")
    assert "from about Sat 23:00" in said.sentence
    assert "It begins in about 34 h (20 h to 40 h)." in said.detail


def test_a_hot_spell_is_told_in_the_readers_unit(one):
    hot = SNAP._replace(extreme=OutlookRange(28.0, 30.0, 31.0))
    said = coming_text.headline(with_spells(one, hot=hot), NOW, PARIS, "F")
    assert "about 86.0 °F (82.4 to 87.8 °F)" in said.sentence


def test_without_a_forecast_it_says_weak_and_a_room_not_known_is_not_described(one):
    look = dataclasses.replace(one.look, source="", issued_ms=0, reaches_h=0)
    assert "is weak" in coming_text.rests_on(dataclasses.replace(one, look=look), None, PARIS)
    room = dataclasses.replace(one.look.room, refused="the log is too short")
    told = coming_room_text.room_words(
        dataclasses.replace(one, look=dataclasses.replace(look, room=room)), "C"
    )
    assert len(told) == 1
    assert "the log is too short" in told[0]


def test_a_humidifiers_tank_is_told_as_far_as_rh_tells_it(one):
    assert coming_room_text.humidifier_words(dataclasses.replace(one.look, room=ROOM)) == ""
    water = vapour_balance.with_humidifier(ROOM.water.mean, 300.0, 44.0)
    tank = Tank(ROOM.water._replace(mean=water), (USUAL,), 1.0)
    room = dataclasses.replace(ROOM, tank=tank)

    def said(rh_pct, running, room=room):
        launch = dataclasses.replace(
            one.look.launch, rh_pct=rh_pct, running=np.full(STEPS, running)
        )
        return coming_room_text.humidifier_words(
            dataclasses.replace(one.look, room=room, launch=launch)
        )

    assert said(43.0, 0.9) == (
        "A humidifier keeps RH at about 44 % while it has water. It seems to have water now."
    )
    assert said(31.0, 0.0).endswith("Its tank seems to be empty. Clean it before you fill it.")
    assert said(31.0, 0.9).endswith("RH does not show whether it has water now.")
    assert said(60.0, 0.0).endswith("RH does not show whether it has water now.")
    wick = ROOM.water._replace(mean=vapour_balance.with_wick(ROOM.water.mean, 0.3))
    room = dataclasses.replace(room, tank=tank._replace(water=wick))
    assert said(38.0, 0.9, room) == (
        "A humidifier with a wick moistens the air. It seems to have water now."
    )
    assert said(38.0, 0.0, room).endswith(
        "Its tank seems to be empty. Clean it before you fill it."
    )
    assert said(38.0, 0.5, room).endswith("RH does not show whether it has water now.")
    asked = coming_room_text.humidifier_why(dataclasses.replace(one.look, room=room))
    assert "None" not in asked


@pytest.mark.slow
def test_a_humidifier_is_a_question_until_somebody_answers_and_never_stated_before(
    shop, book, one
):
    """The nights that found one raise a question with two taps; only a yes lets it be stated."""
    place, settings = one.place, shop.settings
    fit, look = files.fit(settings, BENCH), files.look(settings, BENCH, NOW)
    water = vapour_balance.with_humidifier(ROOM.water.mean, 300.0, 44.0)
    room = dataclasses.replace(
        look.room, refused="", tank=Tank(ROOM.water._replace(mean=water), (USUAL,), 1.0)
    )
    files.keep(settings, dataclasses.replace(look, room=room))

    def nights(*found):
        learned = dataclasses.replace(fit.learned, tanks=found)
        files.keep(settings, dataclasses.replace(fit, learned=learned))

    def shown(*, writer=True):
        parts = coming_page.head_and_details(BENCH, shop, OutlookQueries(shop), NOW, writer=writer)
        return str([part.to_plotly_json() for side in parts for part in side])

    question, stated = "Is there a humidifier here?", "A humidifier keeps RH at"
    try:
        nights(*[False] * 4, *[True] * 3)
        assert question not in shown()
        assert stated not in shown()
        nights(*[True] * 7)
        assert question in shown()
        assert "RH often stays near 44 %" in shown()
        assert stated not in shown()
        assert "No humidifier here" in shown()
        assert "No humidifier here" not in shown(writer=False)
        with (
            contextlib.closing(Writer(settings.store_path)) as writer,
            shop_air.command_link(settings, Commands(writer, places=lambda: [BENCH])),
        ):
            board = shop_air.board_client(settings)

            def tap(do, place=BENCH):
                command = {"about": "humidifier", "do": do, "place": place, "id": f"{do}-{place}"}
                return board.post(
                    "/bench/do", json=command, headers={"Origin": "http://localhost"}
                )

            assert tap("there", "nowhere").status_code == 409
            assert book.humidifier(place) == (None, True)
            assert tap("there").status_code == 200
            assert stated in shown()
            assert question not in shown()
            assert "There is a humidifier here." in shown()
            assert tap("none").status_code == 200
        assert stated not in shown()
        assert question not in shown()
        assert "There is no humidifier here." in shown()
    finally:
        files.keep(settings, fit)
        files.keep(settings, look)


def test_an_old_outlook_and_none_at_all_say_what_is_needed():
    assert "too old" in coming_text.no_outlook(NOW - 9 * HOUR, NOW, PARIS).sentence
    assert "four days" in coming_text.no_outlook(None, NOW, PARIS).detail


@pytest.mark.parametrize("quantity", list(FANS))
@pytest.mark.parametrize("width", [390, 1280])
def test_the_plot_is_sound_and_holds_the_fan(one, quantity, width):
    view = View(int(one.look.edges_ms[0]), int(one.look.edges_ms[-1]), PARIS, "C", width)
    plot = coming_plot(one, quantity, view, theme("day"), Beside("with the change", one.fan))
    go.Figure(plot)
    middle = next(trace for trace in plot["data"] if trace["name"] == "Front bench")
    expected = fan_of(one.fan, quantity, scale(quantity, "C"))[1]
    np.testing.assert_array_equal(middle["y"], expected)
    second = next(trace for trace in plot["data"] if trace["name"] == "with the change")
    assert second["marker"]["symbol"] == "circle-open"  # told apart by shape
    assert any(t["name"] == "outdoors" for t in plot["data"]) == (
        quantity in ("temperature", "dew_point")
    )
    assert "lowest about" in summary(one, quantity, view)


def test_fahrenheit_is_drawn_in_fahrenheit(one):
    at = {u: fan_of(one.fan, "temperature", scale("temperature", u)) for u in ("C", "F")}
    np.testing.assert_allclose(at["F"], 1.8 * at["C"] + 32)


WORKS = [
    ({"water": "2,5"}, "C", Change(water_l_day=2.5, volume_m3=60.0)),
    ({"setting": "64.4"}, "F", Change(setting_c=18.0, volume_m3=60.0)),
    ({"setting": "86"}, "F", Change(setting_c=30.0, volume_m3=60.0)),
    (
        {"window": "open", "start": "6", "lasts": "2"},
        "C",
        Change(window_ach=8.0, volume_m3=60.0, start=6, stop=8),
    ),
    (
        {"water": "1", "volume": "75", "start": "119"},
        "C",
        Change(water_l_day=1.0, volume_m3=75.0, start=119, stop=STEPS),
    ),
    # Source: NIST Handbook 44, appendix C: 1 gal = 3.785412 L, 1 ft³ = 0.02831685 m³. From memory.
    ({"water": "1", "volume": "1000"}, "F", Change(water_l_day=3.785412, volume_m3=28.31685)),
    ({"water": "10.5", "volume": "180"}, "F", Change(water_l_day=39.746826, volume_m3=5.097033)),
    ({"volume": "75", "start": "3"}, "C", None),
    ({}, "C", None),
]
REFUSED = [
    ("water", "much", "C"),
    ("water", "-1", "C"),
    ("water", "41", "C"),
    ("setting", "31", "C"),
    ("setting", "4.9", "C"),
    ("setting", "20", "F"),
    ("start", "120", "C"),
    ("lasts", "0", "C"),
    ("volume", "3", "C"),
    ("water", "nan", "C"),
    ("window", "broken", "C"),
    ("water", "11", "F"),
    ("volume", "100", "F"),
]


@pytest.mark.parametrize(("typed", "unit", "wanted"), WORKS)
def test_what_is_typed_becomes_a_change(typed, unit, wanted):
    found = change(typed, 60.0, unit)
    if wanted is None:
        assert found is None
    else:
        told, wanted = (
            [v for v in dataclasses.astuple(c) if v is not None] for c in (found, wanted)
        )
        assert told == pytest.approx(wanted, rel=1e-5)


@pytest.mark.parametrize(("name", "text", "unit"), REFUSED)
def test_what_cannot_be_is_refused_at_its_field(name, text, unit):
    with pytest.raises(Rejected) as caught:
        change({name: text}, 60.0, unit)
    (fault,) = caught.value.faults
    assert fault.field == name
    assert fault.allowed in fault.at_field()


def answered(shop, book, **request):
    return coming_page.answered(BENCH, "humidity", request, {"width": 1280}, shop, book)


def text_of(parts):
    return " ".join(str(p.children) for p in parts)


def test_water_makes_it_damper_by_a_range_that_grows_with_the_unknown_air_change(shop, book, one):
    plot, _, said, faults = answered(shop, book, water="4", setting="", volume="75")
    assert not faults
    assert any(trace["name"] == "with the change" for trace in plot["data"])
    assert "air change" in text_of(said)
    assert "humidifier" in text_of(said).lower()
    at = worst(one)
    other = book.changed(one, Change(water_l_day=4.0, volume_m3=75.0))
    wet = np.quantile(other.look.air[1][:, at.step], [0.1, 0.5, 0.9])
    assert wet[1] > at.rh_pct.middle
    assert wet[2] - wet[0] > at.rh_pct.high - at.rh_pct.low


def test_a_fault_is_told_at_the_field_and_nothing_is_drawn_for_it(shop, book):
    plot, _, said, faults = answered(shop, book, water="9999")
    assert "0 to 40 L" in faults["water"]
    assert not any(trace["name"] == "with the change" for trace in plot["data"])
    assert "marked" in text_of(said)


def test_instruments_moved_where_no_outlook_is_says_so(shop, book):
    _, _, said, _ = answered(shop, book, elsewhere="varnish-room")
    assert "No outlook of" in text_of(said)


def test_the_page_below_holds_score_good_hours_and_what_it_rests_on(shop, book):
    head, below = coming_page.head_and_details(BENCH, shop, book, NOW)
    sure = re.search(r"The chance is [^(]*\(([a-z ]+)\)", str(head))
    verb = {"almost certain": "will be", "likely": "will probably be"}.get(sure[1], "may be")
    assert head[0].children[1].children.startswith(f"Front bench {verb} below 40 % RH from about ")
    text = str(below[0].to_plotly_json())
    for word in ("Expected spells", "Good hours", "Accuracy here", "Based on"):
        assert word in text, word
    for said in (
        "Based on the forecast from demo",
        "not been tested on this shop's readings yet",
        "RH does not show how often",
    ):
        assert said in text, said


def test_the_accuracy_of_what_was_issued_is_shown_beside_that_of_the_walk(shop, book):
    fit = files.fit(shop.settings, BENCH)
    walk = Score(24, 400, 0.1, 2.5, 1.5, 0.81, 4.0, 3.5, 0.62, 0.7)
    seen = walk._replace(mae=3.1, of_persistence=0.77)
    snaps = SnapScore(2, 1, 1, 30.0, 1, 0.5, 2, 0.2)
    issued = files.IssuedScore(12.4, (seen,), snaps)
    files.keep(shop.settings, dataclasses.replace(fit, scores=(walk,), issued=issued))
    try:
        _, below = coming_page.head_and_details(BENCH, shop, book, NOW)
    finally:
        files.keep(shop.settings, fit)
    text = str(below[0].to_plotly_json())
    for said in (
        "The outlooks that you saw in the last 12 days: 24 h ahead, the mean error was 3.1 % RH.",
        "Of 2 dry snaps 1 was expected in time, 30 h before (median); false alarms 1.",
        "Tested on this shop's own readings. 24 h ahead, the mean error was 2.5 % RH.",
        "Accuracy of the outlooks shown",
    ):
        assert said in text, said
    assert text.index("3.1 %") < text.index("2.5 %")


def test_what_comes_in_cold_is_to_warm_in_its_case_only_where_dew_would_form(one):
    def outdoors(temp_c, unit="F"):
        launch = one.look.launch
        air = launch.air._replace(temp_c=np.full_like(launch.air.temp_c, temp_c))
        look = dataclasses.replace(one.look, launch=dataclasses.replace(launch, air=air))
        return coming_text.cold_advice(dataclasses.replace(one, look=look), PARIS, unit)

    assert "about 14 °F outdoors, and" in outdoors(-10.0)
    assert "about 0 °C outdoors, and" in outdoors(-0.2, "C")  # not −0
    room_c, rh_pct = np.median(one.look.air[:, :, 0], axis=1)
    hours = shut_hours(slowest_case(), -10.0, room_c, rh_pct)
    assert outdoors(-10.0).endswith(leave_shut(hours))
    assert hours is None or f"for at least {hours} hours" in outdoors(-10.0)
    assert outdoors(22.0) == ""


def test_a_newer_forecast_that_is_doubted_is_said_not_to_be_used(shop, book):
    assert "not used" not in str(
        [p.to_plotly_json() for p in coming_page.head_and_details(BENCH, shop, book, NOW)[0]]
    )
    valid = NOW + HOUR * np.arange(30, dtype=np.int64)
    fields = (np.full(30, value) for value in (20.0, 50.0, 2.0, 1e5))
    doubt = "it was 14 K warmer: another place?"
    far = Forecast("folder", None, NOW - 60_000, valid, *fields, doubt=doubt)
    with (
        contextlib.closing(Writer(shop.settings.store_path)) as writer,
        writer.connection.transaction() as run,
    ):
        forecasts.add(run, far, NOW - 60_000)
    head, _ = coming_page.head_and_details(BENCH, shop, book, NOW)
    assert head[-1].children == (
        "The forecast from folder, issued 13:06, is not used: it was 14 K warmer: another place?"
    )
    assert head[-1].className == "caution"


def test_the_page_says_how_far_the_learning_is(shop, book):
    home = home_of(shop.settings)
    turn = home.take(LEARN, BENCH, When(NOW, ""))
    home.note(turn, 3, 12)
    try:
        head, _ = coming_page.head_and_details(BENCH, shop, book, NOW)
    finally:
        home.drop(turn)
    assert book.progress() is None
    assert "day 3 of 12" in str([part.to_plotly_json() for part in head])


def test_a_place_without_an_outlook_says_why(shop, book):
    head, below = coming_page.head_and_details("varnish-room", shop, book, NOW)
    assert below == []
    assert "There is no outlook yet" in str(head[0].to_plotly_json())


def test_the_ribbon_holds_the_fan_the_band_and_what_happens(one):
    told = with_spells(one, dry=SNAP)
    low, high = coming_wall.scale(told)
    assert low < min(one.fan.rh_pct.min(), one.low_pct)
    assert high > max(one.fan.rh_pct.max(), one.high_pct)
    text = str(coming_wall.strip(told, NOW, PARIS, "C").to_plotly_json())
    assert "9 in 10 chance of dry air" in text
    assert "band 40 to 60 %" in text


def test_the_app_has_the_page(shop):
    from dashboard.app import create_app

    create_app(shop.settings)
    assert any(page["path"] == "/coming" for page in dash.page_registry.values())


def plates_of(one, closable, low=-1.4, middle=-1.1, high=-0.8):
    part = PRESETS["violin"][0]
    told = PartProjection(
        part,
        41,
        0.6,
        QuantileRange(low, middle, high),
        QuantileRange(-0.8, -0.6, -0.4),
        np.full(STEPS, 8.0),
    )
    return PlatesProjection((told,), np.asarray(closable))


NEAR = "near enough to its home moisture to be closed"


def instrument(*, opened=True, home=True):
    return SimpleNamespace(
        reference="VN-30", open_now=opened, home=HomeAir(20.0, 50.0 if home else None)
    )


@pytest.mark.parametrize(
    ("closable", "told"),
    [
        (np.arange(STEPS) >= 60, f"it is not {NEAR} before Mon 02:00."),
        (np.arange(STEPS) < 20, f"it is {NEAR} until tomorrow 09:00."),
        (np.zeros(STEPS, bool), f"it is not {NEAR} in the next five days."),
        (np.ones(STEPS, bool), f"it stays {NEAR} for the next five days."),
    ],
)
def test_plates_tell_how_far_when_and_leave_the_answer_on_closing_to_wood(one, closable, told):
    found = (instrument(), plates_of(one, closable), one, NOW, PARIS)
    text = plates_text.plate_and_closing_words(*found)
    assert text.startswith(
        "VN-30, top: 1.1 points below its home moisture by Sun 07:00 (0.8 to 1.4); "
        "0.6 mm narrower."
    )
    assert text.endswith(f"By the outlook {told} Wood shows whether it is safe to close.")
    assert "close" not in plates_text.plate_words(*found)


def test_a_closed_instrument_or_one_of_an_unknown_home_is_told_nothing_of_closing(one):
    found = plates_of(one, np.zeros(STEPS, bool))
    for which in (instrument(opened=False), instrument(home=False)):
        assert "lose" not in plates_text.plate_and_closing_words(which, found, one, NOW, PARIS)


def test_a_range_across_its_rest_begins_at_none(one):
    found = plates_of(one, np.ones(STEPS, bool), low=-0.3, middle=0.1, high=0.5)
    assert "(0.0 to 0.5)" in plates_text.plate_words(instrument(), found, one, NOW, PARIS)


def test_water_and_room_are_told_in_the_readers_measures(shop, book, one):
    look = dataclasses.replace(one.look, water=Water(1.0, 2.4, 5.3, 20), hold_pct=45.0)
    told = with_spells(dataclasses.replace(one, look=look), dry=SNAP)
    us = coming_text.headline(told, NOW, PARIS, "F").detail
    assert "0.6 gal of water a day (0.3 to 1.4 gal)" in us
    assert "2120 ft³" in us
    metric = coming_text.headline(told, NOW, PARIS, "C").detail
    assert "2.4 L of water a day (1.0 to 5.3 L)" in metric
    assert "60 m³" in metric


def cold(one, book, outdoor_c, **look):
    """The outlook in a hard frost: the room as it was, outdoors so cold throughout."""
    air = one.look.launch.air
    air = air._replace(temp_c=np.full_like(air.temp_c, outdoor_c))
    launch = dataclasses.replace(one.look.launch, air=air)
    return summary_of(book, one, dataclasses.replace(one.look, launch=launch, **look))


@pytest.mark.parametrize(
    ("sort", "late"), [("damp", "Glue before the spell begins"), ("dry", "start it in time")]
)
def test_no_advice_comes_too_late_once_a_spell_has_begun(one, sort, late):
    begun = SNAP._replace(begins_h=OutlookRange(0.0, 0.0, 2.0))
    for spell, given in ((SNAP, True), (begun, False)):
        said = coming_text.headline(with_spells(one, **{sort: spell}), NOW, PARIS, "C").detail
        assert (late in said) == given
    assert {"damp": "Do not glue here now.", "dry": "start it now."}[sort] in said


def summary_of(book, one, look):
    return outlook_summary.described(
        book._shop.settings, one.place, look, book._shop.opening_hours()
    )


@pytest.mark.parametrize("outdoor_c", [-25.0, -15.0, -5.0, 3.0])
def test_no_advice_on_water_goes_beyond_what_the_walls_bear(book, one, outdoor_c):
    made = cold(one, book, outdoor_c)
    safe = made.safe.least
    assert safe.outdoor_temp_c == outdoor_c
    for water in (None, Water(1.0, 2.4, 5.3, 20)):
        look = dataclasses.replace(made.look, water=water, hold_pct=min(45.0, safe.rh_pct))
        told = with_spells(dataclasses.replace(made, look=look), dry=SNAP)
        said = coming_text.headline(told, NOW, PARIS, "C").detail
        if safe.rh_pct < made.high_pct:
            assert f"o not go above {safe.rh_pct:.0f} % RH while it is" in said
            assert ("Fill a clean humidifier" in said) == (water is not None)
            assert "the humidifier" not in said  # there may be none
        assert (INSTEAD.rstrip(".") in said) == (safe.rh_pct < made.low_pct)
        if water is not None:
            assert f"would hold {look.hold_pct:.0f} %" in said


def test_best_hours_for_closing_rest_on_the_wood_of_each_instrument(shop, book, one):
    air = one.look.air.copy()
    air[0], air[1] = 21.0, 50.0  # good for glue throughout
    calm = summary_of(book, one, dataclasses.replace(one.look, air=air))
    near = np.zeros(STEPS - 2, bool)
    assert outlook_summary.closing_hours(shop.settings, calm, near, shop.opening_hours()) is None
    near[80:] = True
    late = outlook_summary.closing_hours(shop.settings, calm, near, shop.opening_hours())
    assert late.start >= 82
    assert calm.closing.start < 82  # by the air alone
    lines = coming_text.good_hours(calm, PARIS, [("VN-1", late), ("VN-2", None)])
    assert lines[0].startswith("Best hours for closing VN-1: ")
    assert lines[1] == "No good hours for closing VN-2 are expected."
    assert "by the air alone" in coming_text.good_hours(calm, PARIS)[0]


def test_a_change_that_wets_the_walls_is_said(book, one):
    made = cold(one, book, -20.0)
    wet = made.look.air.copy()
    wet[1] = 60.0
    other = summary_of(book, made, dataclasses.replace(made.look, air=wet))
    lines = coming_text.comparison(made, other, PARIS, "C", moved=False)
    assert any("Too damp for the walls, chance more than 9 in 10" in line for line in lines), lines
    wet[1] = 20.0
    dry = summary_of(book, made, dataclasses.replace(made.look, air=wet))
    lines = coming_text.comparison(made, dry, PARIS, "C", moved=False)
    assert not any("Too damp for the walls" in line for line in lines)


def test_what_if_at_the_headlines_water_reads_the_level_that_it_promised(book, one):
    look, level = one.look, 50.0
    soon = ensemble_statistics.spell(look.air[1], level, 3, below=True)
    first = round(soon.begins_h.middle)
    water = water_to_hold(look.room, look.launch, look.air[1], level, 60.0, first)
    other = book.changed(one, Change(water_l_day=water.middle, start=water.start))
    line = coming_text.comparison(one, other, PARIS, "C", moved=False)[1]
    head, _, lowest = line.partition(" lowest ")
    assert head == "From Sat 01:00, for 3 h:"
    assert float(lowest.partition(" %")[0]) == pytest.approx(level, abs=1)


def test_where_it_is_dry_already_the_water_is_promised_from_half_a_day_on(one):
    air = one.look.air.copy()
    air[1] = 42.0
    look = dataclasses.replace(one.look, air=air, water=Water(1.0, 2.4, 5.3, 0), hold_pct=45.0)
    told = with_spells(dataclasses.replace(one, look=look), dry=SNAP)
    assert (
        "would hold 45 % from Sat 01:00 on" in coming_text.headline(told, NOW, PARIS, "C").detail
    )
    calm = dataclasses.replace(look, air=air + 5.0)
    told = dataclasses.replace(told, look=calm)
    assert "would hold 45 %, even in" in coming_text.headline(told, NOW, PARIS, "C").detail


def test_a_known_air_change_is_told_with_its_range_and_so_is_why_fills_do_not_tell(one):
    room = dataclasses.replace(one.look.room, refused="")
    look = dataclasses.replace(one.look, room=room)
    unknown = coming_room_text.room_words(dataclasses.replace(one, look=look), "C", "3 of the 5 …")
    assert "RH does not show how often" in unknown[-2]
    assert unknown[-1] == (
        "The measured fills of its humidifier do not show the air change yet: 3 of the 5 …."
    )
    told = dataclasses.replace(room, pinned=FillCalibration(room.water, 0.3, 0.8))
    look = dataclasses.replace(look, room=told)
    known = coming_room_text.room_words(dataclasses.replace(one, look=look), "C", "")
    assert known[-1] == (
        "Its air was changed 0.8 (0.5 to 1.2) times an hour on average, according to the weighed "
        "fills of its humidifier."
    )
    for is_known, words in (
        (True, "weighed fills recorded here"),
        (False, "air change is not known"),
    ):
        said = coming_page.coming_view.answer(["x"], Change(water_l_day=1.0), known=is_known)
        assert words in text_of(said)
        assert "clean a humidifier every day" in text_of(said)  # the caution stays


@pytest.mark.parametrize(
    ("chance", "told"),
    [
        (0.9, "Best hours for varnish: Fri 18:00 to Fri 22:00, chance 9 in 10."),
        (
            0.14,
            "No hours are likely to be good for varnish. The best are Fri 18:00 to Fri 22:00, "
            "chance 1 in 10.",
        ),
        (None, "No good hours for varnish are expected."),
    ],
)
def test_hours_that_hardly_suit_are_not_told_as_good(one, chance, told):
    stretch = None if chance is None else ensemble_statistics.GoodHours(5, 4, chance)
    other = dataclasses.replace(one, varnishing=stretch, closing=None)
    assert coming_text.good_hours(other, PARIS)[1] == told
    view = View(int(one.look.edges_ms[0]), int(one.look.edges_ms[-1]), PARIS, "C", 1280)
    good = str(coming_plot(other, "humidity", view, theme("day"), None)["layout"])
    assert ("good to varnish" in good) is (chance == 0.9)


def test_a_chance_on_the_rh_axis_is_called_a_chance(one):
    told = with_spells(one, dry=SNAP._replace(chance=0.31))
    view = View(int(told.look.edges_ms[0]), int(told.look.edges_ms[-1]), PARIS, "C", 1280)
    plot = coming_plot(told, "humidity", view, theme("day"), None)
    (mark,) = [trace for trace in plot.data if trace.mode == "markers"]
    (words,) = [one for one in plot.layout.annotations if "dry air" in one.text]
    assert words.text == "▼ 3 in 10 chance of dry air"
    assert (words.yref, words.y, words.yanchor) == ("paper", 1, "bottom")  # clear of the curves
    assert mark.hovertemplate.endswith("<br>3 in 10 chance<extra></extra>")
    ribbon = str(coming_wall.strip(told, NOW, PARIS, "C").to_plotly_json())
    assert "3 in 10 chance of dry air" in ribbon
    assert "dry, 31 %" not in ribbon
    assert plot.layout.yaxis.title.text == "Relative humidity [% RH]"


def test_what_is_furthest_off_now_is_not_told_as_coming(one):
    found = plates_of(one, np.ones(STEPS, bool))
    first = found.parts[0]._replace(step=0)
    text = plates_text.plate_words(instrument(), found._replace(parts=(first,)), one, NOW, PARIS)
    assert text.startswith(
        "VN-30, top: 1.1 points below its home moisture now; no further in the next five days;"
    )


def test_the_licence_line_of_the_source_stands_where_its_forecast_is_shown(shop, book, one):
    from dataclasses import replace

    from monitor.domain.forecast_source import ForecastSource

    source = ForecastSource(id=one.look.source, service="met-norway")
    shop.settings = replace(shop.settings, forecasts=(source,))
    _, below = coming_page.head_and_details(BENCH, shop, book, NOW)
    shown = " ".join(str(part.to_plotly_json()) for part in below)
    assert "Weather data from MET Norway, CC BY 4.0" in shown
    shop.settings = replace(shop.settings, forecasts=())
    _, below = coming_page.head_and_details(BENCH, shop, book, NOW)
    assert "CC BY" not in " ".join(str(part.to_plotly_json()) for part in below)


@pytest.mark.parametrize(("asked", "chosen"), [("dew_point", "dew_point"), ("<x>", "humidity")])
def test_the_address_holds_the_quantity(shop, book, asked, chosen):
    page = coming_page.layout(shop, book, {"quantity": asked})
    (field,) = (one for one in page._traverse() if getattr(one, "id", "") == "coming-quantity")
    assert field.value == chosen


def test_what_the_outlook_lacks_and_whose_range_it_gives_is_said(one, shop):
    fit = files.fit(shop.settings, BENCH)

    def said(**changes):
        return coming_text.rests_on(
            dataclasses.replace(one, look=dataclasses.replace(one.look, **changes)), fit, PARIS
        )

    assert "With 14 days or more it is more accurate" in said()  # of eight days
    ends = f"It ends {local(one.at_ms(70), PARIS):%a %H:%M}. After that, the usual weather"
    assert ends in said(reaches_h=70)
    assert "It ends" not in said(reaches_h=120)
    assert "no outdoor sensor" not in said()
    assert "no outdoor sensor" in said(outdoors=False)
    assert "There is no forecast" in said(source="", outdoors=False)
    assert "Was the sensor moved" not in said(held=0.6)
    assert "100 readings in the last three days 30 were in the range" in said(held=0.3)
    assert "Was the sensor moved" not in said(held=float("nan"))
    assert "members" not in said()
    members = files.WeatherMembers(20, 96, 31.2)
    words = said(members=members)
    assert "The forecast has 20 members: each is one way in which the weather may go on" in words
    ends = f"{local(one.at_ms(96), PARIS):%a %H:%M}"
    assert f"They end {ends}. Their spread is corrected by their errors in the last 31" in words
    assert "not corrected yet" in said(members=dataclasses.replace(members, days=0.0))
    assert "The forecast has only 3 members: at least 5" in said(
        members=files.WeatherMembers(3, 0, 0.0)
    )
    assert "no members, although earlier" in said(members=files.WeatherMembers(0, 0, 12.0))
    # ±2 % RH (k = 2) and a range of ±1 %: the half widths add in square, 1.28 of a standard deviation.
    air = one.look.air.copy()
    air[1, :, 0] = np.where(np.arange(air.shape[1]) % 2, 51.0, 49.0)
    words = said(air=air, u_rh_pct=2.0)
    assert "what the sensor reads: ±1.0 % RH one hour ahead" in words
    assert f"For the air itself it is ±{np.hypot(1, 1.2816):.1f} %" in words
    assert "an error of its own: up to 1.3 % in 8 of 10 cases" in words


def test_rules_see_the_same_by_an_outlook_that_is_kept_until_there_is_a_new_one(shop):
    settings = shop.settings
    hours = settings.hours.model_dump()
    place = next(one for one in settings.places if one.id == BENCH)
    kept = KeptOutlooks(settings)

    def seen(one):
        sight = Snapshot(settings, [], [], [], [], {}, {}, ServiceTroubles(), NOW)
        of = ("dry_snap", "dry_spell_chance", "damp_spell_chance", "hot_spell_chance")
        return [_coming(quantity, one, sight) for quantity in of], walls_allow_no_water(one)

    first = kept.of(place, NOW, hours)
    assert kept.of(place, NOW + 60_000, hours) is first
    assert repr(seen(first)) == repr(seen(foreseen(settings, place, NOW, hours)))
    assert first.look.air.nbytes < 100_000
    assert kept.of(place, NOW + FRESH_MS, hours) is None
    files.keep(settings, files.look(settings, place.id, NOW))
    assert kept.of(place, NOW, hours) is not first
    assert kept.of(dataclasses.replace(place, id="elsewhere"), NOW, hours) is None


def test_the_highest_safe_humidity_is_said_once(one):
    safe = SafeAhead(np.full(STEPS, 47.0), SafeHumidity(47.0, ColdSurface.CORNER, -5.0))
    limited = dataclasses.replace(one, safe=safe, wet_walls=SNAP)
    limit, chance = "Do not go above 47 % RH while", "Chance that it gets damper than 47 % RH"
    for cold in (with_spells(limited, dry=SNAP), with_spells(limited)):
        said = coming_text.headline(cold, NOW, PARIS, "C").detail
        said += " ".join(coming_text.walls(cold, "C"))
        assert said.count(limit) == 1
        assert said.count(chance) == 1
