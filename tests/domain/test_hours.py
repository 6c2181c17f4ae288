"""Opening hours: the next opening, right across a clock change."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.core.clock import from_ms, to_ms
from monitor.domain.opening_hours import (
    DAYS,
    closed_dates,
    closed_days,
    is_open,
    next_opening,
    quiet_until,
    span,
)

BERLIN = ZoneInfo("Europe/Berlin")
HOURS = dict.fromkeys(DAYS[:5], "08:30-17:30") | {"saturday": "", "sunday": ""}


def at(text):
    return to_ms(datetime.fromisoformat(text).replace(tzinfo=BERLIN))


def opening(text, hours=HOURS):
    found = next_opening(hours, BERLIN, at(text))
    return found and f"{from_ms(found).astimezone(BERLIN):%a %d %H:%M}"


@pytest.mark.parametrize(
    ("now", "opens"),
    [
        ("2026-11-25T07:00", "Wed 25 08:30"),
        ("2026-11-25T08:30", "Thu 26 08:30"),
        ("2026-11-25T20:00", "Thu 26 08:30"),
        ("2026-11-27T12:00", "Mon 30 08:30"),
    ],
)
def test_the_next_opening_is_after_now(now, opens):
    assert opening(now) == opens


def test_a_night_of_23_or_25_hours_is_as_long_as_it_is():
    hours = dict.fromkeys(DAYS, "08:00-18:00")
    for eve, night_h in (("2026-03-28T18:00", 13), ("2026-10-24T18:00", 15)):
        found = next_opening(hours, BERLIN, at(eve))
        assert found - at(eve) == night_h * 3_600_000


def test_a_shop_that_never_opens_has_no_opening():
    assert next_opening(dict.fromkeys(DAYS, ""), BERLIN, at("2026-11-25T12:00")) is None


def test_it_is_open_from_its_opening_until_before_its_closing():
    assert is_open(HOURS, BERLIN, at("2026-11-25T08:30"))
    assert is_open(HOURS, BERLIN, at("2026-11-25T17:29"))
    assert not is_open(HOURS, BERLIN, at("2026-11-25T17:30"))
    assert not is_open(HOURS, BERLIN, at("2026-11-28T12:00"))


@pytest.mark.parametrize(
    "bad", ["8-17", "08:30", "25:00-26:00", "17:00-08:00", "08:30-08:30", "closed"]
)
def test_what_is_no_span_is_refused(bad):
    with pytest.raises(ValueError, match=r"must be such as 08:30-17:30|closes before"):
        span(bad)


HOLIDAYS = HOURS | {"closed": ["2026-12-24/2027-01-03", "2026-11-27"]}


def test_dates_that_are_closed_are_passed_over():
    assert opening("2026-11-26T18:00", HOLIDAYS) == "Mon 30 08:30"
    assert opening("2026-12-23T18:00", HOLIDAYS) == "Mon 04 08:30"
    assert not is_open(HOLIDAYS, BERLIN, at("2026-12-28T10:00"))
    assert is_open(HOLIDAYS, BERLIN, at("2026-12-23T10:00"))


@pytest.mark.parametrize("forever", ["2026-12-24/9999-12-31", "0001-01-01/2026-12-24"])
def test_a_shop_is_not_closed_for_longer_than_a_year(forever):
    assert closed_dates("2026-01-01/2027-01-02")
    with pytest.raises(ValueError, match="at most 366 days"):
        closed_dates(forever)


def quiet(text, quiet_hours="21:00-07:00", hours=HOLIDAYS):
    found = quiet_until(quiet_hours, BERLIN, at(text), hours)
    return found and f"{from_ms(found).astimezone(BERLIN):%a %d %H:%M}"


@pytest.mark.parametrize(
    ("now", "until"),
    [
        ("2026-11-25T12:00", None),
        ("2026-11-25T22:00", "Thu 26 07:00"),
        ("2026-11-26T22:00", "Mon 30 07:00"),  # a closed Friday and the weekend follow
        ("2026-11-28T12:00", "Mon 30 07:00"),
        ("2026-11-30T06:59", "Mon 30 07:00"),
        ("2026-11-30T07:00", None),
        ("2026-12-24T00:00", "Mon 04 07:00"),
    ],
)
def test_a_closed_day_is_quiet_until_the_morning_of_the_next_open_one(now, until):
    assert quiet(now) == until


def test_closed_days_are_as_any_other_unless_they_are_to_be_quiet():
    assert quiet("2026-11-28T12:00", hours=None) is None
    assert quiet("2026-11-26T22:00", hours=None) == "Fri 27 07:00"


def test_without_quiet_hours_a_closed_day_ends_at_midnight():
    assert quiet("2026-11-28T12:00", "") == "Mon 30 00:00"
    assert quiet("2026-11-26T22:00", "") is None


@pytest.mark.parametrize(
    "bad",
    ["24.12.2026", "2026-12-24/", "2027-01-02/2026-12-24", "2026-12-24/x", "", "/2026-12-24"],
)
def test_what_is_no_date_is_refused(bad):
    with pytest.raises(ValueError, match="must be a date such as 2026-12-24"):
        closed_dates(bad)


def test_closed_days_are_days_since_1970_each_once():
    hours = {"closed": ["1970-01-03", "1969-12-31/1970-01-01", "1970-01-01"]}
    assert closed_days(hours).tolist() == [-1, 0, 2]
    assert closed_days({}).tolist() == []
