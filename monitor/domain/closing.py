"""Requests that answer whether the shop is closed, and the days that follow from the answers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from typing import Annotated, Any, ClassVar, NamedTuple

from msgspec import Meta

from monitor.core.errors import Fault
from monitor.core.validation import Request
from monitor.domain.events import About, Event
from monitor.domain.opening_hours import Hours, closed_dates, runs_of

CLOSED_MAX_DAYS = 366
"""Longest time closed in one answer. [d]"""
NEAR_DAYS = 366
"""An answer is about days no further than this from today. [d]"""
ALLOWED = "a date such as 2026-12-24"


class ClosingAction(StrEnum):
    """An answer, as events and messages have it."""

    CLOSED = "closed"
    OPEN = "open"


def _date_fault(text: str) -> str | None:
    try:
        date.fromisoformat(text)
    except ValueError:
        return f"must be {ALLOWED}"
    return None


Day = Annotated[str, Meta(max_length=10, extra={"fault": _date_fault, "allowed": ALLOWED})]
"""A date as ISO 8601 has it."""


class ClosingRequest(Request, frozen=True, kw_only=True):
    """An answer about days of the shop, from `first` on. The last answer about a day counts."""

    about: ClassVar[str] = About.CLOSING
    key: ClassVar[str] = "first"
    first: Day

    @classmethod
    def faults_between(cls, values: Mapping[str, Any], now_ms: int) -> Iterable[Fault]:
        """Faults of days too far away, or in the wrong order."""
        today = datetime.fromtimestamp(now_ms / 1000, UTC).date()
        days = [
            (name, date.fromisoformat(values[name]))
            for name in ("first", "last")
            if name in values
        ]
        for name, day in days:
            if abs((day - today).days) > NEAR_DAYS:
                yield Fault("", name, str(day), f"within {NEAR_DAYS} days of today")
        if len(days) == 2 and days[1][1] < days[0][1]:
            yield Fault("", "last", str(days[1][1]), f"{days[0][1]} or later")
        elif len(days) == 2 and (days[1][1] - days[0][1]).days >= CLOSED_MAX_DAYS:
            yield Fault("", "last", str(days[1][1]), f"less than {CLOSED_MAX_DAYS} days later")


class ClosedUntil(ClosingRequest, frozen=True, kw_only=True, tag="closed"):
    """Record that the shop is closed up to and with the day `last`."""

    last: Day


class OpenToday(ClosingRequest, frozen=True, kw_only=True, tag="open"):
    """Record that the shop is open on the day `first`, and ends a closing there."""


REQUESTS = (ClosedUntil, OpenToday)


class AnsweredDays(NamedTuple):
    """Closed and open days by the answers, and the first of each closing, rising."""

    closed: tuple[date, ...]
    opened: tuple[date, ...]
    begun: tuple[date, ...] = ()


def answered_days(events: Iterable[Event]) -> AnsweredDays:
    """Days from the answers, oldest first; each ends a closing that began before it."""
    closed: set[date] = set()
    opened: set[date] = set()
    begun: set[date] = set()
    for event in events:
        first = after = date.fromisoformat(event.subject)
        while after in closed:
            closed.remove(after)
            begun.discard(after)
            after += timedelta(days=1)
        if event.action == ClosingAction.CLOSED:
            count = (date.fromisoformat(event.body["last"]) - first).days + 1
            days = {first + timedelta(days=n) for n in range(count)}
            closed |= days
            opened -= days
            begun = begun - days | {first}
        else:
            opened.add(first)
    return AnsweredDays(*(tuple(sorted(days)) for days in (closed, opened, begun)))


def with_answers(hours: Hours, answered: AnsweredDays) -> Hours:
    """Opening hours in which the answers count more than the closed dates of the settings."""
    closed = set(answered.closed)
    for first, last in map(closed_dates, hours.get("closed", ())):
        closed |= {first + timedelta(days=n) for n in range((last - first).days + 1)}
    runs = runs_of(closed - set(answered.opened))
    return {**hours, "closed": [f"{first}/{last}" for first, last in runs]}
