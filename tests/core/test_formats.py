"""The one formatter: times with their day over changes of the clock, and the reader's units."""

from __future__ import annotations

import subprocess
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from conftest import ROOT
from hypothesis import given
from hypothesis import strategies as st

from monitor.core import formats
from monitor.core.clock import to_ms

PARIS = ZoneInfo("Europe/Paris")
YEAR = st.integers(0, 366 * 24 * 60).map(
    lambda n: to_ms(datetime(2026, 1, 1, tzinfo=UTC)) + n * 60_000
)


def ms(*when: int) -> int:
    return to_ms(datetime(*when, tzinfo=UTC))


NOON = ms(2026, 11, 25, 11)  # Wednesday 12:00 in Paris


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (ms(2026, 11, 25, 13), ms(2026, 11, 25, 14), "14:00 to 15:00"),
        (ms(2026, 11, 25, 22), ms(2026, 11, 26, 3), "23:00 to tomorrow 04:00"),
        (ms(2026, 11, 27, 10, 30), ms(2026, 11, 27, 13), "Fri 11:30 to 14:00"),
        (ms(2026, 11, 27, 10, 30), ms(2026, 11, 28, 3, 35), "Fri 11:30 to Sat 04:35"),
        (ms(2026, 11, 25, 13), ms(2026, 12, 5, 3), "14:00 to 5 Dec 04:00"),
    ],
)
def test_each_end_of_a_span_has_its_day_unless_that_is_clear(low, high, text):
    assert formats.between(low, high, NOON, PARIS) == text


@given(YEAR, YEAR)
def test_a_bare_clock_time_never_means_another_day(at, now):
    same = formats.local(at, PARIS).date() == formats.local(now, PARIS).date()
    for write in (formats.when, formats.ahead, formats.dated, formats.brief):
        assert (write(at, now, PARIS)[0].isdigit() and ":" in write(at, now, PARIS)[:3]) is same


@pytest.mark.parametrize(
    ("n", "words", "text"),
    [
        (0, ("message",), "0 messages"),
        (1, ("message",), "1 message"),
        (12_345, ("message",), "12 345 messages"),
        (1, ("alert is", "alerts are"), "1 alert is"),
        (2, ("alert is", "alerts are"), "2 alerts are"),
    ],
)
def test_one_of_a_thing_is_not_many(n, words, text):
    assert formats.counted(n, *words) == text


def test_a_kept_text_has_the_date_of_every_other_day():
    assert formats.dated(NOON, NOON, PARIS) == "12:00"
    assert formats.dated(ms(2026, 11, 24, 22), NOON, PARIS) == "Tue 24 Nov 23:00"
    assert formats.weekday(ms(2026, 11, 26, 6), PARIS) == "Thu 07:00"
    assert formats.brief(ms(2026, 11, 26, 6), NOON, PARIS) == "Thu 07:00"
    assert formats.brief(ms(2026, 11, 20, 6), NOON, PARIS) == "Fri 20 Nov 07:00"


def test_the_two_hours_of_the_same_name_are_written_differently():
    first, second = ms(2026, 10, 25, 0, 30), ms(2026, 10, 25, 1, 30)
    for write in (formats.weekday, formats.numeric, formats.stamp):
        assert write(first, PARIS).endswith("02:30 CEST")
        assert write(second, PARIS).endswith("02:30 CET")


def test_utc_is_written_to_the_minute_the_second_or_as_it_is():
    at = ms(2026, 11, 25, 14, 2, 10) + 25
    assert formats.utc(at, "minutes") == "2026-11-25T14:02Z"
    assert formats.utc(at) == "2026-11-25T14:02:10Z"
    assert formats.utc(at, "auto") == "2026-11-25T14:02:10.025Z"
    assert formats.utc(at - 25, "auto") == "2026-11-25T14:02:10Z"


