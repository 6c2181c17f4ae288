"""The shop's opening hours, in its own zone: when it opens next, right across a clock change."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from monitor.clock import from_ms, to_ms

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
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
        raise ValueError(f"{text!r}: must be as 08:30-17:30, or empty for closed") from None
    if opens >= closes:
        raise ValueError(f"{text!r}: closes before it opens")
    return opens, closes


def quiet_until(quiet: str, zone: ZoneInfo, now_ms: int) -> int | None:
    """When the quiet hours that it is in end; None if it is in none.

    Parameters
    ----------
    quiet : str
        As `21:00-07:00`, which may go over midnight; empty: there are none.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Returns
    -------
    int or None
        [ms since 1970-01-01 UTC]
    """
    found = quiet_span(quiet)
    if found is None:
        return None
    begin, end = found
    today = from_ms(now_ms).astimezone(zone).date()
    for back in (1, 0):
        day = today - timedelta(days=back)
        ends = day + timedelta(days=begin >= end)
        first = to_ms(datetime.combine(day, begin, zone))
        last = to_ms(datetime.combine(ends, end, zone))
        if first <= now_ms < last:
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
        raise ValueError(f"{text!r}: must be as 21:00-07:00, or empty for none") from None
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
        raise ValueError(f"{text!r}: must be as 08:30")
    try:
        return time(int(hour), int(minute))
    except ValueError:
        raise ValueError(f"{text!r}: must be as 08:30") from None


def next_opening(hours: Mapping[str, str], zone: ZoneInfo, now_ms: int) -> int | None:
    """When the shop opens next, after now; None if it never does. [ms since 1970-01-01 UTC]"""
    today = from_ms(now_ms).astimezone(zone).date()
    for ahead in range(9):
        day = today + timedelta(days=ahead)
        found = span(hours.get(DAYS[day.weekday()], ""))
        if found is None:
            continue
        opens = to_ms(datetime.combine(day, found[0], zone))
        if opens > now_ms:
            return opens
    return None


def is_open(hours: Mapping[str, str], zone: ZoneInfo, now_ms: int) -> bool:
    """Whether the shop is open at a moment. [ms since 1970-01-01 UTC]"""
    local = from_ms(now_ms).astimezone(zone)
    found = span(hours.get(DAYS[local.weekday()], ""))
    return found is not None and found[0] <= local.time() < found[1]
