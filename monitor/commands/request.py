"""What is asked, and what answers it: the words that the commands of every book share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from monitor.commands.projections import Journal
from monitor.core.errors import MonitorError
from monitor.domain.events import About, Event


class CommandFault(MonitorError, ValueError):
    """A command is no command: what is wrong and what is allowed."""


class Request(NamedTuple):
    """One command: what is to be done to what, with which wishes, by whom, when.

    `now_ms` in ms since 1970-01-01 UTC.
    """

    about: About
    do: str
    wish: Mapping[str, Any]
    by: str
    now_ms: int
    journal: Journal

    def event(self, subject: str, body: Mapping[str, Any], action: str = "") -> Event:
        """The event that carries it out."""
        return Event(self.about, subject, self.now_ms, self.by, action or self.do, body)

    def id_of(self, key: str) -> str:
        """The id that the wish names.

        Raises
        ------
        CommandFault
            If it is no text.
        """
        given = self.wish.get(key, "")
        if not isinstance(given, str):
            raise CommandFault(f'{key} = {given!r:.40}: must be text, such as "12"')
        return given

    def rest(self, *taken: str) -> dict[str, Any]:
        """The wish without some of its names."""
        return {name: value for name, value in self.wish.items() if name not in taken}


class Decision(NamedTuple):
    """What is to be written, and the answer."""

    events: list[Event]
    answer: Mapping[str, Any]
