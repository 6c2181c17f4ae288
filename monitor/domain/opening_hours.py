"""The shop's opening hours, in its own zone: when it opens next, right across a clock change."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.core.clock import to_ms
from monitor.core.formats import local

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
CLOSED_MAX = 100
"""No shop is looked for that opens later. [d]"""
CLOSED_MAX_DAYS = 366
"""Longest time that one entry of `closed` may last. [d]"""
Hours = Mapping[str, Any]
"""Opening hours: `DAYS` with a `span` each, and `closed`, a list of `closed_dates`."""
_SPAN = re.compile(r"(\d{2}):(\d{2})-(\d{2}):(\d{2})")


def span(text: str) -> tuple[time, time] | None:
    """Opening and closing of a day written as `08:30-17:30`; None for a day that is closed.

    Raises
    ------
    ValueError
        If it is neither that nor empty.
    """
    if not text:
        return None
    found = _SPAN.fullmatch(text)
    try:
        if found is None:
            raise ValueError
        a, b, c, d = (int(part) for part in found.groups())
        opens, closes = time(a, b), time(c, d)
    except ValueError:
        raise ValueError(f"{text!r}: must be such as 08:30-17:30, or empty for closed") from None
    if opens >= closes:
        raise ValueError(f"{text!r}: closes before it opens")
    return opens, closes


def closed_dates(text: str) -> tuple[date, date]:
    """First and last day of dates written as `2026-12-24` or `2026-12-24/2027-01-02` (ISO 8601).

    Raises
    ------
    ValueError
        If it is neither.
    """
    first, _, last = text.partition("/")
    try:
        found = date.fromisoformat(first), date.fromisoformat(last or first)
        if found[1] < found[0] or "/" in last or text.endswith("/"):
            raise ValueError
    except ValueError:
        raise ValueError(
            f"{text!r}: must be a date such as 2026-12-24, or two such as 2026-12-24/2027-01-02"
        ) from None
    if (found[1] - found[0]).days > CLOSED_MAX_DAYS:  # each day is looked at, again and again
        raise ValueError(f"{text!r}: must be at most {CLOSED_MAX_DAYS} days long")
    return found


def closed_days(hours: Hours) -> NDArray[np.int64]:
    """The days of `closed`, as days since 1970-01-01, rising."""
    first = date(1970, 1, 1).toordinal()
    spans = (closed_dates(text) for text in hours.get("closed", ()))
    days = {n for a, b in spans for n in range(a.toordinal(), b.toordinal() + 1)}
    return np.array(sorted(days), np.int64) - first


def runs_of(days: Iterable[date]) -> list[tuple[date, date]]:
    """First and last days of runs without a gap, none longer than `closed_dates` takes.

    >>> [str(last) for _, last in runs_of([date(2026, 12, 25), date(2026, 12, 24)])]
    ['2026-12-25']
    """
    runs: list[tuple[date, date]] = []
    for day in sorted(days):
        first, last = runs[-1] if runs else (day, day)
        if day - last == timedelta(days=1) and (day - first).days <= CLOSED_MAX_DAYS:
            runs[-1] = (first, day)
        else:
            runs.append((day, day))
    return runs


def of_date(hours: Hours, day: date) -> tuple[time, time] | None:
    """Opening and closing of a day; None if it is closed, by its weekday or by its date."""
    if any(a <= day <= b for a, b in map(closed_dates, hours.get("closed", ()))):
        return None
    return span(hours.get(DAYS[day.weekday()], ""))


def quiet_until(
    quiet: str, zone: ZoneInfo, now_ms: int, closed_by: Hours | None = None
) -> int | None:
    """End of the quiet hours that a moment is in; None if it is in none.

    Parameters
    ----------
    quiet : str
        As `21:00-07:00`, which may go over midnight; empty: there are none.
    now_ms : int
        [ms since 1970-01-01 UTC]
    closed_by : mapping, optional
        Opening hours by which a closed day is quiet from its first hour until quiet hours end on
        the next open day.

    Returns
    -------
    int or None
        [ms since 1970-01-01 UTC]
    """
    today = local(now_ms, zone).date()
    found = quiet_span(quiet)
    if closed_by is not None and of_date(closed_by, today) is None:
        ahead = (today + timedelta(days=n) for n in range(1, CLOSED_MAX))
        opens = next((day for day in ahead if of_date(closed_by, day) is not None), None)
        if opens is not None:
            morning = found[1] if found and found[0] >= found[1] else time(0)
            return to_ms(datetime.combine(opens, morning, zone))
    if found is None:
        return None
    begin, end = found
    for back in (1, 0):
        day = today - timedelta(days=back)
        ends = day + timedelta(days=begin >= end)
        first = to_ms(datetime.combine(day, begin, zone))
        last = to_ms(datetime.combine(ends, end, zone))
        if first <= now_ms < last:
            if ends > today and closed_by is not None and of_date(closed_by, ends) is None:
                return quiet_until(quiet, zone, last, closed_by) or last
            return last
    return None


def quiet_span(text: str) -> tuple[time, time] | None:
    """Beginning and end of quiet hours written as `21:00-07:00`; None if empty.

    Raises
    ------
    ValueError
        If it is neither that nor empty.
    """
    if not text:
        return None
    begin, dash, end = text.partition("-")
    try:
        found = of_day(begin), of_day(end)
        if not dash or found[0] == found[1]:
            raise ValueError
    except ValueError:
        raise ValueError(f"{text!r}: must be such as 21:00-07:00, or empty for none") from None
    return found


def of_day(text: str) -> time:
    """A time of day written as `08:30`.

    Raises
    ------
    ValueError
        If it is none.
    """
    hour, colon, minute = text.partition(":")
    if not colon or len(hour) != 2 or len(minute) != 2 or not (hour + minute).isascii():
        raise ValueError(f"{text!r}: must be a time such as 08:30")
    try:
        return time(int(hour), int(minute))
    except ValueError:
        raise ValueError(f"{text!r}: must be a time such as 08:30") from None


def next_opening(hours: Hours, zone: ZoneInfo, now_ms: int) -> int | None:
    """Time at which the shop opens next, after now; None: never. [ms since 1970-01-01 UTC]"""
    today = local(now_ms, zone).date()
    for ahead in range(CLOSED_MAX):
        day = today + timedelta(days=ahead)
        found = of_date(hours, day)
        if found is None:
            continue
        opens = to_ms(datetime.combine(day, found[0], zone))
        if opens > now_ms:
            return opens
    return None


def last_closing(hours: Hours, zone: ZoneInfo, now_ms: int) -> int | None:
    """Latest closing time at or before a moment; None: never. [ms since 1970-01-01 UTC]"""
    today = local(now_ms, zone).date()
    for back in range(CLOSED_MAX):
        day = today - timedelta(days=back)
        found = of_date(hours, day)
        if (
            found is not None
            and (closes := to_ms(datetime.combine(day, found[1], zone))) <= now_ms
        ):
            return closes
    return None


def is_open(hours: Hours, zone: ZoneInfo, now_ms: int) -> bool:
    """True if the shop is open at a moment. [ms since 1970-01-01 UTC]"""
    moment = local(now_ms, zone)
    found = of_date(hours, moment.date())
    return found is not None and found[0] <= moment.time() < found[1]
