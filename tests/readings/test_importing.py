"""CSV files of loggers: what is taken, what is refused and where, and the hours of a clock change."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from monitor.core.clock import from_ms
from monitor.core.errors import ImportFault
from monitor.core.measurements import Quantity
from monitor.readings.csv_import import Column, ImportPlan, read_csv

NOW = 1_800_000_000_000
BERLIN = ZoneInfo("Europe/Berlin")


def read(
    tmp_path, text, *, encoding="utf-8", take=("temperature:Cel:T", "humidity:%RH:RH"), **more
):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding=encoding)
    given = {"time_columns": ("time",), **more}
    plan = ImportPlan(place="bench", sensor="old", columns=tuple(map(Column.parse, take)), **given)
    return read_csv(path, plan, now_ms=NOW)


def taken(found, quantity=Quantity.TEMPERATURE):
    (pair,) = [v for series, v in found.values.items() if series.quantity == quantity]
    return {from_ms(int(t)).strftime("%m-%d %H:%M"): float(v) for t, v in zip(*pair, strict=True)}


def test_a_plain_file_is_taken_whole(tmp_path):
    found = read(
        tmp_path, "time,T,RH\n2025-01-05T10:00:00Z,20.5,45\n2025-01-05T11:00:00+01:00,21,46\n"
    )
    assert taken(found) == {"01-05 10:00": 21}  # both lines are one instant, 10:00 UTC
    assert (found.lines, found.total, found.refused) == (2, 4, [])


def test_decimal_commas_day_first_and_lines_above_the_header(tmp_path):
    found = read(
        tmp_path,
        "Logger 7\nDatum;Zeit;T;RH\n05.01.2025;10:30;-1,5;45,25\n",
        delimiter=";",
        decimal=",",
        skip_lines=1,
        zone=BERLIN,
        time_columns=("Datum", "Zeit"),
        time_format="%d.%m.%Y %H:%M",
    )
    assert taken(found) == {"01-05 09:30": -1.5}
    assert taken(found, Quantity.HUMIDITY) == {"01-05 09:30": 45.25}


def test_units_are_converted(tmp_path):
    found = read(
        tmp_path,
        "time,T,p\n1736071200,68,1013.25\n",
        time_format="s",
        take=("temperature:F:T", "pressure:hPa:p"),
    )
    assert taken(found) == pytest.approx({"01-05 10:00": 20.0})
    assert taken(found, Quantity.PRESSURE) == pytest.approx({"01-05 10:00": 101_325})


def test_the_hour_the_clock_goes_back_is_read_twice_in_order(tmp_path):
    lines = ["01:30,1,40", "02:00,2,40", "02:30,3,40", "02:00,4,40", "02:30,5,40", "03:00,6,40"]
    text = "time,T,RH\n" + "".join(f"2025-10-26 {line}\n" for line in lines)
    found = read(tmp_path, text, zone=BERLIN)
    assert list(taken(found).values()) == [1, 2, 3, 4, 5, 6]
    assert list(taken(found)) == [
        "10-25 23:30",
        "10-26 00:00",
        "10-26 00:30",
        "10-26 01:00",
        "10-26 01:30",
        "10-26 02:00",
    ]
    assert found.refused == []


def test_a_repeated_hour_out_of_order_and_a_skipped_hour_are_refused_not_guessed(tmp_path):
    found = read(
        tmp_path,
        "time,T,RH\n2025-10-26 02:30,1,40\n2025-03-30 02:30,2,40\n2025-07-01 12:00,3,40\n",
        zone=BERLIN,
    )
    assert taken(found) == {"07-01 10:00": 3}
    assert [line for line, _ in found.refused] == [2, 3]
    assert all("clock change" in reason for _, reason in found.refused)


def test_each_line_that_cannot_be_taken_is_named_with_the_reason(tmp_path):
    found = read(
        tmp_path,
        "time,T,RH\n"
        "2025-01-05T10:00:00Z,20.5,45\n"  # line 2
        "yesterday,20.5,45\n"
        "2025-01-05T10:02:00Z,warm,45\n"
        "2025-01-05T10:03:00Z,200,45\n"
        '"2025-01-05T10:04:00Z",,\n'
        "2025-01-05T10:05:00Z,20\n"
        "2099-01-05T10:06:00Z,20,45\n"
        "\n"
        "2025-01-05T10:08:00Z,nan,1e999\n",
    )
    assert taken(found) == {"01-05 10:00": 20.5}
    assert [line for line, _ in found.refused] == [3, 4, 5, 7, 8, 10, 10]
    reasons = " | ".join(reason for _, reason in found.refused)
    for words in (
        "'yesterday' is not a time",
        "'warm' is not a number",
        "must be -60 to 85 °C",
        "2 fields where the header has 3",
        "is in the future",
    ):
        assert words in reasons


def test_times_with_and_without_an_offset_are_each_read_as_they_are(tmp_path):
    found = read(
        tmp_path, "time,T,RH\n2026-01-01 00:00+01:00,20,40\n2026-01-01 00:01,21,41\n", zone=BERLIN
    )
    assert taken(found) == {"12-31 23:00": 20, "12-31 23:01": 21}


def test_a_record_that_runs_over_lines_is_refused_with_its_lines(tmp_path):
    found = read(
        tmp_path,
        'time,T,RH\n2025-01-05T10:00:00Z,20,40\n2025-01-05T10:01:00Z,21,"4\n1"\n'
        "2025-01-05T10:02:00Z,22,42\n",
    )
    assert list(taken(found).values()) == [20, 22]
    assert found.refused == [(3, "a quoted field runs on to line 4")]
    with pytest.raises(ImportFault, match=r"from line 3: .*is a quote left open"):
        read(tmp_path, 'time,T,RH\n2025-01-05T10:00:00Z,20,40\n2025-01-05T10:01:00Z,21,"4\n')


@pytest.mark.parametrize(
    ("text", "more", "why"),
    [
        ("", {}, "no header"),
        ("time;T;RH\n", {}, "is the delimiter ';'"),
        ("time,T\n", {}, "no column 'RH'"),
        ("time,T,T,RH\n", {}, "occurs twice"),
        ("time,T,RH\n2025-01-05 10:00,1,2\n", {}, "name the logger's"),
        ("time,T,RH\n", {"take": ("warmth:Cel:T",)}, "quantity 'warmth' must be one of"),
        ("time,T,RH\n", {"take": ("temperature:C:T",)}, "must be one of Cel, K, F"),
        ("time,T,RH\n", {"take": ("temperature",)}, "must be quantity:unit:column"),
        ("time,T,RH\n", {"take": ()}, "no column is named"),
        (
            "time,T,RH\n",
            {"take": ("temperature:Cel:T", "temperature:F:RH")},
            "named for two columns",
        ),
        ("time,T,RH,ö\n", {"encoding": "latin-1"}, "name its encoding"),
    ],
)
def test_a_file_that_does_not_fit_the_plan_is_told(tmp_path, text, more, why):
    with pytest.raises(ImportFault) as caught:
        read(tmp_path, text, **more)
    assert why in str(caught.value)


def test_a_missing_file_and_a_bad_name_are_told(tmp_path):
    plan = ImportPlan(
        place="a/b", sensor="s", columns=(Column.parse("humidity:%RH:x"),), time_columns=("t",)
    )
    with pytest.raises(ImportFault, match="place 'a/b'"):
        read_csv(tmp_path / "none.csv", plan, now_ms=NOW)
    plan = ImportPlan(place="a", sensor="s", columns=plan.columns, time_columns=("t",))
    with pytest.raises(ImportFault, match="No such file"):
        read_csv(tmp_path / "none.csv", plan, now_ms=NOW)