@given(st.floats(-60, 85))
def test_a_typed_temperature_is_the_shown_one(temp_c):
    for unit in ("C", "F"):
        assert formats.to_celsius(formats.in_unit(temp_c, unit), unit) == pytest.approx(temp_c)
        back = formats.difference_from_unit(formats.difference_in_unit(temp_c, unit), unit)
        assert back == pytest.approx(temp_c)


@pytest.mark.parametrize(
    ("value", "sign", "unit", "text"),
    [
        (27.4, "%", "C", "27 %"),
        (4.52, "°C", "C", "4.5 °C"),
        (-4.5, "°C", "F", "24 °F"),
        (1.5, "K", "F", "2.7 °F"),
        (-1.5, "K", "C", "−1.5 K"),
        (119 * 60.0, "s", "C", "119 min"),
        (3 * 3600.0, "s", "C", "3 h"),
        (86_400.0 * 3, "s", "C", "3 days"),
        (1.0, "", "C", ""),
        (None, "%", "C", ""),
    ],
)
def test_a_rules_value_is_written_in_the_readers_unit(value, sign, unit, text):
    assert formats.rule_value(value, sign, unit) == text


@pytest.mark.parametrize(
    ("name", "fahrenheit"),
    [("en_US.UTF-8", True), ("en-US", True), ("de_DE.UTF-8", False), ("C", False), ("", False)],
)
def test_a_locale_says_whether_temperatures_are_in_fahrenheit(name, fahrenheit):
    assert formats.prefers_fahrenheit(name) is fahrenheit


def test_local_times_and_fahrenheit_are_made_in_one_place():
    """Elsewhere only the day of the clock, calendar arithmetic of the board's axes, a table's
    column and the clock's own check convert a time."""
    found = subprocess.run(
        ["git", "grep", "-nE", r"strftime|astimezone|\* 1\.8|1\.8 \*|/ 1\.8", "--", "*.py"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    ).stdout.splitlines()
    product = [
        line.partition(":")[0]
        for line in found
        if line.startswith(("monitor/", "dashboard/")) and not line.startswith("monitor/science/")
    ]
    assert set(product) <= {
        "monitor/core/clock.py",
        "monitor/core/formats.py",
        "dashboard/ui/formats.py",
        "dashboard/past/downloads.py",
        "monitor/readings/export.py",
        "monitor/service/self_check.py",
    }


def test_temperatures_and_their_differences_in_a_text_are_in_the_unit_of_the_reader():
    ranges = "30 to 35 °C, −5 to 10 °C or 2 to 5 K"
    assert formats.in_reader_unit(ranges, "F") == "86 to 95 °F, 23 to 50 °F or 3.6 to 9 °F"
    text = "Above 20 °C or −5 °C, ±0.5 K, at least 3 K or 5 K above, with K2CO3 and 4 Km."
    assert formats.in_reader_unit(text, "C") == text
    assert formats.in_reader_unit(text, "F") == (
        "Above 68 °F or 23 °F, ±0.9 °F, at least 5.4 °F or 9 °F above, with K2CO3 and 4 Km."
    )


@pytest.mark.parametrize(
    ("temp_c", "text"), [(18.0, "64.4 °F"), (20.0, "68 °F"), (-30.0, "−22 °F")]
)
def test_a_limit_is_not_rounded_away_from_the_values_it_is_compared_with(temp_c, text):
    assert formats.limit_temperature(temp_c, "F") == text
    assert formats.limit_temperature(temp_c, "C") == f"{temp_c:g} °C".replace("-", "−")


def test_wood_moisture_beyond_its_table_is_printed_alike_everywhere():
    # Source: Wood Handbook, the table of EMC ends at 95 % RH, 24 % (FPL-GTR-190, Table 4-2).
    assert formats.shown(formats.EMC, 23.94, "C") == "23.9"
    assert formats.shown(formats.EMC, 26.2, "F") == "above 24"
    assert formats.with_unit(formats.EMC, 28.8, "C") == "above 24 %"
    assert formats.rule_value(28.8, "% MC", "C") == "above 24 % MC"
