"""The climate record from the store to the terminal and the page."""

from __future__ import annotations

import csv
import importlib
import io
import json
import os
import pkgutil
from contextlib import closing
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air
import numpy as np
import plotly.graph_objects as go
import pytest
from board_requests import draw_view, said
from typer.testing import CliRunner

import monitor.science.climate
from dashboard.data.shop import ShopData
from dashboard.past import climate_figure as past_climate_figure
from dashboard.past import climate_page as past_climate_page
from dashboard.past import page as past_page
from dashboard.past import view_page
from dashboard.past.selection import Done
from dashboard.ui.themes import THEMES
from monitor.air import climate_report
from monitor.cli import app as cli
from monitor.core.clock import now_ms, to_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.places import Place
from monitor.science.air import relative_humidity_at
from monitor.store import Reader, Writer

HOUR, DAY = 3_600_000, 86_400_000
PARIS = ZoneInfo("Europe/Paris")
BENCH, OTHER = Place(id="bench", name="Front bench"), Place(id="other")
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
START = to_ms(datetime(2025, 1, 1, tzinfo=UTC))


def write(path, columns, start=START, step=HOUR):
    """Columns of (place, sensor, quantity) to values, a value each step; NaN is none."""
    with closing(Writer(path)) as writer:
        for (place, sensor, quantity), values in columns.items():
            writer.write(
                [
                    Reading(Series(place, sensor, quantity), start + i * step, float(v))
                    for i, v in enumerate(values)
                    if not np.isnan(v)
                ]
            )


def record(path, places=(BENCH,), days=396, start=START, zone=PARIS):
    with closing(Reader(path)) as reader:
        return climate_report.climate_record(reader, "x", places, start, start + days * DAY, zone)


def test_the_record_is_made_of_hour_means(tmp_path):
    """Rung: property."""
    values = 50 + 10 * np.sin(np.arange(6 * 24 * 70) / 400)
    write(tmp_path / "s", {("bench", "a", RH): values}, step=600_000)
    found = record(tmp_path / "s")
    assert found.air.rh_pct == pytest.approx(values.reshape(-1, 6).mean(axis=1), abs=1e-9)
    assert (found.air.ts_ms - START - HOUR // 2 == HOUR * np.arange(24 * 70)).all()


def test_a_second_sensor_fills_the_gaps_of_the_first(tmp_path):
    """Rung: property."""
    first = np.full(24 * 70, 40.0)
    first[100:200] = np.nan
    write(
        tmp_path / "s",
        {
            ("bench", "a", RH): first,
            ("bench", "a", T): np.full(24 * 70, 20.0),
            ("bench", "b", RH): np.full(24 * 70, 60.0),
            ("bench", "b", T): np.full(24 * 70, 22.0),
        },
    )
    air = record(tmp_path / "s").air
    assert set(air.rh_pct[100:200]) == {60.0}
    assert set(air.temp_c[100:200]) == {22.0}
    assert set(air.rh_pct[:100]) == {40.0}


def test_several_places_make_the_mean_of_those_with_readings(tmp_path):
    """Rung: property."""
    half = np.full(24 * 70, 60.0)
    half[500:] = np.nan
    write(tmp_path / "s", {("bench", "a", RH): np.full(24 * 70, 40.0), ("other", "b", RH): half})
    air = record(tmp_path / "s", (BENCH, OTHER)).air
    assert set(air.rh_pct[:500]) == {50.0}
    assert set(air.rh_pct[500:]) == {40.0}


def test_outdoors_is_no_part_of_the_shop():
    """Rung: property."""
    out = Place(id="out", kind="outdoors")
    assert climate_report.indoors([BENCH, out, OTHER]) == [BENCH, OTHER]


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (
            396,
            "Based on 396 days, 100 % of their hours recorded. This gives a whole year of results.",
        ),
        (270, "needs 13 months (395 days) of readings. There are 270 days"),
        (20, "There are 20 days of readings. A provisional band needs 60"),
        (0, "There are no readings of humidity in this span."),
    ],
)
def test_the_standing_says_how_far_the_record_can_be_relied_on(tmp_path, days, words):
    """Rung: property."""
    write(tmp_path / "s", {("bench", "a", RH): np.full(24 * days, 50.0)})
    found = record(tmp_path / "s")
    assert words in found.reliability
    assert (found.band is None) == (days < 60)
    assert (
        bool(climate_report.band_words(found))
        == bool(climate_report.class_words(found))
        == (days >= 60)
    )


