"""Messages read by a rule of the shop's: mapped JSON and bare numbers."""

from __future__ import annotations

import math
import re
from datetime import datetime
from typing import Any

import jsonpointer
import msgspec

from monitor.clock import to_ms
from monitor.errors import BadPayload
from monitor.payload.judging import Decoded, conversion_of, judged, told
from monitor.records import Series
from monitor.topics import TopicRule

_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")
_decode_any = msgspec.json.Decoder().decode
_decode_object = msgspec.json.Decoder(dict[str, Any]).decode


class MappedJson:
    """Any JSON document, with a pointer and a unit for each quantity."""

    def __init__(self, place: str, sensor: str, rule: TopicRule) -> None:
        self._picks = [
            (
                Series(place, sensor, quantity),
                jsonpointer.JsonPointer(pick.pointer),
                conversion_of(quantity, pick.unit),
            )
            for quantity, pick in rule.quantities.items()
        ]
        self._time = rule.time
        self._time_pointer = jsonpointer.JsonPointer(rule.time.pointer) if rule.time else None

    def __call__(self, payload: bytes, received_ms: int) -> Decoded:
        try:
            document = _decode_any(payload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
            raise BadPayload(f"not JSON: {exc}") from exc
        ts_ms = received_ms
        if self._time and self._time_pointer:
            ts_ms = _moment(_at(self._time_pointer, document), self._time.unit)
        readings, faults = [], []
        for series, pointer, conversion in self._picks:
            try:
                value = _number(_at(pointer, document), pointer.path)
                readings.append(judged(series, conversion, value, ts_ms, received_ms))
            except BadPayload as exc:
                faults.append(str(exc))
        if not readings:
            raise BadPayload(told(faults))
        return Decoded(readings, faults, self._time is not None)


class BareNumber:
    """A message that is one number."""

    def __init__(self, place: str, sensor: str, rule: TopicRule) -> None:
        if rule.quantity is None or rule.unit is None:
            raise BadPayload("the rule of this topic names no quantity or no unit")
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


def json_object(payload: bytes) -> dict[str, Any]:
    """A message that is one JSON object.

    Raises
    ------
    BadPayload
        If it is anything else.
    """
    try:
        return _decode_object(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
        raise BadPayload(f"not a JSON object: {exc}") from exc


def _at(pointer: jsonpointer.JsonPointer, document: Any) -> Any:
    try:
        return pointer.resolve(document)
    except jsonpointer.JsonPointerException as exc:
        raise BadPayload(f"nothing stands at {pointer.path!r}") from exc


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadPayload(f"{where!r} holds {str(value)[:40]!r}: must be a number")
    try:
        return float(value)
    except OverflowError as exc:
        raise BadPayload(f"{where!r} holds a number too large") from exc


def _moment(value: Any, unit: str) -> int:
    if unit == "iso":
        try:
            moment = datetime.fromisoformat(value)
            return to_ms(moment)
        except (TypeError, ValueError) as exc:
            raise BadPayload(
                f"time {str(value)[:40]!r} must be ISO 8601 with a zone, such as 2026-01-05T14:30:00Z"
            ) from exc
    number = _number(value, "time")
    number *= 1000 if unit == "s" else 1
    if not math.isfinite(number):
        raise BadPayload("time is not a number that can be a time")
    return round(number)
