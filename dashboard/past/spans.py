"""Spans of the past by name: the last hour to all years, last night, a week of last year, seasons."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from dashboard.ui import formats

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

SPANS = {
    "hour": "Hour",
    "day": "Day",
    "night": "Last night",
    "week": "Week",
    "month": "Month",
    "year": "Year",
    "all": "All",
    "week-last-year": "This week last year",
    "winter": "Last winter",
    "spring": "Last spring",
    "summer": "Last summer",
    "autumn": "Last autumn",
}
"""Spans in the order of the page. `all` is known to the store only."""
EVENING_H, MORNING_H = 20, 8
"""A night is from this local hour to that of the next day."""
FIRST_MONTHS = {"winter": 12, "spring": 3, "summer": 6, "autumn": 9}
"""First month of each season of three, north of the equator."""
_STEPS = {"night": "day", "week-last-year": "week", **dict.fromkeys(FIRST_MONTHS, "year")}


def ends(span: str, at_ms: int, zone: ZoneInfo, *, south: bool = False) -> tuple[int, int]:
    """Start and end of a span as it is seen from a moment. [ms]

    A season is the last one that has ended by then; `south` of the equator the seasons are turned.
    """
    today = formats.local(at_ms, zone).date()
    if span == "night":
        before = today - timedelta(days=1)
        return formats.at_hour(before, EVENING_H, zone), formats.at_hour(today, MORNING_H, zone)
    if span == "week-last-year":
        then = formats.local(formats.moved(at_ms, "year", -1, zone), zone).date()
        monday = then - timedelta(days=then.weekday())
        return formats.midnight(monday, zone), formats.midnight(monday + timedelta(days=7), zone)
    if span in FIRST_MONTHS:
        first = (FIRST_MONTHS[span] + (6 if south else 0) - 1) % 12 + 1
        begins = date(today.year, first, 1)
        while (end := formats.midnight(_months_on(begins, 3), zone)) > at_ms:
            begins = _months_on(begins, -12)
        return formats.midnight(begins, zone), end
    return formats.moved(at_ms, span, -1, zone), at_ms


def _months_on(first: date, months: int) -> date:
    number = first.year * 12 + first.month - 1 + months
    return date(number // 12, number % 12 + 1, 1)


def stepped(span: str, at_ms: int, by: int, zone: ZoneInfo) -> int:
    """Moment from which the span before (-1) or after (1) is seen. [ms]"""
    return formats.moved(at_ms, _STEPS.get(span, span), by, zone)


def words(span: str) -> str:
    """A span up to now, in words."""
    if span == "all":
        return "all years"
    return SPANS[span].lower() if span in _STEPS else f"last {span}"