def test_nights_without_readings_are_told_as_the_reason(tmp_path):
    """Rung: property."""
    values = np.full(24 * 300, 50.0)
    values[np.arange(len(values)) % 24 >= 9] = np.nan
    write(tmp_path / "s", {("bench", "a", RH): values})
    found = record(tmp_path / "s")
    assert found.band is None
    assert found.reliability.startswith("38 % of the hours in 299 days were recorded")


def test_months_are_those_of_the_shop_right_across_clock_changes(tmp_path):
    """Rung: property."""
    write(tmp_path / "s", {("bench", "a", RH): np.full(24 * 396, 50.0)})
    found = record(tmp_path / "s")
    local = [datetime.fromtimestamp(m.from_ms / 1000, PARIS) for m in found.months]
    assert [(m.month, m.day, m.hour) for m in local] == [(i % 12 + 1, 1, 0) for i in range(13)] + [
        (2, 1, 0)
    ]
    assert {m.kept.name for m in found.months} == {"AA"}


def test_mould_is_judged_at_a_measured_surface(tmp_path):
    """Rung: property."""
    n = 24 * 70
    surface = np.where(np.arange(n) < 48, 12.0, 20.0)
    write(
        tmp_path / "s",
        {
            ("bench", "a", RH): np.full(n, 60.0),
            ("bench", "a", T): np.full(n, 20.0),
            ("bench", "w", Quantity.SURFACE_TEMPERATURE): surface,
        },
    )
    found = record(tmp_path / "s")
    assert relative_humidity_at(20.0, 60.0, 12.0) > 82  # what 10 °C needs; 12 °C needs less
    assert found.at_surface
    assert found.mould.hours == 48
    assert "48 hours" in climate_report.mould_words(found)
    assert "measured surface" in climate_report.mould_words(found)


def test_what_to_do_about_mould_is_said_indoors_only(tmp_path):
    """Rung: property."""
    write(
        tmp_path / "s",
        {("bench", "a", RH): np.full(240, 90.0), ("bench", "a", T): np.full(240, 20.0)},
    )
    assert "follow your local health authority" in climate_report.mould_caution(
        record(tmp_path / "s")
    )
    yard = Place(id="bench", kind="outdoors")
    assert climate_report.mould_caution(record(tmp_path / "s", (yard,))) == ""


def test_a_share_is_never_rounded_to_all_or_nothing():
    """Rung: property."""
    shares = (0.0, 0.0004, 0.031, 0.46, 0.9999, 1.0)
    assert [climate_report.share_words(s) for s in shares] == [
        "0.0 %",
        "under 0.1 %",
        "3.1 %",
        "46 %",
        "99 %",
        "100 %",
    ]


MODULES = [
    m.name
    for m in pkgutil.iter_modules(monitor.science.climate.__path__, "monitor.science.climate.")
]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_give_what_they_show(name):
    """Rung: property."""
    import doctest

    assert doctest.testmod(importlib.import_module(name)).failed == 0


# The page and the command, on a year of an invented shop


@pytest.fixture(scope="module")
def year(tmp_path_factory):
    """Thirteen months and a day up to now, and a damp spell in them."""
    settings = shop_air.settings_in(tmp_path_factory.mktemp("year"))
    now = now_ms()
    with closing(Writer(settings.store_path)) as writer:
        for place in shop_air.PLACES:
            shop_air.fill(
                writer, place, now - 397 * DAY, now, HOUR, gap=(now - 250 * DAY, now - 245 * DAY)
            )
        shop_air.damp(writer, "front-bench", now - 100 * DAY, days=3)
    shop_air.beat(settings)
    return settings


@pytest.fixture(scope="module")
def found(year):
    shop = ShopData(year)
    with shop.reader() as reader:
        bench = next(p for p in shop.places(reader) if p.id == "front-bench")
    return shop.climate(bench, now_ms())


