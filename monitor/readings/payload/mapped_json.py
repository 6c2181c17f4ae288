"""Messages read by a rule of the shop's: mapped JSON and bare numbers."""

from __future__ import annotations

import re

from monitor.core.errors import BadPayload
from monitor.core.json_documents import at, json_document, moment_of, number_of, pointer_of
from monitor.core.measurements import Series
from monitor.domain.topic_rules import TopicRule
from monitor.readings.payload.validation import Decoded, conversion_of, judged, reason_of

_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")


class MappedJson:
    """Any JSON document, with a pointer and a unit for each quantity."""

    def __init__(self, place: str, sensor: str, rule: TopicRule) -> None:
        self._picks = [
            (
                Series(place, sensor, quantity),
                pointer_of(pick.pointer),
                conversion_of(quantity, pick.unit),
            )
            for quantity, pick in rule.quantities.items()
        ]
        self._time = rule.time
        self._time_pointer = pointer_of(rule.time.pointer) if rule.time else None

    def __call__(self, payload: bytes, received_ms: int) -> Decoded:
        document = json_document(payload)
        ts_ms = received_ms
        if self._time and self._time_pointer:
            ts_ms = moment_of(at(self._time_pointer, document), self._time.unit)
        readings, faults = [], []
        for series, pointer, conversion in self._picks:
            try:
                value = number_of(at(pointer, document), pointer.path)
                readings.append(judged(series, conversion, value, ts_ms, received_ms))
            except BadPayload as exc:
                faults.append(str(exc))
        if not readings:
            raise BadPayload(reason_of(faults))
        return Decoded(readings, faults, self._time is not None)


class BareNumber:
    """A message that is one number."""

    def __init__(self, place: str, sensor: str, rule: TopicRule) -> None:
        if rule.quantity is None or rule.unit is None:
            raise BadPayload("the rule of this topic needs a quantity and a unit")
        self._series = Series(place, sensor, rule.quantity)
        self._conversion = conversion_of(rule.quantity, rule.unit)

    def __call__(self, payload: bytes, received_ms: int) -> Decoded:
        try:
            text = payload.decode("ascii").strip()
        except UnicodeDecodeError:
            text = ""
        if not _NUMBER.fullmatch(text):
            raise BadPayload(f"{payload[:40]!r} is not a number such as 45.2")
        value = float(text)
        reading = judged(self._series, self._conversion, value, received_ms, received_ms)
        return Decoded([reading], [], False)
