"""The question whether the shop is closed today, or open again: its words, its taps, and the request
they mean."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard.ui import formats
from dashboard.ui.controls import action_button, fault_line, folded, labelled, tap_row
from monitor.domain.closing import ClosingAction

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from dash.development.base_component import Component

    from dashboard.data.outlook import ShutToday
    from dashboard.ui.form_input import Form

LAST = "last"
"""The field for the last closed day."""
LABELS = {LAST: "Last closed day"}
MAYBE = 0.2
"""From this probability on, Coming names the chance of a closed day. [-]  Ours."""


def why(chance: float) -> str:
    """Reason for the question."""
    return (
        "The readings since early morning look like those of a closed day: "
        f"{100 * chance:.0f} % chance that the shop is closed today. Until you answer, the outlook "
        "allows for an open and a closed shop. If the shop is open but cold, check the heating."
    )


def why_again(chance: float) -> str:
    """Reason for the question whether the shop is open again."""
    return (
        "This day is entered as closed. The readings since early morning look like those of an open "
        f"day: {100 * chance:.0f} % chance that the shop is open today. Until you answer, the outlook "
        "and start times assume a closed shop."
    )


def maybe(chance: float) -> str:
    """Note on a shop that may be closed, while that is too unsure to ask."""
    return (
        f"{100 * chance:.0f} % chance that the shop is closed today. The outlook allows for an open "
        "and a closed shop."
    )


def closed_words(until: date | None, today: date) -> str:
    """The answer that was given, in words; `until`: the last closed day, None if it is open."""
    if until is None:
        return "The shop is open today."
    if until == today:
        return "The shop is closed today."
    return f"The shop is closed. Last closed day: {formats.day(until)}."


USES = (
    "The outlook, good hours and start times use this answer. Quiet hours use the closed days under "
    "Settings, Hours. If you open earlier, tap Change."
)
"""Uses of an answer that the shop is closed."""


def values_of(tap: Mapping[str, Any], form: Form) -> dict[str, Any]:
    """The fields of the request that a tap means."""
    values: dict[str, Any] = {"first": tap.get("first", "")}
    if tap.get("do") == ClosingAction.CLOSED:
        values[LAST] = form.text(LAST)
    return values


def question(shut: ShutToday, *, writer: bool) -> Component:
    """The question whether the shop is closed today, or open again, with two taps."""
    asks, reason = "Closed today? Until when?", why(shut.chance)
    if shut.asked_again:
        asks, reason = "Open again?", why_again(shut.chance_again)
    return html.Div(
        [
            html.P(asks, className="lead"),
            html.P(reason),
            *(taps(shut.today, until=shut.until) if writer else []),
        ],
        className="question",
    )


def taps(today: date, *, until: date | None = None) -> list[Component]:
    """The field for the last closed day and the taps that answer; `until`: as it was answered."""
    about = {
        "about": "closing",
        "first": today.isoformat(),
        "said": "Answer saved.",
        "then": "reload",
    }
    last = labelled(
        LABELS[LAST],
        "coming-closed-last",
        dcc.Input(
            id="coming-closed-last",
            name=LAST,
            type="date",  # type: ignore[arg-type] # the browser's own field for a day
            value=(until or today).isoformat(),
        ),
        fault_line(LAST),
    )
    return [
        html.Div([last], id="coming-closed", className="fields"),
        tap_row(
            [
                action_button(
                    "Closed until this day", ClosingAction.CLOSED, form="coming-closed", **about
                ),
                action_button("Open today", ClosingAction.OPEN, **about),
            ]
        ),
    ]


def answer(shut: ShutToday, *, writer: bool) -> Component:
    """The answer that was given about today, with taps to change it."""
    return html.Div(
        [
            html.P(f"Your answer: {closed_words(shut.until, shut.today)}"),
            *([html.P(USES, className="aside")] if shut.until is not None else []),
            *([folded("Change", *taps(shut.today, until=shut.until))] if writer else []),
        ],
        className="question",
    )
