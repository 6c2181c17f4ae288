"""`benchweather forecast` in the terminal."""

from __future__ import annotations

import os
import re

import pytest
from forecast_fixtures import HEAD, MET, csv_of
from typer.testing import CliRunner
from weather_server import HOUR, Reply, WeatherServer, as_json, met

from monitor.cli import app
from monitor.core.clock import now_ms

runner = CliRunner()


@pytest.fixture
def shop(tmp_path, monkeypatch):
    for name in [name for name in os.environ if name.startswith("BENCHWEATHER_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("BENCHWEATHER_DATA", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "200")
    return tmp_path


def call(*arguments, code=0):
    result = runner.invoke(app, ["forecast", *(str(a) for a in arguments)])
    assert result.exit_code == code, result.output
    return result


ARCHIVE = csv_of(hours=9) + csv_of(hours=9, issued=1_700_000_000_000).split("\n", 1)[1]


def test_an_archive_is_taken_once_and_comes_out_as_it_went_in(shop):
    file = shop / "old.csv"
    file.write_text(ARCHIVE)
    assert (
        "18 hours issued 2026-01-10 to 2023-11-14: 2 forecasts would be stored"
        in call("import", file, "--source", "past", "--dry-run").output
    )
    assert not (shop / "readings.sqlite3").exists()
    assert (
        "2 forecasts stored, 0 already stored" in call("import", file, "--source", "past").output
    )
    assert (
        "0 forecasts stored, 2 already stored" in call("import", file, "--source", "past").output
    )
    call("export", "--out", shop / "out.csv")
    lines = (shop / "out.csv").read_text().splitlines()
    assert lines[0] == "issued_at,valid_at,temp_c,rh_pct,wind_m_s,pressure_hpa,member"
    assert lines[1] == "2023-11-14T22:13:20Z,2023-11-14T22:13:20Z,5.5,80,,,"
    assert len(lines) == 19
    only = call("export", "--from", "2026-01-01", "--source", "past")
    assert len(only.stdout.splitlines()) == 10
    assert call("export", "--source", "nobody").stdout.count("\n") == 1


def test_each_of_an_archive_counts_as_known_from_its_issue(shop):
    (shop / "old.csv").write_text(ARCHIVE)
    call("import", shop / "old.csv", "--source", "past")
    lines = [one for one in call("list").output.splitlines() if one.startswith("past")]
    issues, known, *_ = zip(
        *(re.findall(r"\d{4}-\d\d-\d\d \d\d:\d\d", one) for one in lines), strict=True
    )
    assert len(lines) == 2
    assert issues == known


@pytest.mark.slow
def test_what_cannot_be_imported_ends_in_one_line(shop):
    (shop / "bad.csv").write_text(csv_of(temp="hot"))
    assert (
        "line 2: temp_c 'hot' is not a number"
        in call("import", shop / "bad.csv", "--source", "p", code=1).output
    )
    assert "has one of" in call("import", shop / "bad.csv", "--source", "a/b", code=2).output
    assert "must end in .csv" in call("export", "--out", "a.xlsx", code=2).output
    call("import", shop / "none.csv", "--source", "p", code=1)


def test_fetch_without_a_source_says_what_is_missing(shop):
    assert "no [[forecasts]]" in call("fetch", code=2).output


def test_fetch_asks_once_and_says_when_it_may_again(shop):
    now = now_ms()
    with WeatherServer(now).open() as server:
        (shop / "benchweather.toml").write_text(HEAD + MET.format(url=server.url))
        server.answers(as_json(met(issued=now - 60_000, start=now - now % HOUR)))
        assert "good  met  a new forecast; not asked again before" in call("fetch").output
        assert "has answered; not asked again before" in call("fetch").output
        assert len(server.asks) == 1
        shown = call("list").output
        assert "met: asked" in shown
        assert "CC BY 4.0" in shown


def test_fetch_that_fails_says_why_and_ends_with_1(shop):
    with WeatherServer().open() as server:
        (shop / "benchweather.toml").write_text(HEAD + MET.format(url=server.url))
        server.answers(Reply(status=403))
        assert (
            "BAD   met  it answered 403: is weather.contact right" in call("fetch", code=1).output
        )
        assert "it answered 403" in call("list").output
