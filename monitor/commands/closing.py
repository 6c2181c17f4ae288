"""Commands that answer whether the shop is closed, and the opening hours that follow from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.commands.request import Command, Decision
from monitor.domain.closing import (
    AnsweredDays,
    ClosedUntil,
    ClosingRequest,
    answered_days,
    with_answers,
)
from monitor.domain.events import About
from monitor.store import journal

if TYPE_CHECKING:
    from monitor.domain.opening_hours import Hours
    from monitor.settings import Settings
    from monitor.store import Reader


def decide_closing(command: Command[ClosingRequest]) -> Decision:
    """Carry out an answer to the question whether the shop is closed."""
    request = command.request
    body = {"last": request.last} if isinstance(request, ClosedUntil) else {}
    return Decision([command.event(request.first, body)], {"closing": request.first})


def answers_of(reader: Reader) -> AnsweredDays:
    """Closed and open days by the answers."""
    events, _ = journal.events_about(reader.connection, About.CLOSING)
    return answered_days(events)


def shop_hours(reader: Reader, settings: Settings) -> Hours:
    """Opening hours by the settings and the answers."""
    return with_answers(settings.hours.model_dump(), answers_of(reader))