@pytest.mark.slow
def test_the_page_says_band_standing_classes_and_mould(year, found):
    """Rung: property."""
    text = said(past_climate_page.record_sentences(found, "front-bench", ShopData(year)))
    assert "Front bench." in text
    assert "a whole year of results" in text
    assert climate_report.BAND_IS_FOR in text
    assert "Class " in text
    for name in ("AA", "A1", "A2", "B", "C", "D"):
        assert f" {name} " in text
    assert "°C" in text
    assert "Mould" in text


@pytest.mark.slow
def test_the_table_holds_those_furthest_outside_first(year, found):
    """Rung: property."""
    assert len(found.exceedances) > past_climate_page.WORST_SHOWN
    table = past_climate_page._exceedance_table(found, year.zone)
    rows = table.children.children[1].children
    by = [float(said(row.children[1]).split()[0]) for row in rows]
    assert len(by) == past_climate_page.WORST_SHOWN
    assert by == sorted(by, reverse=True)
    assert by[0] == pytest.approx(max(e.beyond_pct for e in found.exceedances), abs=0.05)


@pytest.mark.parametrize("width", [390, 1920])
def test_the_plot_is_a_sound_figure_with_line_band_and_marks(found, width):
    """Rung: property."""
    look = THEMES["day"]
    plot = go.Figure(past_climate_figure.climate_plot(found, PARIS, look, width))
    names = [trace.name for trace in plot.data]
    assert {"target band", "lower limit", "upper limit", "daily mean"} <= set(names)
    marks = [t for t in plot.data if t.mode == "markers"]
    assert sum(len(t.x) for t in marks) == len(found.exceedances)
    assert {t.marker.symbol for t in marks} <= {"triangle-down", "triangle-up"}
    line = next(t for t in plot.data if t.name == "daily mean")
    assert 396 <= len(line.x) <= 398
    gap = np.isnan(np.array(line.y, float))
    assert 4 <= gap.sum() <= 5  # the gap is a gap
    wash = [t for t in plot.data if t.name == "target band"]
    assert len(wash) >= 1
    assert bool(plot.layout.annotations) == (width > 600)


def test_a_day_of_the_plot_is_a_local_day(found):
    """Rung: property."""
    days = past_climate_figure.days_of(found, PARIS)
    known = ~np.isnan(days.rh_pct)
    noons = {datetime.fromtimestamp(ms / 1000, PARIS).hour for ms in days.at_ms[known].tolist()}
    assert noons <= {11, 12, 13}  # noon; the day of a clock change has it an hour off
    assert days.low_pct[~np.isnan(days.low_pct)].min() >= 0


@pytest.fixture
def client(year):
    return shop_air.board_client(year)


def ask(
    client, *, place="", pressed=(0, 0, 0), trigger="token.data", end=None, drawn=None, theme="day"
):
    screen = {"theme": "day", "width": 1920}
    view = {"span": "year", "quantity": "humidity", "places": ""} | (
        {"end": str(end)} if end else {}
    )
    held = {"climate-view": {"data": view}}
    if drawn:
        held["climate-seen"] = {"data": Done(screen=screen, drawn=drawn)._asdict()}
    values = {"climate-places": place, "screen": screen | {"theme": theme}}
    return draw_view(client, "climate", values, held=held, pressed=pressed, trigger=trigger)


@pytest.mark.slow
def test_the_page_draws_the_shop_and_each_place(client):
    """Rung: property."""
    for place, name in (("", "Shop"), ("front-bench", "Front bench"), ("outdoors", "Outdoors")):
        answer = ask(client, place=place)
        assert answer.status_code == 200
        response = json.loads(answer.data)["response"]
        assert f'"{name}. "' in json.dumps(response["climate-words"])
        assert len(response["climate-plot"]["figure"]["data"]) > 3


def test_a_year_without_readings_is_told_in_words(client):
    """Rung: property."""
    end = now_ms() - 900 * DAY
    response = json.loads(ask(client, end=end).data)["response"]
    assert "There are no readings of humidity in this span." in json.dumps(response)
    assert response["climate-plot"]["figure"]["data"] == []


def test_new_readings_redraw_only_what_shows_the_present(client):
    """Rung: property."""
    now = now_ms()
    assert ask(client, drawn=now).status_code == 204
    assert ask(client, drawn=now - 5 * HOUR).status_code == 200
    assert ask(client, drawn=now - 5 * HOUR, end=now - 300 * DAY).status_code == 204


