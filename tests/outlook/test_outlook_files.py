"""What `benchweather score` reads, and what it refuses, with the line and what is allowed."""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from monitor.cli import app
from monitor.core.errors import ImportFault
from monitor.outlook.evaluation import files

START = pd.Timestamp("2026-01-01T00:00:00Z")
DAYS = 16


def log_table() -> pd.DataFrame:
    """A bench that follows the outdoors, read every half hour, in two places."""
    moments = pd.date_range(START, periods=48 * DAYS, freq="30min")
    hour = np.arange(len(moments)) / 2
    out = 3 + 4 * np.sin(2 * np.pi * (hour - 9) / 24) + 3 * np.sin(2 * np.pi * hour / 130)
    bench = pd.DataFrame(
        {"time": moments, "place": "bench", "temp_c": 19 + 0.1 * out, "rh_pct": 45 + out}
    )
    outdoors = pd.DataFrame({"time": moments, "place": "outdoors", "temp_c": out, "rh_pct": 80.0})
    table = pd.concat([bench, outdoors], ignore_index=True)
    return table.assign(time=table["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"))


def forecast_table() -> pd.DataFrame:
    rows = []
    for issued in pd.date_range(START, periods=4 * DAYS, freq="6h"):
        valid = pd.date_range(issued, periods=61, freq="2h")
        hour = (valid - START).total_seconds().to_numpy() / 3600
        out = 3 + 4 * np.sin(2 * np.pi * (hour - 9) / 24) + 3 * np.sin(2 * np.pi * hour / 130)
        rows.append(
            pd.DataFrame(
                {
                    "issued_at": issued,
                    "valid_at": valid,
                    "temp_c": out + 0.5,
                    "rh_pct": 82.0,
                    "wind_m_s": 3.0,
                }
            )
        )
    table = pd.concat(rows, ignore_index=True)
    for name in ("issued_at", "valid_at"):
        table[name] = table[name].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return table


@pytest.fixture(scope="module")
def tables() -> tuple[pd.DataFrame, pd.DataFrame]:
    return log_table(), forecast_table()


def written(tmp_path, log, forecasts):
    log.to_csv(tmp_path / "log.csv", index=False)
    forecasts.to_csv(tmp_path / "forecasts.csv", index=False)
    return tmp_path / "log.csv", tmp_path / "forecasts.csv"


def test_closed_days_are_read_line_by_line_and_noted(tmp_path, tables):
    path = tmp_path / "closed.txt"
    path.write_text("# the shop was away\n2026-01-03\n\n2026-01-14/2026-01-18  # fair\n")
    days = files.read_closed(path)
    first = np.datetime64("2026-01-03").astype(int)
    assert days.tolist() == [first, *range(first + 11, first + 16)]
    read = files.read(*written(tmp_path, *tables)).with_closed(days)
    assert read.hours.closed.tolist() == days.tolist()
    assert read.notes[-1] == "closed days in the log, known ahead of time: 4"  # 16 days of log


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "names no day: must have a date such as 2026-12-24"),
        ("# nothing\n", "names no day"),
        ("2026-01-03\n3 January\n", "line 2: '3 January': must be a date such as 2026-12-24"),
        ("2026-01-03/2026-01-01", "line 1"),
        ("2026-01-03/2062-01-05", "'2026-01-03/2062-01-05': must be at most 366 days long"),
        (b"\xff\xfe", "is not UTF-8 text"),
    ],
)
def test_a_file_of_closed_days_that_cannot_be_is_refused_with_its_line(tmp_path, text, why):
    path = tmp_path / "closed.txt"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(ImportFault, match=re.escape(why)):
        files.read_closed(path)


def test_a_log_becomes_means_of_hours_and_forecasts_hours_by_issue(tmp_path, tables):
    material = files.read(*written(tmp_path, *tables))
    assert material.place == "bench"
    hours = material.hours
    assert hours.first_h == START.value // files.HOUR_NS  # 00:00 ends the hour before
    rows = tables[0][tables[0]["place"] == "bench"]
    assert hours.temp_c[1] == pytest.approx(rows["temp_c"].iloc[1:3].mean())
    assert hours.newest[0, 1] == pytest.approx(rows["temp_c"].iloc[2])
    assert hours.has_outdoors
    issues = material.issues
    assert len(issues.issued_h) == 4 * DAYS
    first = tables[1].iloc[:2]["temp_c"]
    assert issues.air.temp_c[0, 0] == pytest.approx(0.75 * first[0] + 0.25 * first[1])
    assert np.isnan(issues.air.temp_c[0, 121])
    assert material.notes == []


