"""Commands on sensors: move one, calibrate it, void what was wrong."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, Protocol

from monitor.commands.request import CommandFault, Decision, Request
from monitor.core.measurements import Quantity
from monitor.domain import sensor
from monitor.domain.sensor import SensorAction, SensorFault, SensorHistory, handed_on, quantity_of


class SensorReader(Protocol):
    """Whoever can look at what sensors told."""

    def known(self) -> Collection[str]:
        """Every sensor, as "place/name" of its topic."""

    def rested(self, history: SensorHistory, now_ms: int) -> Mapping[str, Any]:
        """The point of a sensor that has come to rest in its jar, or a `SensorFault` saying why
        there is none."""

    def beside(
        self, history: SensorHistory, quantity: Quantity, wish: Mapping[str, Any], at_ms: int
    ) -> Mapping[str, Any]:
        """The point of a sensor against a reference read by hand, or a `SensorFault`."""


class OfSensors:
    """`look` is asked for the points, so that what a sensor read is never taken on somebody's word."""

    def __init__(self, look: SensorReader | None) -> None:
        self._look = look

    def __call__(self, asked: Request) -> Decision:
        if asked.do not in list(SensorAction):
            raise CommandFault(f"do = {asked.do!r:.40}: must be one of {', '.join(SensorAction)}")
        did, sensor_id = SensorAction(asked.do), asked.id_of("sensor")
        if self._look is None:
            raise CommandFault("sensors cannot be looked at here")
        known = self._look.known()
        if sensor_id not in known:
            raise SensorFault(f"no sensor speaks as {sensor_id[:80]!r}: there is {_some(known)}")
        history = asked.journal.sensors.get(sensor_id) or SensorHistory(sensor_id)
        wish = asked.rest("sensor")
        if did is SensorAction.TAKE and history.jar is not None:
            wish["measured"] = self._look.rested(history, asked.now_ms)
        elif did is SensorAction.COMPARE:
            quantity = quantity_of(wish.get("quantity", Quantity.HUMIDITY))
            at_ms = wish.get("at_ms", asked.now_ms)
            wish |= {
                "quantity": quantity,
                "measured": self._look.beside(history, quantity, wish, at_ms),
            }
        elif did is SensorAction.INHERIT:
            other = asked.journal.sensors.get(str(wish.get("of")))
            if other is None or other.id == sensor_id:
                raise SensorFault(
                    f"of = {wish.get('of')!r:.80}: no other sensor's history is so called"
                )
            wish["corrections"] = handed_on(other.corrections)
        elif did is SensorAction.MOVE:
            taken = f"{wish.get('place')}/{history.name}"
            if taken in known and taken != sensor_id:
                raise SensorFault(
                    f"a sensor speaks as {taken} already: if it is this one on a new topic, let "
                    f"that one take over its corrections (inherit of {sensor_id})"
                )
        body = sensor.decide(history, did, wish, asked.now_ms)
        return Decision([asked.event(sensor_id, body)], {"sensor": sensor_id})


def _some(known: Collection[str]) -> str:
    names = sorted(known)
    return (
        ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "") or "none"
    )