@pytest.mark.parametrize(
    "meant", [{"place": "outdoors"}, {"pressed": (1, 0, 0)}, {"theme": "night"}]
)
def test_what_the_reader_did_is_drawn_though_new_readings_came_in_between(client, meant):
    """Rung: property."""
    assert ask(client, drawn=now_ms(), **meant).status_code == 200


def test_presses_step_the_record_and_now_takes_it_back(client):
    """Rung: property."""

    def end_after(**more):
        answer = json.loads(ask(client, drawn=now_ms(), **more).data)
        end = answer["response"]["climate-view"]["data"].get("end")
        return end and int(end)

    assert 364 * DAY <= now_ms() - end_after(pressed=(1, 0, 0)) <= 367 * DAY
    assert end_after(pressed=(1, 0, 1), end=now_ms() - 700 * DAY) >= now_ms() - 367 * DAY
    assert end_after(pressed=(0, 0, 1), end=now_ms() - 700 * DAY) is None


def test_the_download_holds_every_exceedance(client, found):
    """Rung: property."""
    end = found.end_ms
    answer = client.get(f"/past/climate.csv?place=front-bench&end={end}")
    assert answer.status_code == 200
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert len(rows) == len(found.exceedances)
    assert [float(r["beyond_pct"]) for r in rows] == pytest.approx(
        [e.beyond_pct for e in found.exceedances], abs=0.006
    )
    assert {r["side"] for r in rows} <= {"below", "above"}
    assert all(r["from_utc"] < r["to_utc"] for r in rows)


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("place=front-bench", "end must be milliseconds"),
        ("place=front-bench&end=x", "end must be milliseconds"),
        ("place=nowhere&end=1700000000000", "There is no place 'nowhere'"),
    ],
)
def test_a_wrong_download_is_refused_with_a_sentence(client, query, words):
    """Rung: property."""
    answer = client.get(f"/past/climate.csv?{query}")
    assert answer.status_code == 400
    assert words in answer.text


def test_past_leads_to_the_record(year):
    """Rung: property."""
    shop = ShopData(year)
    assert "/past/climate" in str(view_page.layout(shop, past_page.view_of(shop), {}))


def test_a_missing_store_is_told_on_the_page(tmp_path):
    """Rung: property."""
    shop = ShopData(shop_air.settings_in(tmp_path))
    assert "Nothing has been stored yet" in said(
        view_page.layout(shop, past_climate_page.view_of(shop), {})
    )


@pytest.fixture
def terminal(year, monkeypatch):
    for name in [name for name in os.environ if name.startswith("BENCHWEATHER_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("COLUMNS", "200")

    def call(*arguments, code=0):
        folder = str(year.store_path.parent)
        result = CliRunner().invoke(cli, ["climate", "--data", folder, *arguments])
        assert result.exit_code == code, result.output
        return result.output

    return call


def test_the_command_reports_the_shop_or_a_place(terminal):
    """Rung: property."""
    assert terminal().startswith("Shop, ")
    text = terminal("--place", "front-bench")
    for words in (
        "Front bench, ",
        "a whole year of results",
        "Target band.",
        "Control.",
        "Mould.",
        "furthest outside the band",
    ):
        assert words in text


def test_the_command_takes_a_span_and_says_when_it_is_short(terminal):
    """Rung: property."""
    first = datetime.fromtimestamp(now_ms() / 1000 - 150 * 86_400, UTC).date().isoformat()
    assert "The band is provisional" in terminal("--from", first)
    last = datetime.fromtimestamp(now_ms() / 1000 - 120 * 86_400, UTC).date().isoformat()
    assert "A provisional band needs 60" in terminal("--from", first, "--to", last)


def test_the_command_refuses_what_cannot_be(terminal):
    """Rung: property."""
    assert "It must be one of front-bench, varnish-room, outdoors" in terminal(
        "--place", "loft", code=1
    )
    assert "is not before" in terminal("--from", "2026-02-01", "--to", "2026-01-01", code=2)
    assert "must be a day or time" in terminal("--from", "soon", code=2)
