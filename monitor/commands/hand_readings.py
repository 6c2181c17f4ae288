"""Commands on readings by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.core.measurements import BY_HAND, Quantity, Reading, Series, new_name_fault
from monitor.core.validation import SURE, given
from monitor.domain.events import About, Event
from monitor.domain.hand_reading import HandReadingRequest, LastReading, ReadByHand, doubts
from monitor.domain.sensor_requests import SensorAction
from monitor.store.connection import Cursor

MISTYPED = "Mistyped."
HOTTEST_C = 50.0
"""Hottest air that a person reads; 68 °F typed as °C is above it. [°C]  Ours."""


class HandReadings(Protocol):
    """Access to the stored readings by hand."""

    def last_ms(self, place: str) -> int | None:
        """Time of the last one at a place that counts; None without one. [ms]"""

    def is_taken(self, place: str, at_ms: int) -> bool:
        """True if there is one of that moment at a place, voided or not."""

    def last_before(self, place: str, at_ms: int) -> LastReading | None:
        """The last reading of any sensor of a place up to a moment; None without one. [ms]"""

    def is_indoors(self, place: str) -> bool:
        """True unless a place is outdoors."""

    def storing(self, readings: Sequence[Reading]) -> Callable[[Cursor], None]:
        """Function that stores readings within a transaction."""


class DecideHandReading:
    """Carries out requests on readings by hand."""

    def __init__(self, kept: HandReadings | None) -> None:
        self._kept = kept

    def __call__(self, command: Command[HandReadingRequest]) -> Decision:
        request, kept = command.request, self._kept
        if kept is None:
            raise Rejected("readings by hand are not accepted here")
        if isinstance(request, ReadByHand):
            return self._read(kept, command, request)
        last_ms = kept.last_ms(request.place)
        if last_ms is None:
            raise Rejected(Fault("has no reading by hand", "place", request.place))
        body = {"from_ms": last_ms, "until_ms": last_ms + 1, "why": MISTYPED}
        sensor = f"{request.place}/{BY_HAND}"
        void = Event(
            About.SENSOR, sensor, command.now_ms, command.by, SensorAction.VOID_READINGS, body
        )
        return Decision([void], {"place": request.place, "at_ms": last_ms})

    def _read(
        self, kept: HandReadings, command: Command[HandReadingRequest], request: ReadByHand
    ) -> Decision:
        if request.temp_c > HOTTEST_C:
            text = "is hotter than any shop: was it read in °F? Type it in the unit of the field"
            raise Rejected(Fault(text, "temp_c", request.temp_c))
        at_ms, place = given(request.at_ms, command.now_ms), request.place
        if kept.is_taken(place, at_ms):
            raise Rejected(
                Fault("has a reading by hand already: withdraw it, or type another time", "at_ms")
            )
        values = {Quantity.TEMPERATURE: request.temp_c, Quantity.HUMIDITY: request.rh_pct}
        readings = [Reading(Series(place, BY_HAND, q), at_ms, v) for q, v in values.items()]
        body: dict[str, object] = {
            "temp_c": request.temp_c,
            "rh_pct": request.rh_pct,
            "at_ms": at_ms,
        }
        last, indoors = kept.last_before(place, at_ms), kept.is_indoors(place)
        if last is None and (fault := new_name_fault(place)):
            raise Rejected(Fault(fault, "place"))
        if found := doubts(request.temp_c, request.rh_pct, at_ms, last, indoors=indoors):
            if request.sure is not True:
                raise Rejected(Fault(f"{' '.join(found)} Keep it?", SURE))
            body[SURE] = " ".join(found)
        answer = {"place": place, "at_ms": at_ms}
        return Decision([command.event(place, body)], answer, kept.storing(readings))
