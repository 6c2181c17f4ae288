"""The present, as aware UTC and as the integer milliseconds that the store keeps."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta, tzinfo

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)

AHEAD_MAX_MS = 300_000
"""Most that a reading may be dated ahead of a clock; a later one never counts as the present. [ms]"""

EVER_MS = 2**53
"""A moment beyond all others. [ms]"""

time_ns = time.time_ns
"""Source of the present, for every part of the program. The tests put their own in its place. [ns]"""


def now_ms() -> int:
    """Now. [ms since 1970-01-01 UTC]"""
    return time_ns() // 1_000_000


def today(zone: tzinfo) -> date:
    """The present day in a time zone."""
    return day_of(now_ms(), zone)


def day_of(ms: int, zone: tzinfo) -> date:
    """The day of a moment in a time zone. [ms since 1970-01-01 UTC]"""
    return from_ms(ms).astimezone(zone).date()


def to_ms(moment: datetime) -> int:
    """Milliseconds since 1970-01-01 UTC of an aware moment.

    Raises
    ------
    ValueError
        If `moment` has no time zone: one is never guessed.
    """
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone")
    return (moment - _EPOCH) // _MS


def from_ms(ms: int) -> datetime:
    """The aware UTC moment of `ms`. [ms since 1970-01-01 UTC]"""
    return _EPOCH + ms * _MS
