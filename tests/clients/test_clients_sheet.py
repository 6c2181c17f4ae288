"""A client's sheet: what is asked, what comes of it, and the page as a page."""

from __future__ import annotations

import io
import re
from datetime import date, datetime, time, timedelta
from html.parser import HTMLParser
from itertools import groupby

import numpy as np
import pypdfium2
import pytest
from client_fixtures import (
    EASY,
    GREENSBORO,
    INLAND,
    MADE_MS,
    MEMBERS,
    PARIS,
    SAND_POINT,
    calculated,
    packaged,
)
from dateutil.rrule import rrulestr
from icalendar import Calendar
from pypdf import PdfReader
from typer.testing import CliRunner

from dashboard.clients.page import _preview
from monitor.cli import app
from monitor.cli.advise import print_sheet
from monitor.clients import weather_files
from monitor.clients.calculation import Refills, calculate_sheet
from monitor.clients.home_climate import HomeSources, hourly_log
from monitor.clients.html import html_of
from monitor.clients.language import Language, LanguageFault
from monitor.clients.pdf import pdf_of
from monitor.clients.reminders import calendar_of, days_of
from monitor.clients.request import ClientFault, read_sheet_request
from monitor.clients.sheet import sheet_of
from monitor.core.measurements import Quantity
from monitor.science.case.candidates import ALIKE, ALIKE_DAYS
from monitor.science.case.devices import ALL_YEAR
from monitor.science.case.measures import Holds, HomeMeasure


@pytest.fixture(scope="module")
def three():
    """Three invented clients in three climates: inland with cold winters, by a cold sea, by typed
    readings."""
    inland, sea = (
        HomeSources(weather_files.read(packaged(name)).outdoors, name)
        for name in (GREENSBORO, SAND_POINT)
    )
    asked = (
        (
            {
                "source": "weather",
                "guessed": "",
                "case": "cello, hard case",
                "language": "en-US",
                "title": "Ina <Perrin>",
                "left_out": "8-12",
            },
            inland,
        ),
        (
            {
                "source": "weather",
                "guessed": "",
                "case": "violin, soft case",
                "tightness": "tight",
            },
            sea,
        ),
        (INLAND, HomeSources()),
    )
    return [
        calculate_sheet(read_sheet_request(request), airs, members=MEMBERS)
        for request, airs in asked
    ]


@pytest.fixture(scope="module")
def sheets(three):
    return [sheet_of(one, "Kestrel Row Strings", MADE_MS, PARIS) for one in three]


@pytest.mark.slow
def test_each_client_gets_another_advice_for_a_reason(three, sheets):
    assert len({s.lead for s in sheets}) == 3
    assert three[0].advised.kind is not HomeMeasure.NOTHING
    assert three[0].dry is not None
    assert three[1].dry is None
    # In a damp, cool home the case is not wetted: buffer or a dehumidifier, and why.
    assert three[1].bare.holds_damp is not Holds.YES
    assert three[1].advised.kind in (
        HomeMeasure.BUFFER,
        HomeMeasure.DEHUMIDIFIER,
        HomeMeasure.WARMER_ROOM,
    )
    assert three[1].advised.harm < three[1].bare.harm / 2
    assert any("damp" in line for line in sheets[1].to_do.lines)


@pytest.mark.slow
def test_the_pdf_is_one_tagged_page_of_selectable_text_in_the_clients_units(sheets):
    for sheet, size in zip(sheets, ((612, 792), (595, 842), (595, 842)), strict=True):
        made = pdf_of(sheet)
        document = pypdfium2.PdfDocument(made)
        assert len(document) == 1
        text = " ".join(document[0].get_textpage().get_text_range().split())
        for words in (sheet.title, sheet.shop, sheet.lead, sheet.months[0], sheet.repairer):
            assert words in text
        root = PdfReader(io.BytesIO(made)).trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"]
        assert root["/Lang"] == sheet.language
        assert b"pdfuaid:part" in root["/Metadata"].get_data()
        assert [round(x) for x in document[0].get_size()] == list(size)
        assert document[0].render(scale=0.5).to_pil().convert("L").getextrema()[0] < 80
    assert any(unit in sheets[0].lead for unit in (" oz", " gal", " fl oz"))
    assert "°F" in " ".join(sheets[0].journeys.lines)
    assert "°C" in " ".join(sheets[1].journeys.lines)