def test_gaps_and_a_missing_outdoor_sensor_are_told(tmp_path, tables):
    log, forecasts = tables
    log = log[(log["place"] == "bench") & ~log["time"].str.startswith("2026-01-09")]
    notes = files.read(*written(tmp_path, log, forecasts)).notes
    assert any("23 of" in note and "no reading" in note for note in notes)
    assert any("no sensor outdoors" in note for note in notes)


def changed(which: int, column: str, row: int, value: object):
    def change(tables):
        tables = [table.copy() for table in tables]
        tables[which][column] = tables[which][column].astype(object)
        tables[which].loc[row, column] = value
        return tables

    return change


def whole(which: int, column: str, of):
    def change(tables):
        tables = [table.copy() for table in tables]
        tables[which][column] = of(tables[which][column])
        return tables

    return change


def fahrenheit(celsius):
    return celsius * 1.8 + 32


def shifted(text):
    return (pd.to_datetime(text) + pd.Timedelta(days=400)).dt.strftime("%Y-%m-%dT%H:%M:%SZ")


REFUSED = [
    (lambda t: (t[0].drop(columns="rh_pct"), t[1]), "log.csv has no column rh_pct"),
    (lambda t: (t[0], t[1].drop(columns="issued_at")), "forecasts.csv has no column issued_at"),
    (lambda t: (t[0].iloc[:0], t[1]), "has no rows"),
    (changed(0, "time", 5, "2026-01-01T02:30:00"), "line 7: time .* has no time zone"),
    (changed(0, "time", 5, "2026-13-01T02:30:00Z"), "line 7: time .* is not a time"),
    (
        changed(0, "time", 5, "2326-01-01T02:30:00Z"),
        "line 7: time .* is not a time from 1970 to 2199",
    ),
    (changed(0, "time", 5, "1971-01-01T02:30:00Z"), "hours of bench from 1971.* is a time wrong"),
    (changed(0, "place", 5, " "), "line 7: place is empty"),
    (whole(0, "rh_pct", lambda rh: rh * np.nan), "rh_pct is empty in all rows"),
    (
        lambda t: (t[0], t[1].assign(pressure_hpa=101_300)),
        "pressure_hpa 101300: must be 300 to 1100",
    ),
    (
        lambda t: (t[0].assign(place=t[0]["place"].str.title()), t[1]),
        "one outdoors with --outdoors",
    ),
    (changed(0, "temp_c", 3, "warm"), "line 5: temp_c 'warm' is not a number"),
    (changed(0, "temp_c", 3, 71.0), "line 5: temp_c 71: must be -45 to 60 °C; .*°F"),
    (changed(1, "rh_pct", 3, 140), "line 5: rh_pct 140: must be 0 to 100 %"),
    (changed(1, "wind_m_s", 3, -2), "line 5: wind_m_s -2: must be 0 to 75 m/s"),
    (whole(0, "temp_c", fahrenheit), "°F"),
    (whole(0, "rh_pct", lambda rh: rh / 100), "is the column a fraction"),
    (whole(1, "rh_pct", lambda rh: rh / 100), "forecasts.csv.* is the column a fraction"),
    (changed(1, "issued_at", 4, "2026-01-09T00:00:00Z"), "line 6: issued_at .* is after valid_at"),
    (whole(1, "temp_c", lambda t: t + 9), "may be for another place, .* differ by 9.5 K"),
    (whole(1, "temp_c", fahrenheit), "may be for another place, or in another unit"),
    (
        lambda t: (
            t[0],
            t[1].assign(issued_at=shifted(t[1]["issued_at"]), valid_at=shifted(t[1]["valid_at"])),
        ),
        "no hour is in both",
    ),
    (lambda t: (t[0].assign(place="outdoors"), t[1]), "has only the place outdoors"),
    (lambda t: (t[0][t[0]["time"] < "2026-01-08"], t[1]), "days of bench: must be at least 14"),
    (changed(0, "place", 3, "shelf"), "several places: name one with --place: bench, shelf"),
]


@pytest.mark.parametrize(("change", "why"), REFUSED, ids=[why[:40] for _, why in REFUSED])
def test_what_cannot_be_scored_is_refused_with_the_reason(tmp_path, tables, change, why):
    with pytest.raises(ImportFault, match=why):
        files.read(*written(tmp_path, *change(tables)))


