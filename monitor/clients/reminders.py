"""Refill reminders as an iCalendar event that comes again by itself, and as a QR code of it."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from monitor.core.clock import from_ms

if TYPE_CHECKING:
    from monitor.clients.calculation import Refills

PRODUCT = "-//benchweather//sheet//EN"


def first_day(refills: Refills, today: date) -> date:
    """The next day that lies in one of its months."""
    day = today
    while day.month not in refills.months:
        day += timedelta(days=1)
    return day


def days_of(refills: Refills, today: date) -> list[date]:
    """Days of the next year on which `calendar_of` reminds."""
    first, end = first_day(refills, today), today + timedelta(days=365)
    if refills.every_d == TWICE_A_WEEK_D:
        weekdays = _twice_a_week(first)
        days = [first + timedelta(days=n) for n in range((end - first).days + 1)]
        days = [day for day in days if day.weekday() in weekdays]
    else:
        every = timedelta(days=_every_d(refills))
        days = [first + n * every for n in range((end - first) // every + 1)]
    return [day for day in days if day.month in refills.months and day < end]


TWICE_A_WEEK_D = 3.5
WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


def _twice_a_week(first: date) -> list[int]:
    """Weekdays, 0 for Monday, of reminders twice a week from this day."""
    return [first.weekday(), (first.weekday() + 4) % 7]


def _every_d(refills: Refills) -> int:
    return 7 if refills.every_d < 2 else round(refills.every_d)


def calendar_of(refills: Refills, words: str, made_ms: int, today: date) -> str:
    """An iCalendar (RFC 5545) with one whole-day event, each so many days within its months."""
    from icalendar import Calendar, Event  # 80 modules, read when somebody asks for a calendar

    rule: dict[str, object] = {"freq": "daily", "interval": _every_d(refills)}
    if refills.every_d == TWICE_A_WEEK_D:
        weekdays = _twice_a_week(first_day(refills, today))
        rule = {"freq": "weekly", "byday": [WEEKDAYS[day] for day in weekdays]}
    if len(refills.months) < 12:
        rule["bymonth"] = list(refills.months)
    event = Event()
    event.add("summary", words)
    event.add("dtstart", first_day(refills, today))
    event.add("rrule", rule)
    event.add("dtstamp", _second(made_ms))
    event.add("uid", f"{made_ms:x}@benchweather")
    event.add("transp", "TRANSPARENT")
    calendar = Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", PRODUCT)
    calendar.add_component(event)
    return calendar.to_ical().decode("utf-8")


def _second(ms: int) -> datetime:
    return from_ms(ms - ms % 1000)
