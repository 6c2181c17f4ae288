"""Suggestions of closed days: public holidays, and the closings of last year."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from dash import html

from dashboard.ui import formats
from dashboard.ui.controls import action_button, tap_row
from monitor.core.public_holidays import next_year
from monitor.domain.opening_hours import closed_dates, of_date, runs_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from dash.development.base_component import Component

    from monitor.settings import Settings

Span = tuple[date, date]
"""First and last day."""


def suggestions(now: Settings, today: date, answered: Iterable[date] = ()) -> list[Component]:
    """Suggested closed days, each with a tap. Nothing is closed without one.

    `answered`: days that somebody answered the shop was closed on.
    """
    return [*_again(now, today, answered), *_public(now, today)]


def last_year(now: Settings, today: date, answered: Iterable[date] = ()) -> list[Span]:
    """Closings of the last twelve months, moved on by a year, that are ahead and not closed yet."""
    spans = [closed_dates(text) for text in now.hours.closed]
    named = {day for span in spans for day in _days(span)}
    spans += runs_of(set(answered) - named)
    hours = now.hours.model_dump()
    found = []
    for first, last in sorted(set(spans)):
        span = _year_on(first), _year_on(last)
        began = today - timedelta(days=365) <= first <= today
        opens = any(of_date(hours, day) is not None for day in _days(span))
        if began and span[1] >= today and opens:
            found.append((max(span[0], today), span[1]))
    return found


def _again(now: Settings, today: date, answered: Iterable[date]) -> list[Component]:
    spans = last_year(now, today, answered)
    if not spans:
        return []
    return [
        html.H2("Closed last year"),
        html.P("Tap the closings that you will repeat."),
        tap_row([_tap(_span_words(span), span, now) for span in spans]),
    ]


def _public(now: Settings, today: date) -> list[Component]:
    if not now.shop.country:
        return [
            html.H2("Public holidays"),
            html.P(
                "Enter the country above and save. Its public holidays are then suggested here."
            ),
        ]
    hours = now.hours.model_dump()
    ahead = next_year(now.shop.country, now.shop.region, today)
    open_ = [one for one in ahead if of_date(hours, one.day) is not None]
    parts: list[Component] = [html.H2("Public holidays in the next 12 months")]
    if not open_:
        return [*parts, html.P("The shop is closed on all of them.")]
    return [
        *parts,
        html.P(
            "Tap the days on which you close. Check the dates: your town may have other holidays."
        ),
        tap_row(
            [_tap(f"{_words(one.day)}: {one.name}", (one.day, one.day), now) for one in open_]
        ),
    ]


def _tap(words: str, span: Span, now: Settings) -> Component:
    first, last = span
    text = f"{first}" if first == last else f"{first}/{last}"
    return action_button(
        words,
        "change",
        about="settings",
        version=now.version,
        close=text,
        then="reload",
        said="Saved.",
    )


def _span_words(span: Span) -> str:
    first, last = span
    return _words(first) if first == last else f"{_words(first)} to {_words(last)}"


def _words(day: date) -> str:
    return f"{formats.day(day)} {day.year}"


def _days(span: Span) -> list[date]:
    first, last = span
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def _year_on(day: date) -> date:
    try:
        return day.replace(year=day.year + 1)
    except ValueError:  # 29 February
        return day.replace(year=day.year + 1, day=28)
