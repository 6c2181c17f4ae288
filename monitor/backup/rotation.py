"""Which backups are kept: the newest of each of the last days, weeks and months that have one."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.core.clock import from_ms


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
    spans: tuple[tuple[int, Callable[[datetime], object]], ...] = (
        (max(daily, 1), lambda at: at.date()),
        (weekly, lambda at: at.date() - timedelta(days=at.weekday())),
        (monthly, lambda at: (at.year, at.month)),
    )
    found: set[int] = set()
    for number, span in spans:
        last: dict[object, int] = {}
        for ms in newest_first:
            last.setdefault(span(from_ms(ms).astimezone(zone)), ms)
        found.update(list(last.values())[:number])
    return found
