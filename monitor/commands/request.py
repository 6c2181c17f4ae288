"""A request in its context, and the decision that answers it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Generic, NamedTuple, TypeVar

from monitor.commands.projections import Journal
from monitor.core.validation import Request
from monitor.domain.events import About, Event
from monitor.store.connection import Cursor

R = TypeVar("R", bound=Request)
Also = Callable[[Cursor, Mapping[str, Any]], None]
"""What is done within the transaction that carries a command out, with its answer."""


def no_more(_run: Cursor, _answer: Mapping[str, Any]) -> None:
    """Do nothing besides."""


class Command(NamedTuple, Generic[R]):
    """A request with who asks, the present [ms since 1970-01-01 UTC] and the shop as it is."""

    request: R
    by: str
    now_ms: int
    journal: Journal

    def event(self, subject: str, body: Mapping[str, Any]) -> Event:
        """The event that carries the request out."""
        about, action = About(self.request.about), self.request.__struct_config__.tag
        return Event(about, subject, self.now_ms, self.by, str(action), body)


class Decision(NamedTuple):
    """The events to write, the answer to the command, and what else is written with them."""

    events: list[Event]
    answer: Mapping[str, Any]
    write: Callable[[Cursor], None] | None = None
