"""Answers to whether the shop is closed: the requests, and the days that follow."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from monitor.commands import read_request
from monitor.core.clock import to_ms
from monitor.core.errors import Rejected
from monitor.domain.closing import answered_days, with_answers
from monitor.domain.events import About, Event
from monitor.domain.opening_hours import closed_days
from monitor.outlook.shut_today import closed_until

NOW = to_ms(datetime(2026, 12, 24, 9, tzinfo=UTC))


def asked(do, **fields):
    return read_request({"about": "closing", "do": do, **fields}, NOW)


def answers(*given):
    events = [
        Event(About.CLOSING, first, NOW, "", "closed" if last else "open", {"last": last})
        for first, last in given
    ]
    return answered_days(events)


def test_the_last_answer_about_a_day_counts():
    holiday = ("2026-12-24", "2027-01-02")
    said = answers(holiday)
    assert len(said.closed) == 10
    assert closed_until(said, date(2026, 12, 27)) == date(2027, 1, 2)
    assert closed_until(said, date(2027, 1, 3)) is None
    back = answers(holiday, ("2026-12-29", ""))  # back early: the rest of it is off too
    assert back.opened == (date(2026, 12, 29),)
    assert back.closed[-1] == date(2026, 12, 28)
    shorter = answers(holiday, ("2026-12-26", "2026-12-28"))  # the first date was mistyped
    assert shorter.closed[-1] == date(2026, 12, 28)
    again = answers(holiday, ("2026-12-29", ""), ("2026-12-29", "2026-12-31"))
    assert again.opened == ()
    assert again.begun == (date(2026, 12, 24), date(2026, 12, 29))
    assert back.begun == (date(2026, 12, 24),)
    anew = answers(holiday, ("2026-12-24", ""), ("2026-12-20", "2026-12-26"))
    assert anew.begun == (date(2026, 12, 20),)
    assert closed_until(again, date(2026, 12, 29)) == date(2026, 12, 31)


def test_the_opening_hours_follow_the_answers():
    hours = {"thursday": "09:00-18:00", "closed": ["2026-12-31", "2027-01-07/2027-01-09"]}
    said = answers(("2026-12-24", "2026-12-26"), ("2027-01-08", ""))
    kept = with_answers(hours, said)
    assert kept["closed"] == [
        "2026-12-24/2026-12-26",
        "2026-12-31/2026-12-31",
        "2027-01-07/2027-01-07",
        "2027-01-09/2027-01-09",
    ]
    assert kept["thursday"] == "09:00-18:00"
    years = with_answers({"closed": ["2026-01-01/2026-12-31", "2027-01-01/2027-12-31"]}, answers())
    assert sum(len(closed_days({"closed": [text]})) for text in years["closed"]) == 730


def test_an_answer_is_read_with_its_days():
    assert asked("closed", first="2026-12-24", last="2027-01-02").subject == "2026-12-24"
    assert asked("open", first="2026-12-24").subject == "2026-12-24"


@pytest.mark.parametrize(
    ("do", "fields", "why"),
    [
        ("closed", {"first": "2026-12-24"}, "last"),
        (
            "closed",
            {"first": "24.12.2026", "last": "2027-01-02"},
            "must be a date such as 2026-12-24",
        ),
        ("closed", {"first": "2026-12-24", "last": ""}, "must be a date such as"),
        ("closed", {"first": "2026-12-24", "last": "2026-12-23"}, "must be 2026-12-24 or later"),
        ("closed", {"first": "2026-12-24", "last": "2028-12-23"}, "within 366 days of today"),
        ("closed", {"first": "2026-01-02", "last": "2027-11-23"}, "less than 366 days later"),
        ("open", {"first": "2020-12-24"}, "within 366 days of today"),
        ("open", {"first": "2026-02-30"}, "must be a date such as"),
        ("open", {"first": "2026-12-24", "last": "2026-12-24"}, "is not a field of"),
        ("shut", {"first": "2026-12-24"}, "one of closed, open"),
    ],
)
def test_an_answer_that_cannot_be_is_refused_in_words(do, fields, why):
    with pytest.raises(Rejected) as refused:
        asked(do, **fields)
    assert why in str(refused.value)
