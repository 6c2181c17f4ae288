"""Views of Past: two places, calendar and EMC map, and the files of all of them."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import dashboard_fixtures as shop_air
import numpy as np
import past_fixtures
import plotly.graph_objects as go
import pytest
from board_requests import HERE, ask_dash, ask_page, draw_view, said

from dashboard.past import (
    calendar_days,
    calendar_figure,
    calendar_page,
    compare_page,
    emc_map_page,
    picture,
    selection,
    view_page,
)
from dashboard.past.emc_map_figure import path_of
from dashboard.past.selection import Choice
from dashboard.ui.plots import View
from dashboard.ui.themes import THEMES
from monitor.air.place_means import Means
from monitor.clients import typst_pdf
from monitor.core.clock import now_ms, to_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.science.wood import equilibrium_moisture_content
from monitor.store import Writer

HOUR, DAY = 3_600_000, 86_400_000
PARIS, SYDNEY = ZoneInfo("Europe/Paris"), ZoneInfo("Australia/Sydney")
LOOK = THEMES["day"]
BAND = (40.0, 60.0)


def at(*parts: int, zone=PARIS) -> int:
    return to_ms(datetime(*parts, tzinfo=zone).astimezone(UTC))


def local(ends, zone=PARIS):
    return tuple(datetime.fromtimestamp(ms / 1000, zone).strftime("%Y-%m-%d %H:%M") for ms in ends)


VIEW = View(at(2026, 11, 1), at(2026, 11, 2), PARIS, "C")


@pytest.fixture
def settings(tmp_path):
    return shop_air.settings_in(tmp_path)


filled, full, client = past_fixtures.filled, past_fixtures.full, past_fixtures.client


# Two places


def side(values, start=0, band=BAND):
    at_ms = HOUR * (start + np.arange(len(values)))
    values = np.asarray(values, float)
    place = type("P", (), {"label": "A"})()
    return compare_page.Side(place, at_ms, values, values, band)


def test_the_difference_is_taken_at_the_same_times_and_in_the_readers_unit():
    at_ms, found = compare_page.difference_of(side([20, 21, 22, 23]), side([19, 24], 1), 1.8)
    assert at_ms.tolist() == [HOUR, 2 * HOUR]
    assert found.tolist() == pytest.approx([3.6, -3.6])
    assert compare_page.difference_of(side([20]), side([19], 5))[1].size == 0


def test_hours_outside_the_band_are_counted_below_and_above():
    row = said(compare_page._row(side([30, 39.9, 40, 60, 60.1, 70, 80]), 1.0))
    assert row == "A 40 to 60 2 h 3 h 5 h (71 %) 7 h"
    assert "no band" in said(compare_page._row(side([30], band=None), 1.0))


def test_two_places_are_compared_in_words_and_a_plot(full):
    choice = Choice(("front-bench", "outdoors"), "temperature", "month", None, None)
    found = compare_page.answered(choice, {"width": 1280}, now_ms(), full)
    drawn = go.Figure(found.figure)
    names = [t.name for t in drawn.data]
    assert {"Front bench", "Outdoors", "difference"} <= set(names)
    line = next(t for t in drawn.data if t.name == "difference")
    assert line.yaxis == "y2"
    assert np.isnan(np.asarray(line.y, float)).any()  # the gap is a gap
    text = said(found.words)
    assert "K higher on average than Outdoors" in text
    same = choice._replace(places=("outdoors", "outdoors"))
    assert "Choose two places." in str(compare_page.answered(same, {}, now_ms(), full).figure)


# Calendar


def hours_of(first, count, value=50.0):
    at_ms = first + HOUR * np.arange(count)
    return Means(at_ms, np.full(count, 20.0), np.full(count, value))


@pytest.mark.parametrize(("day", "hours"), [((2026, 3, 29), 23), ((2026, 10, 25), 25)])
def test_a_day_of_a_clock_change_has_its_own_hours_and_no_others(day, hours):
    start = at(*day)
    days = calendar_days.days_of(hours_of(start, hours), start, start + hours * HOUR, BAND, PARIS)
    assert [(d.day, d.hours) for d in days] == [(date(*day), hours)]


def test_a_day_is_judged_by_its_worst_hour_and_a_gap_stays_one():
    start = at(2026, 11, 1)
    air = hours_of(start, 24)
    air.rh_pct[[3, 4]] = 34.0
    air.rh_pct[9] = 62.0
    days = calendar_days.days_of(air, start, start + 3 * DAY, BAND, PARIS)
    assert len(days) == 3
    assert (days[0].dry_h, days[0].damp_h, days[0].beyond(BAND)) == (2, 1, -6.0)
    assert calendar_days.level(days[0].beyond(BAND)) == -2
    assert days[1].hours == 0
    assert np.isnan(days[1].beyond(BAND))
    (month,) = calendar_days.months_of(days, BAND)
    assert (month.right, month.dry, month.damp, month.unknown) == (0, 1, 1, 2)


@pytest.mark.parametrize("look", THEMES.values(), ids=THEMES)
def test_the_calendar_tells_states_by_marks_and_hatches_what_is_unknown(look):
    start = at(2026, 11, 1)
    air = hours_of(start, 48)
    air.rh_pct[0], air.rh_pct[30] = 20.0, 72.0
    days = calendar_days.days_of(air, start, start + 3 * DAY, BAND, PARIS)
    drawn = calendar_figure.calendar_plot(days, BAND, look)
    marks_shown = {(note.x, note.text) for note in drawn.layout.annotations}
    assert marks_shown == {(1, "▼"), (2, "▲")}
    unknown = next(t for t in drawn.data if t.name == "no readings")
    assert unknown.marker.pattern.shape == "/"
    assert list(unknown.x) == [3]
    assert sum(len(t.x) for t in drawn.data) == 3
    hues = {t.marker.color for t in drawn.data if len(t.x)}
    assert len(hues) == 3


def test_the_year_is_told_in_words_and_a_table(full):
    choice = Choice(("front-bench",), "humidity", "year", None, None)
    found = calendar_page.answered(choice, {}, now_ms(), full)
    text = said(found.words)
    known = int(re.search(r"readings on (\d+) of", text)[1])
    assert 34 <= known <= 38  # forty days less a gap of five
    assert "No readings" in text
    rows = re.findall(r"(\w{3} \d{4})", text)
    assert len(set(rows)) >= 12
    outdoors = choice._replace(places=("outdoors",))
    assert "place indoors" in str(calendar_page.answered(outdoors, {}, now_ms(), full).figure)


def test_the_calendars_file_has_a_line_for_each_day(client):
    answer = client.get(f"/past/calendar.csv?place=front-bench&end={now_ms()}")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert 366 <= len(rows) <= 397
    known = [row for row in rows if row["mean_rh_pct"]]
    assert 34 <= len(known) <= 38
    assert all(float(r["low_rh_pct"]) <= float(r["high_rh_pct"]) for r in known)
    name = answer.headers["Content-Disposition"]
    assert re.search(r'filename="front-bench_calendar_\d{4}-\d\d-01_\d{4}-\d\d-\d\d\.csv"', name)


@pytest.mark.parametrize(
    "query", ["", "place=front-bench", "place=x&end=1795694400000", "place=front-bench&end=5"]
)
def test_a_wrong_calendar_file_is_refused_with_a_sentence(client, query):
    answer = client.get(f"/past/calendar.csv?{query}")
    assert answer.status_code == 400
    assert answer.mimetype == "text/plain"


# EMC map


def test_every_curve_of_the_map_has_its_moisture(full):
    """Rung: identity. The inverse put back into the formula."""
    choice = Choice(("front-bench",), "humidity", "month", None, None)
    found = emc_map_page.answered(choice, {"width": 1280}, now_ms(), full)
    curves = [t for t in found.figure.data if t.name.endswith(" %")]
    assert len(curves) > 6
    for curve in curves:
        known = np.isfinite(curve.y)
        emc = equilibrium_moisture_content(np.asarray(curve.x)[known], np.asarray(curve.y)[known])
        assert emc == pytest.approx(float(curve.name.split()[0]), abs=1e-6)
    assert "wood would settle at" in said(found.words)
    assert "RH alone would have moved it" in said(found.words)


def test_a_long_path_is_drawn_by_days():
    air = hours_of(at(2026, 3, 28), 24 * 40)
    path = path_of(air, VIEW, 800)
    assert path.each == "the mean of a day"
    assert len(path.ts_ms) == 41  # an hour of the last is over, as one day had 23
    assert path.rh_pct == pytest.approx(50.0)


# Few readings


@pytest.mark.parametrize(
    "name", ["past", "compare", "calendar", "psychrometric", "emc", "climate"]
)
def test_an_empty_shop_and_one_reading_are_shown_without_a_fault(settings, name):
    writer, client = Writer(settings.store_path), shop_air.board_client(settings)
    path = next(path for path, view in zip_views() if view == name)
    text = ask_page(client, path).get_data(as_text=True)
    assert "Connect a sensor" in text
    series = [Series("front-bench", "fb-1", q) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)]
    writer.write(
        [Reading(s, now_ms() - HOUR, v) for s, v in zip(series, (20.0, 45.0), strict=True)]
    )
    writer.close()
    assert "Connect a sensor" not in ask_page(client, path).get_data(as_text=True)
    many = ["front-bench"] if name == "past" else "front-bench"
    values = {f"{name}-places": many, f"{name}-quantity": "humidity", f"{name}-beside": ""}
    answer = draw_view(client, name, values | {f"{name}-span": "day"})
    assert answer.status_code == 200


def zip_views():
    for path, _ in view_page.VIEWS:
        yield path, path.removeprefix("/past").strip("/") or "past"


def test_every_view_leads_to_the_others_with_its_place_and_time(client):
    values = {"past-places": ["varnish-room"], "past-quantity": "dew_point", "past-span": "month"}
    answer = draw_view(client, "past", values, pressed=(1, 0, 0)).json["response"]
    links = str(answer["past-views"]["children"])
    for path, _ in list(zip_views())[1:]:
        assert re.search(rf"{path}\?places=varnish-room&[^']*end=\d+", links), path


# Files


def rows_of(answer):
    return list(csv.reader(io.StringIO(answer.get_data(as_text=True))))


def test_a_wide_file_has_a_column_for_each_sensor_and_a_line_for_each_moment(client):
    end = now_ms()
    query = f"places=front-bench,outdoors&quantity=humidity&start={end - DAY}&end={end}"
    long, wide = (client.get(f"/past.csv?{query}&form={form}") for form in ("long", "wide"))
    head, *lines = rows_of(wide)
    assert head == [
        "time_utc",
        "time_local",
        "front-bench fb-1 humidity [%]",
        "outdoors out-1 humidity [%]",
    ]
    by_long = {(r[0], r[2]): r[-1] for r in rows_of(long)[1:]}
    by_wide = {
        (line[0], place): value
        for line in lines
        for place, value in zip(("front-bench", "outdoors"), line[2:], strict=True)
        if value
    }
    assert by_wide == by_long
    assert [line[0] for line in lines] == sorted({line[0] for line in lines})
    days = r"\d{4}-\d\d-\d\d_\d{4}-\d\d-\d\d"
    for answer, form in ((long, "long"), (wide, "wide")):
        name = answer.headers["Content-Disposition"]
        assert re.search(rf'filename="front-bench\+outdoors_humidity_{days}_{form}\.csv"', name)
    assert client.get(f"/past.csv?{query}&form=x").status_code == 400


def test_a_files_name_has_nothing_that_a_disk_refuses():
    name = selection.named_file(["../a b", 'q"/é'], "dew_point", 0, DAY, PARIS)
    assert re.fullmatch(r"[\w.+-]+", name, re.ASCII)
    assert "4-places" in selection.named_file(["a"] * 4, "x", 0, 1, PARIS)


def test_a_picture_is_drawn_for_paper_whatever_the_screen(client):
    held = {"places": "front-bench", "quantity": "humidity", "span": "day"}
    inputs = [("past-png", "n_clicks", 0), ("past-pdf", "n_clicks", 1)]
    state = [("past-view", "data", held)]
    answer = ask_dash(client, "past-picture.data", inputs, state, "past-pdf.n_clicks")
    found = answer.json["response"]["past-picture"]["data"]
    assert found["kind"] == "pdf"
    assert found["name"].startswith("front-bench_humidity_")
    assert found["title"] == "Front bench: Relative humidity"
    assert any(text.startswith("Front bench, last day: ") for text in found["words"])
    assert found["figure"]["layout"]["showlegend"] is False  # names stand beside the curves


SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="20" height="10"><rect width="9" height="9" '
    'style="fill:#123456"/><text x="1" y="9">RH</text></svg>'
)


def pdf(client, svg=SVG, **more):
    body = {"svg": svg, "title": "Front bench", "shown": "a day", "words": ["Fine."]} | more
    return client.post("/past/picture.pdf", json=body, headers=HERE)


def test_a_drawing_becomes_a_pdf_that_opens(client):
    pytest.importorskip("pypdf")
    import pypdf

    answer = pdf(client)
    assert answer.mimetype == "application/pdf"
    (page,) = pypdf.PdfReader(io.BytesIO(answer.data)).pages
    assert "Front bench" in page.extract_text()
    assert "Fine." in page.extract_text()


def set_in(resources, family):
    """Characters that a page and its drawings have in a font of a family."""
    found = set()
    for font in resources.get("/Font", {}).values():
        if family in font.get_object()["/BaseFont"]:
            codes = font.get_object()["/ToUnicode"].get_data().decode()
            found |= {
                chr(int(one, 16)) for one in re.findall(r"<[0-9A-F]+> <([0-9A-F]{4})>", codes)
            }
    for drawing in resources.get("/XObject", {}).values():
        if "/Resources" in drawing.get_object():
            found |= set_in(drawing.get_object()["/Resources"], family)
    return found


def test_words_beside_a_triangle_keep_the_font_of_the_page(client):
    import pypdf

    label = '<text x="1" y="9" style="font-family:\'Atkinson Hyperlegible Next\'; font-size: 4px">'
    answer = pdf(client, SVG.replace('<text x="1" y="9">RH', f"{label}▲ damp above 60 %"))
    (page,) = pypdf.PdfReader(io.BytesIO(answer.data)).pages
    assert set("damp") <= set_in(page["/Resources"], "Atkinson")
    assert set_in(page["/Resources"], "Libertinus") - {"\uffff"} == {"▲"}
    assert "dx" not in picture.marks_apart(
        SVG.replace("RH", "▲")
    )  # alone in a cell of the calendar


@pytest.mark.parametrize(
    "svg",
    [
        None,
        "",
        "<svg",
        SVG.replace("<rect", '<image href="file:///etc/passwd"/><rect'),
        SVG.replace("<rect", '<use href="#a"/><rect'),
        SVG.replace("#123456", "url(http://x/y)"),
        SVG.replace("<rect", "<script>1</script><rect"),
        '<!DOCTYPE svg [<!ENTITY a "b">]>' + SVG,
    ],
)
def test_a_drawing_that_is_not_ours_is_refused(client, svg):
    with pytest.raises(picture.NotOurs):
        picture.sound_svg(svg)
    answer = pdf(client, svg)
    assert answer.status_code == 400
    assert answer.mimetype == "text/plain"


def of_patterns(depth, each):
    """A drawing whose patterns each have the next `each` times."""
    fill = '<rect width="1" height="1" fill="url(#p{})"/>'
    patterns = "".join(
        f'<pattern id="p{i}" width="1" height="1">{fill.format(i + 1) * each}</pattern>'
        for i in range(depth)
    )
    last = f'<pattern id="p{depth}" width="1" height="1"><rect width="1" height="1"/></pattern>'
    drawn = f"<defs>{patterns}{last}</defs>{fill.format(0)}"
    return f'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9">{drawn}</svg>'


@pytest.mark.slow
@pytest.mark.parametrize(("depth", "each"), [(2000, 1), (20, 3)], ids=["deep", "endless"])
def test_a_drawing_that_breaks_the_typesetter_leaves_the_board_alive(
    client, monkeypatch, depth, each
):
    monkeypatch.setattr(typst_pdf.pdf_apart, "__defaults__", (6.0,))
    answer = pdf(client, of_patterns(depth, each))
    assert answer.status_code == 400
    assert b"could not be set" in answer.data
    assert pdf(client).mimetype == "application/pdf"


@pytest.mark.parametrize(
    "more", [{"title": None}, {"words": 5}, {"words": [["x"]]}, {"shown": "x" * 3000}]
)
def test_a_picture_without_its_texts_is_refused(client, more):
    assert pdf(client, **more).status_code == 400