@pytest.mark.slow
def test_the_html_says_the_same_asks_for_nothing_and_escapes_what_was_typed(sheets):
    class Seen(HTMLParser):
        def __init__(self):
            super().__init__()
            self.text, self.asked = [], []

        def handle_data(self, data):
            self.text.append(data)

        def handle_starttag(self, tag, attrs):
            self.asked += [v for k, v in attrs if k in ("src", "href", "data", "srcset")]
            assert tag != "perrin"

    for sheet in sheets:
        seen = Seen()
        seen.feed(html_of(sheet))
        text = "".join(seen.text)
        assert seen.asked == []
        for line in (sheet.lead, *sheet.to_do.lines, *sheet.avoid.lines, *sheet.small):
            assert line in text
    assert "Ina &lt;Perrin&gt;" in html_of(sheets[0])


def texts_of(part):
    """Texts of a page's components, one after another."""
    if isinstance(part, str):
        return [part]
    if isinstance(part, list | tuple):
        return [text for one in part for text in texts_of(one)]
    return texts_of(getattr(part, "children", None) or [])


@pytest.mark.slow
def test_the_terminal_and_the_page_say_every_sentence_of_the_sheet(sheets, capsys):
    for sheet in sheets:
        print_sheet(sheet)
        printed = " ".join(capsys.readouterr().out.split())
        shown = " ".join(texts_of(_preview(sheet)))
        lines = [line for section in sheet.sections for line in section.lines]
        notes = (*sheet.small, *sheet.details, sheet.repairer)
        for line in (sheet.lead, *lines, sheet.fills_words, *notes):
            assert " ".join(line.split()) in printed
            assert line in shown


def test_the_reminders_fall_in_their_months_and_come_again():
    refills = Refills((1, 2, 11, 12), 7)
    calendar = Calendar.from_ical(calendar_of(refills, "Fill it", MADE_MS, date(2026, 6, 3)))
    (event,) = calendar.walk("VEVENT")
    assert event["DTSTART"].dt == date(2026, 11, 1)
    assert event["RRULE"]["INTERVAL"] == [7]
    assert [int(m) for m in event["RRULE"]["BYMONTH"]] == [1, 2, 11, 12]
    assert event["SUMMARY"] == "Fill it"


@pytest.mark.parametrize(
    "refills", [Refills((1, 2, 11, 12), 7), Refills(ALL_YEAR, 90), Refills((1, 2, 11, 12), 3.5)]
)
@pytest.mark.parametrize("today", [date(2026, 6, 3), date(2026, 12, 20), date(2027, 1, 1)])
def test_the_printed_refills_are_the_days_of_the_reminders(refills, today):
    (event,) = Calendar.from_ical(calendar_of(refills, "Fill it", MADE_MS, today)).walk("VEVENT")
    rule = rrulestr(
        event["RRULE"].to_ical().decode(), dtstart=datetime.combine(event["DTSTART"].dt, time())
    )
    start = datetime.combine(today, time())
    wanted = [at.date() for at in rule.between(start, start + timedelta(days=364), inc=True)]
    assert days_of(refills, today) == wanted
    assert wanted


def test_months_are_told_from_the_first_to_the_last_over_the_new_year():
    say = Language("en-GB")
    assert say.listed((1, 2, 3, 11, 12)) == "November to March"
    assert say.listed((4, 8, 9)) == "April, August to September"
    assert say.listed(tuple(range(1, 13))) == "all year"
    assert Language("en-US").temperature(20) == "68 °F"
    assert Language("en-US", "C").temperature(-5) == "−5 °C"
    with pytest.raises(LanguageFault):
        Language("xx-XX")


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        (
            {"rh.1": 60.0, "out.1": -20.0, "temp.1": 20.0},
            "rh.1",
            "the home as described can have .* −?-20 °C",
        ),
        ({"rh.1": 60.0, "temp.1": 70.0}, "temp.1", "Fahrenheit"),
        (INLAND | {"device": "humidifier", "device_water_ml": -5.0}, "device_water_ml", "0.1 to"),
        (INLAND | {"device": "humidifier", "device_lost_g": 5.0}, "device_lost_d", "is missing"),
        (INLAND | {"case": "banjo"}, "case", "must be one of"),
        (INLAND | {"played": "25-30"}, "played", "hours of the day"),
        (INLAND | {"band_low": 50.0, "band_high": 52.0}, "band_low", "at least 5 %"),
        (INLAND | {"people": 2.5}, "people", "a whole number"),
        (INLAND | {"colour": "red"}, "colour", "not a field"),
        (INLAND | {"air_l": float("nan")}, "air_l", "not a number"),
        ({}, "rh.1", "at least one month"),
        ({"source": "normals", "temp.1": 3.0, "rh.1": 80.0}, "temp.2", "February is missing"),
    ],
)
def test_what_is_wrong_is_said_at_its_field(typed, field, said):
    with pytest.raises(ClientFault) as caught:
        read_sheet_request(typed)
    assert re.search(said, caught.value.fields[field])