@pytest.mark.slow
def test_order_repeats_offsets_and_line_ends_change_nothing(tmp_path, tables):
    log, forecasts = tables
    plain = files.read(*written(tmp_path, log, forecasts))
    later = log.assign(
        time=log["time"].map(
            lambda t: (pd.Timestamp(t) + pd.Timedelta(hours=2)).strftime("%Y-%m-%dT%H:%M:%S+02:00")
        )
    )
    mixed = pd.concat([later, log.iloc[:90]]).sample(frac=1, random_state=3)
    paths = written(tmp_path, mixed, pd.concat([forecasts, forecasts.iloc[9:70]]).iloc[::-1])
    for path in paths:
        path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    found = files.read(*paths)
    assert found.notes == plain.notes
    for name in ("temp_c", "rh_pct", "out_dew_c"):
        np.testing.assert_allclose(getattr(found.hours, name), getattr(plain.hours, name))
    np.testing.assert_array_equal(found.issues.air.temp_c, plain.issues.air.temp_c)


@pytest.mark.slow
def test_of_two_values_for_one_moment_the_first_counts_and_that_is_said(tmp_path, tables):
    log, forecasts = tables
    plain = files.read(*written(tmp_path, log, forecasts))
    paths = written(
        tmp_path,
        pd.concat([log, log.iloc[100:140].assign(rh_pct=99.0)]),
        pd.concat([forecasts, forecasts.iloc[5:8].assign(temp_c=30.0)]),
    )
    found = files.read(*paths)
    np.testing.assert_array_equal(found.hours.rh_pct, plain.hours.rh_pct)
    np.testing.assert_array_equal(found.issues.air.temp_c, plain.issues.air.temp_c)
    assert found.notes[0].startswith("40 rows of log.csv repeat a time")
    assert found.notes[1].startswith("3 rows of forecasts.csv repeat a time")


def test_columns_parted_otherwise_and_fahrenheit_without_a_sensor_outdoors_are_told(
    tmp_path, tables
):
    log, forecasts = tables
    paths = written(
        tmp_path,
        log[log["place"] == "bench"],
        forecasts.assign(temp_c=fahrenheit(forecasts["temp_c"])),
    )
    assert any("in °F?" in note for note in files.read(*paths).notes)
    paths[0].write_text(paths[0].read_text().replace(",", ";"))
    with pytest.raises(ImportFault, match="separated by semicolons: must be separated by commas"):
        files.read(*paths)


def test_a_place_is_chosen_and_an_unknown_one_refused(tmp_path, tables):
    log, forecasts = tables
    log = log.assign(place=log["place"].where(log.index % 2 == 0, log["place"] + "-2"))
    paths = written(tmp_path, log, forecasts)
    assert files.read(*paths, "bench-2", "outdoors-2").place == "bench-2"
    with pytest.raises(ImportFault, match="has no place 'attic': must be one of bench"):
        files.read(*paths, "attic")


def test_a_file_that_is_not_text_or_has_no_header_is_refused(tmp_path, tables):
    paths = written(tmp_path, *tables)
    paths[0].write_bytes(b"time,place,temp_c,rh_pct\n\xff\xfe\n")
    with pytest.raises(ImportFault, match="is not UTF-8"):
        files.read(*paths)
    paths[0].write_text("")
    with pytest.raises(ImportFault, match="no header"):
        files.read(*paths)


def test_the_command_fails_with_one_and_the_reason(tmp_path, tables):
    log, forecasts = written(tmp_path, tables[0].drop(columns="place"), tables[1])
    result = CliRunner().invoke(app, ["score", str(log), str(forecasts)])
    assert result.exit_code == 1
    assert "has no column place" in result.output
    result = CliRunner().invoke(app, ["score", str(log), str(tmp_path / "none.csv")])
    assert result.exit_code == 1


@pytest.mark.slow
def test_the_command_prints_tables_and_json(tmp_path, tables):
    paths = [str(path) for path in written(tmp_path, *tables)]
    result = CliRunner().invoke(app, ["score", *paths])
    assert result.exit_code == 0, result.output
    assert "RH, %, after 10 days of log" in result.output
    assert "No dry snap in this log" in result.output
    closed = tmp_path / "closed.txt"
    closed.write_text("2026-01-04\n")
    result = CliRunner().invoke(
        app, ["score", *paths, "--closed", str(closed), "--zone", "Europe/Paris", "--json"]
    )
    told = json.loads(result.stdout)
    assert told["place"] == "bench"
    assert told["notes"][-1] == "closed days in the log, known ahead of time: 1"
    rows = told["after_days"]["10"]["rh_pct"]
    assert [row["horizon_h"] for row in rows] == [1, 3, 6, 12, 24, 48, 72]
    assert all(row["of_persistence"] < 1 for row in rows)
    assert told["alerts"] == []
    assert told["after_days"]["30"]["rh_pct"] == []
    assert told["after_days"]["10"]["snap_alert"]["median_lead_h"] is None
