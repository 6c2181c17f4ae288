"""Commands on listening to every message that reaches the broker."""

from __future__ import annotations

from collections.abc import Callable

from monitor.commands.request import Command, Decision
from monitor.core.errors import Rejected
from monitor.domain.listening import StartListening
from monitor.store.connection import Cursor


class DecideListening:
    """Carries out requests to listen. `start` begins; None where nothing can listen."""

    def __init__(self, start: Callable[[], None] | None = None) -> None:
        self._start = start

    def __call__(self, command: Command[StartListening]) -> Decision:
        start, subject = self._start, command.request.subject
        if start is None:
            raise Rejected(
                "this broker cannot be opened to every topic while it runs: stop Benchweather and "
                "run `benchweather sensor listen`"
            )

        def write(_: Cursor) -> None:
            start()

        return Decision([command.event(subject, {})], {"listening": subject}, write)
