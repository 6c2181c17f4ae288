"""List of who did what and when to one thing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.ui import formats

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from monitor.domain.events import Event


def event_list(
    events: Sequence[Event], words: Callable[[Event], str], now_ms: int, zone: ZoneInfo
) -> Component:
    """History of one thing, newest first; `words` describes an event."""
    return html.Ol(
        [
            html.Li(
                [
                    html.Span(formats.when(event.recorded_ms, now_ms, zone), className="moment"),
                    html.Span(words(event)),
                    html.Span(event.by or "no name given", className="by-whom"),
                ],
                key=f"{i}",
            )
            for i, event in reversed(list(enumerate(events)))
        ],
        className="history",
        reversed="reversed",
    )
