"""Commands on messages that were kept aside."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.domain.aside import AsideRequest, TakeAside
from monitor.store.connection import Cursor


class AsideWork(NamedTuple):
    """Work of taking in or dismissing: numbers of messages and readings, and the writing."""

    messages: int
    readings: int
    write: Callable[[Cursor], None]


class AsideKeeper(Protocol):
    """Access to the messages kept aside."""

    def sensors(self) -> Sequence[str]:
        """Sensors of which something is kept aside."""

    def take(self, sensor: str, now_ms: int, *, as_dated: bool) -> AsideWork:
        """Take all of a sensor in; raise `Rejected` if it is still ahead."""

    def dismiss(self, sensor: str) -> AsideWork:
        """Dismiss all of a sensor."""


class DecideAside:
    """Carries out requests on messages that were kept aside."""

    def __init__(self, keeper: AsideKeeper | None) -> None:
        self._keeper = keeper

    def __call__(self, command: Command[AsideRequest]) -> Decision:
        request, keeper = command.request, self._keeper
        sensors = keeper.sensors() if keeper else []
        if keeper is None or request.sensor not in sensors:
            allowed = f"one of {', '.join(sensors) or 'none'}"
            raise Rejected(Fault("", "sensor", request.sensor[:80], allowed))
        body: dict[str, object] = {}
        if isinstance(request, TakeAside):
            work = keeper.take(request.sensor, command.now_ms, as_dated=request.as_dated)
            body["as_dated"] = request.as_dated
        else:
            work = keeper.dismiss(request.sensor)
        body |= {"messages": work.messages, "readings": work.readings}
        event = command.event(request.sensor, body)
        return Decision([event], {"sensor": request.sensor, **body}, work.write)
