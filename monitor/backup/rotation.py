"""The rule on which backups are kept: the newest of each of the last days, weeks and months."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from monitor.core.clock import day_of


def kept(
    made_ms: Iterable[int], zone: ZoneInfo, *, daily: int, weekly: int, monthly: int
) -> set[int]:
    """Times of the backups that are kept; the newest is always among them.

    Days, weeks (from Monday) and months are of the shop's time zone; one without a backup does not
    count.

    Examples
    --------
    >>> day, zone = 86_400_000, ZoneInfo("UTC")
    >>> sorted(ms // day for ms in kept(range(0, 40 * day, day), zone, daily=2, weekly=2, monthly=2))
    [30, 38, 39]
    """
    newest_first = sorted(set(made_ms), reverse=True)
    spans: tuple[tuple[int, Callable[[date], date]], ...] = (
        (max(daily, 1), lambda day: day),
        (weekly, lambda day: day - timedelta(days=day.weekday())),
        (monthly, lambda day: day.replace(day=1)),
    )
    found: set[int] = set()
    for number, span in spans:
        last: dict[date, int] = {}
        for ms in newest_first:
            last.setdefault(span(day_of(ms, zone)), ms)
        found.update(list(last.values())[:number])
    return found