def test_the_same_reading_is_taken_where_a_humidifier_runs():
    request = {"rh.1": 45.0, "out.1": -20.0, "temp.1": 20.0, "people": 0}
    with pytest.raises(ClientFault):
        read_sheet_request(request)
    assert read_sheet_request(request | {"humidified_l_day": 20.0}).months[1] == (20.0, 45.0)


def test_a_log_falls_on_local_hours_and_leaves_out_the_leap_day():
    start = 1_709_078_400_000  # 2024-02-28 00:00 UTC
    ts = start + 3_600_000 * np.arange(72)
    values = np.arange(72.0)
    log = hourly_log({Quantity.TEMPERATURE: (ts, values), Quantity.HUMIDITY: (ts, values)}, PARIS)
    assert log.temp_c[24 * 58 + 1] == 0.0  # 28 February 01:00 local
    assert log.temp_c[24 * 59] == 47.0  # 1 March 00:00 local is 29 February 23:00 UTC
    assert np.isfinite(log.temp_c).sum() == 48


@pytest.mark.slow
def test_the_command_writes_a_sheet_and_tells_what_is_wrong(tmp_path):
    run = CliRunner().invoke
    given = [t for n, v in EASY.items() for t in ("--set", f"{n}={v}")]
    done = run(app, ["advise", str(tmp_path / "a"), "--data", str(tmp_path / "d"), *given])
    assert done.exit_code == 0, done.output
    assert {p.suffix for p in (tmp_path / "a").iterdir()} >= {".pdf", ".html"}
    assert not (tmp_path / "d" / "readings.sqlite3").exists()  # nothing is kept
    bad = run(
        app,
        [
            "advise",
            str(tmp_path / "b.pdf"),
            "--data",
            str(tmp_path / "d"),
            *given,
            "--set",
            "temp.1=70C",
        ],
    )
    assert bad.exit_code == 2
    assert "Fahrenheit" in bad.output
    log = tmp_path / "log.csv"
    rows = [
        f"2026-01-{d:02d}T{h:02d}:00:00Z,68,{30 + h % 3}" for d in range(1, 9) for h in range(24)
    ]
    log.write_text("time,t,h\n" + "\n".join(rows))
    for unit, code in (("F", 0), ("Cel", 2)):
        said = run(
            app,
            [
                "advise",
                str(tmp_path / "c.html"),
                "--data",
                str(tmp_path / "d"),
                "--log",
                str(log),
                "--take",
                f"temperature:{unit}:t",
                "--take",
                "humidity:%RH:h",
            ],
        )
        assert said.exit_code == code, said.output
        assert ("Fahrenheit" in said.output) is bool(code)


@pytest.mark.slow
def test_a_home_a_little_damper_gets_a_lesser_measure_and_never_a_greater():
    kinds = []
    for rh in (24, 28, 32, 36, 40, 42):
        found = calculated({"temp.1": 21.0, "rh.1": float(rh)}).advice
        least = min(o.harm for o in found.options)
        assert found.advised.harm <= least + max(ALIKE_DAYS, ALIKE * least)
        kinds.append(found.advised.kind)
    assert [*dict.fromkeys(kinds)] == [kind for kind, _ in groupby(kinds)]
    order = [*HomeMeasure]
    efforts = [order.index(kind) for kind in kinds]
    assert efforts == sorted(efforts, reverse=True)  # the damper the home, the less is advised
    assert len(set(kinds)) >= 3


@pytest.mark.slow
def test_the_cold_that_was_typed_is_the_cold_that_a_case_comes_in_from():
    frosty = calculated(EASY | {"out.1": -18.0})
    assert frosty.cold.from_c == -18
    mild = calculated(EASY | {"out.1": 3.0})
    assert mild.cold.from_c == -5  # a month's mean has colder days
    assert frosty.cold.warm_up.open_min.median > mild.cold.warm_up.open_min.median


