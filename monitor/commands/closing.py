"""Commands that answer whether the shop is closed."""

from __future__ import annotations

from monitor.commands.request import Command, Decision
from monitor.domain.closing import ClosedUntil, ClosingRequest


def decide_closing(command: Command[ClosingRequest]) -> Decision:
    """Carry out an answer to the question whether the shop is closed."""
    request = command.request
    body = {"last": request.last} if isinstance(request, ClosedUntil) else {}
    return Decision([command.event(request.first, body)], {"closing": request.first})
