"""Commands on sensors: move one, calibrate it, void what was wrong."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Protocol

from msgspec import structs

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.core.measurements import BY_HAND
from monitor.domain import sensor
from monitor.domain.sensor import SensorHistory, handed_on
from monitor.domain.sensor_requests import (
    ComparePoint,
    InheritCorrections,
    MoveSensor,
    RenameSensor,
    SensorRequest,
    TakePoint,
)


class SensorReader(Protocol):
    """Access to the readings that sensors sent."""

    def known(self) -> Collection[str]:
        """Every sensor, as "place/name" of its topic."""

    def rested(self, history: SensorHistory, now_ms: int) -> Mapping[str, Any]:
        """Return the point of a steady reading in a jar; raise `Rejected` if there is none."""

    def beside(
        self, history: SensorHistory, request: ComparePoint, now_ms: int
    ) -> Mapping[str, Any]:
        """The point of a sensor against a reference that was read by hand, or `Rejected`."""


class DecideSensor:
    """Carries out requests on sensors. The points come from `look`, never from the request."""

    def __init__(self, look: SensorReader | None) -> None:
        self._look = look

    def __call__(self, command: Command[SensorRequest]) -> Decision:
        request, now_ms = command.request, command.now_ms
        if self._look is None:
            raise Rejected("the sensors' readings are not available here")
        known = self._look.known()
        histories = command.journal.sensors
        if request.sensor not in known:
            named = [one.id for one in histories.values() if one.shown == request.sensor]
            if len(named) != 1:
                raise Rejected(
                    f"no sensor {request.sensor[:80]!r}: there is {_some(named or known)}"
                )
            request = structs.replace(request, sensor=named[0])
        history = histories.get(request.sensor) or SensorHistory(request.sensor)
        measured: Mapping[str, Any] | None = None
        corrections: Sequence[Mapping[str, Any]] = ()
        if isinstance(request, TakePoint) and history.jar is not None:
            measured = self._look.rested(history, now_ms)
        elif isinstance(request, ComparePoint):
            measured = self._look.beside(history, request, now_ms)
        elif isinstance(request, InheritCorrections):
            other = histories.get(request.of)
            if other is None or other.id == request.sensor:
                raise Rejected(
                    Fault("must be another sensor that has a history", "of", request.of)
                )
            corrections = handed_on(other.corrections)
        elif isinstance(request, RenameSensor):
            if (history.topic_name == BY_HAND) != (request.to.partition("/")[2] == BY_HAND):
                raise Rejected(Fault(f"the name {BY_HAND} is for readings that are typed", "to"))
        elif isinstance(request, MoveSensor):
            if history.topic_name == BY_HAND:
                raise Rejected("readings by hand belong to the place they were typed for")
            taken = f"{request.place}/{history.name}"
            if taken in known and taken != request.sensor:
                raise Rejected(
                    f"a sensor already sends as {taken}: if it is this sensor on a new topic, copy "
                    f"the corrections instead (inherit of {request.sensor})"
                )
        body = sensor.decide(history, request, now_ms, measured=measured, corrections=corrections)
        return Decision([command.event(request.sensor, body)], {"sensor": request.sensor})


def _some(known: Collection[str]) -> str:
    names = sorted(known)
    return (
        ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "") or "none"
    )