@pytest.mark.slow
def test_a_cover_is_not_called_a_case_and_ounces_are_not_called_grams():
    request = {"temp.1": 21.0, "rh.1": 30.0, "temp.7": 22.0, "rh.7": 50.0, "language": "en-US"}
    bass = sheet_of(calculated(request | {"case": "bass, cover"}), "", MADE_MS, PARIS)
    rows = [name for name, *_ in bass.table.rows]
    told = " ".join((bass.lead, *bass.to_do.lines, *bass.avoid.lines, *bass.journeys.lines, *rows))
    assert "case" not in bass.plot
    assert "leave the cover on" in told
    assert "shut case" not in told
    assert "leave the case" not in told
    assert "cold case" not in told
    violin = sheet_of(calculated(request), "", MADE_MS, PARIS)
    assert "gram" not in " ".join(violin.to_do.lines)


def one_month(month, rh, **more):
    temp = 21.0 if month in (12, 1, 2) else 24.0
    worked = calculated({f"temp.{month}": temp, f"rh.{month}": rh, **more})
    return worked, sheet_of(worked, "Kestrel Row Strings", MADE_MS, PARIS)


@pytest.mark.parametrize("rh", [18.0, 28.0, 36.0])
@pytest.mark.slow
def test_a_reading_of_one_dry_month_prescribes_nothing_for_the_rest_of_the_year(rh):
    worked, sheet = one_month(1, rh)
    assert worked.advice.known == (1, 2, 12)
    assert worked.refills is None or set(worked.refills.months) <= {1, 2, 12}
    if sheet.fills:
        assert {m for m, mark in enumerate(sheet.fills, 1) if mark != "–"} <= {1, 2, 12}
    texts = " ".join((sheet.lead, sheet.plot_words, sheet.fills_words, *sheet.holds.lines))
    assert "all year" not in texts
    assert "less than an hour a year" not in texts
    assert "these months only: December to February" in sheet.lead
    assert "Measure the room in July" in sheet.lead
    if worked.advised.device is not None:
        assert "Do not add water while the hygrometer reads above the band." in sheet.avoid.lines
    days = [row[1] for row in sheet.table.rows]
    assert all(int(n) <= 90 for shown in days for n in re.findall(r"\d+", shown))


@pytest.mark.slow
def test_a_reading_of_one_damp_month_does_not_say_that_winter_is_safe():
    worked, sheet = one_month(7, 65.0)
    assert worked.unknown == (1, 2, 3, 4, 5, 9, 10, 11, 12)
    assert "these months only: June to August" in sheet.lead
    assert "Measure the room in January" in sheet.lead
    assert worked.dry is None


@pytest.mark.slow
def test_months_between_winter_and_summer_are_known_and_drawn():
    worked = calculated(INLAND)
    assert worked.unknown == ()
    sheet = sheet_of(worked, "Kestrel Row Strings", MADE_MS, PARIS)
    assert "these months only" not in sheet.lead
    hatched = one_month(1, 28.0)[1].plot
    assert hatched.count('fill="#fff"') == 9
    assert 'fill="#fff"' not in sheet.plot


@pytest.mark.slow
def test_a_device_that_makes_the_case_too_damp_is_taken_out_first():
    wet = {"device_water_ml": 300, "device_release_g_day_pct": 3.0, "device_every_d": 3}
    worked, sheet = one_month(1, 45.0, **{"device": "humidifier"} | wet)
    assert worked.own_too_damp
    assert sheet.to_do.lines[0].startswith("Take out what is in the case now")
    mild, sheet = one_month(1, 45.0)
    assert not mild.own_too_damp
    assert not any("Take out" in line for line in sheet.to_do.lines)


@pytest.mark.slow
def test_a_humidifier_sized_for_playing_is_taken_out_when_nobody_plays():
    dry = {"temp.1": 21.0, "rh.1": 28.0}
    played = calculated(dry, 30)
    assert played.advised.kind is HomeMeasure.HUMIDIFIER
    unplayed = played.advice.unplayed
    assert unplayed.use.played == ()
    assert unplayed.highest_pct.high > played.advised.highest_pct.high
    assert played.unplayed_too_damp
    lines = sheet_of(played, "Kestrel Row Strings", MADE_MS, PARIS).to_do.lines
    assert any(
        "is not played for some days" in line and "Take the humidifier out" in line
        for line in lines
    )
    never = calculated(dry | {"played": ""})
    assert never.advice.unplayed is None
