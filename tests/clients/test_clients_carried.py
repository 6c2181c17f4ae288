"""Sheets from one reading and the climate: each month says what it rests on."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from client_fixtures import GREENSBORO, MADE_MS, PARIS, packaged
from typer.testing import CliRunner

from dashboard.clients.page import _with_files
from monitor.cli import app
from monitor.clients.calculation import calculate_sheet
from monitor.clients.home_climate import HomeSources, HourlyLog
from monitor.clients.request import ClientFault, read_sheet_request
from monitor.clients.sheet import sheet_of
from monitor.science.case.home import MonthBasis
from monitor.science.case.outdoors import YEAR_H

TEMPS = (-8, -6, 0, 8, 14, 19, 21, 20, 15, 9, 2, -5)
RHS = (80, 78, 72, 66, 65, 68, 70, 72, 76, 78, 82, 83)
CLIMATE = (
    {"climate": "normals"}
    | {f"out.{m}": float(t) for m, t in enumerate(TEMPS, 1)}
    | {f"out_rh.{m}": float(rh) for m, rh in enumerate(RHS, 1)}
)
JANUARY, JULY = {"temp.1": 21.0, "rh.1": 28.0}, {"temp.7": 24.0, "rh.7": 65.0}


@cache
def carried(month):
    """The calculation of one reading, and its sheets in English and German."""
    request = CLIMATE | (JANUARY if month == 1 else JULY)
    worked = calculate_sheet(read_sheet_request(request), members=16)
    german = replace(worked, request=read_sheet_request(request | {"language": "de"}))
    return worked, *(sheet_of(one, "Kestrel Row", MADE_MS, PARIS) for one in (worked, german))


@pytest.mark.slow
def test_a_january_reading_reaches_july_by_the_climate_and_says_so():
    worked, sheet, german = carried(1)
    assert worked.unknown == ()
    assert worked.year.month_bases[0] is MonthBasis.MEASURED
    assert set(worked.year.month_bases[1:]) == {MonthBasis.CARRIED}
    assert "Measured at home: January." in sheet.plot_words
    assert "from the readings and the weather outdoors: February to December" in sheet.plot_words
    assert "would narrow the ranges most" in sheet.plot_words
    assert "In der Wohnung gemessen: Januar." in german.plot_words
    assert "dem Wetter draußen geschätzt: Februar bis Dezember" in german.plot_words
    assert any("estimated from the readings and the weather" in line for line in sheet.details)
    assert "28 % all year" not in sheet.plot_words
    # July's dampness is the climate's: nothing is prescribed against dry air there
    assert worked.advice.home[6].median > worked.advice.home[0].median + 15


@pytest.mark.slow
def test_what_a_july_reading_does_not_carry_stays_hatched_and_without_a_prescription():
    worked, sheet, german = carried(7)
    assert {12, 1, 2} <= set(worked.unknown)
    assert worked.year.month_bases[0] is MonthBasis.UNKNOWN
    assert "Not known: " in sheet.plot_words
    assert "Measure the room in January and ask again." in sheet.lead
    assert "Messen Sie den Raum im Januar und fragen Sie wieder." in german.lead
    assert sheet.plot.count('fill="#fff"') == len(worked.unknown)
    months = worked.refills.months if worked.refills else ()
    assert set(months) <= set(worked.advice.known)
    assert "these months only" in sheet.lead


@pytest.mark.slow
def test_the_plot_writes_the_range_of_each_known_month():
    worked, sheet, _ = carried(7)
    july = worked.advice.home[6]
    assert f">{july.low:.0f}–{july.high:.0f}<" in sheet.plot
    assert sheet.plot.count(">?<") == len(worked.unknown)
    assert sheet.plot.count("<circle") == len(worked.advice.known) + 2  # and two in the legend


@pytest.mark.slow
def test_a_year_of_weather_alone_says_that_nothing_was_measured():
    typed = {"source": "normals"}
    typed |= {f"temp.{m}": float(t) for m, t in enumerate(TEMPS, 1)}
    typed |= {f"rh.{m}": float(rh) for m, rh in enumerate(RHS, 1)}
    worked = calculate_sheet(read_sheet_request(typed), members=8)
    sheet = sheet_of(worked, "Kestrel Row", MADE_MS, PARIS)
    assert "Nothing was measured at home." in sheet.plot_words


@pytest.mark.parametrize(
    ("typed", "airs", "field", "said"),
    [
        (JANUARY | {"climate": "normals"}, HomeSources(), "out.1", "January is missing"),
        (
            {k: v for k, v in (CLIMATE | JANUARY).items() if k != "out_rh.4"},
            HomeSources(),
            "out_rh.4",
            "April is missing",
        ),
        (CLIMATE | JANUARY | {"out.1": 140.0}, HomeSources(), "out.1", "must be -60 to 45"),
        (JANUARY | {"climate": "lunar"}, HomeSources(), "climate", "must be one of"),
        (JANUARY | {"climate": "weather"}, HomeSources(), "weather", "give a weather file"),
        (JANUARY | {"climate": "shop"}, HomeSources(), "climate", "no sensor outdoors"),
        (CLIMATE | {"temp.1": 21.0, "rh.1": 75.0}, HomeSources(), "rh.1", "-8 °C outdoors"),
    ],
)
def test_what_is_wrong_with_a_climate_is_said_at_its_field(typed, airs, field, said):
    with pytest.raises(ClientFault) as caught:
        calculate_sheet(read_sheet_request(typed), airs, members=4)
    assert said in caught.value.fields[field]


@pytest.mark.slow
def test_the_shops_own_log_is_a_climate_for_a_clients_reading():
    hour = np.arange(YEAR_H)
    log = HourlyLog(7 - 14 * np.cos(2 * np.pi * hour / YEAR_H), np.full(YEAR_H, 75.0))
    worked = calculate_sheet(
        read_sheet_request(JANUARY | {"climate": "shop"}), HomeSources(shop=log), members=8
    )
    assert 7 in worked.year.months_carried


@pytest.mark.slow
def test_the_command_uses_a_weather_file_beside_a_reading_as_the_climate(tmp_path):
    weather = tmp_path / "year.csv"
    weather.write_bytes(packaged(GREENSBORO))
    data, to = tmp_path / "d", tmp_path / "s.html"
    given = ["advise", str(to), "--data", str(data), "--weather", str(weather)]
    both = CliRunner().invoke(app, [*given, "--set", "rh.1=30", "--set", "temp.1=21"])
    assert both.exit_code == 0, both.output
    printed = " ".join(both.output.split())
    assert "Measured at home: January." in printed
    assert "Estimated from the readings and the weather outdoors" in printed
    alone = CliRunner().invoke(app, given)
    assert "Nothing was measured at home." in " ".join(alone.output.split())


def test_a_weather_file_and_a_loggers_file_are_both_kept_in_the_form():
    found = _with_files({"typed": {}, "air": {"station": "x"}}, {"air": {"outdoors": 1}}, {})
    assert found == {"typed": {}, "air": {"station": "x", "outdoors": 1}}
    both = _with_files({}, {"air": {"outdoors": 1}}, {"air": {"log": 2}})
    assert both["air"] == {"outdoors": 1, "log": 2}
