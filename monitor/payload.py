"""From the bytes of a message to readings: SenML packs, mapped JSON, bare numbers.

A unit, a time or a quantity is declared or it is refused; nothing is guessed. A record that can
be read is taken even when another record of the same message cannot; each that cannot is named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any, NamedTuple

import jsonpointer
import msgspec

from monitor.clock import from_ms, to_ms
from monitor.errors import BadPayload
from monitor.records import MEASURES, Quantity, Reading, Series, name_fault
from monitor.topics import CONTRACT_FILTER, TopicRule, matches
from monitor.units import UNITS, Conversion, allowed

PAYLOAD_MAX = 65_536
"""Largest message taken. [bytes]"""
RECORDS_MAX = 1_000
"""Most records in one pack."""
EARLIEST_MS = 1_577_836_800_000
"""2020-01-01 UTC: a time before it is a clock that was never set. [ms]"""
AHEAD_MAX_MS = 300_000
"""How far a sensor's clock may run ahead of ours. [ms]"""
SENML_VERSION = 10
"""Highest SenML version understood (RFC 8428, section 4.4)."""
RELATIVE_BELOW_S = 2**28
"""SenML times below this count from now, others from 1970 (RFC 8428, section 4.5.3). [s]"""
TOPICS_REMEMBERED = 20_000
"""How many topics' rules are kept at hand."""


class Decoded(NamedTuple):
    """What one message holds. `timed` says whether every reading has a time of its own, so that a
    repeat of the message is the same readings and not new ones."""

    readings: list[Reading]
    faults: list[str]
    timed: bool


class _Entry(NamedTuple):
    """How the values of one (record name, unit) at one sensor are kept."""

    series: Series
    conversion: Conversion
    low: float
    high: float


class _SenmlRecord(msgspec.Struct, gc=False):
    """A record as it stands in a pack (RFC 8428, section 4)."""

    bn: str = ""
    bt: float = 0.0
    bu: str = ""
    bv: float = 0.0
    bver: int | None = None
    n: str = ""
    u: str = ""
    t: float = 0.0
    v: float | None = None


_decode_pack = msgspec.json.Decoder(list[_SenmlRecord]).decode
_decode_any = msgspec.json.Decoder().decode
_decode_object = msgspec.json.Decoder(dict[str, Any]).decode
_OTHER_VALUES = {"vs": "text", "vb": "true or false", "vd": "data", "s": "a sum"}

Decoder = Callable[[bytes, int], Decoded]


class Contract:
    """Which messages are taken and how they are read.

    Parameters
    ----------
    rules : iterable of TopicRule
        The shop's own rules; the first that matches a topic wins. SenML on
        `benchweather/<place>/<sensor>` is always taken, after them.
    """

    def __init__(self, rules: Iterable[TopicRule] = ()) -> None:
        own = TopicRule(filter=CONTRACT_FILTER, place="{2}", sensor="{3}", format="senml")
        self.rules = (*rules, own)
        self.filters = tuple(dict.fromkeys(rule.filter for rule in self.rules))
        self._decoders: dict[str, Decoder] = {}

    def decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        """Read one message.

        Parameters
        ----------
        topic : str
        payload : bytes
        received_ms : int
            When it arrived: the time of a value that has none. [ms since 1970-01-01 UTC]

        Returns
        -------
        Decoded

        Raises
        ------
        BadPayload
            If nothing of the message can be taken.
        """
        decoder = self._decoders.get(topic)
        if decoder is None:
            if len(self._decoders) >= TOPICS_REMEMBERED:
                self._decoders.clear()
            decoder = self._decoders[topic] = self._decoder(topic)
        if len(payload) > PAYLOAD_MAX:
            raise BadPayload(f"{len(payload)} bytes: at most {PAYLOAD_MAX} are taken")
        return decoder(payload, received_ms)

    def _decoder(self, topic: str) -> Decoder:
        for rule in self.rules:
            if matches(rule.filter, topic):
                place, sensor = _named(rule.place, topic), _named(rule.sensor, topic)
                for what, name in (("place", place), ("sensor", sensor)):
                    if fault := name_fault(name):
                        raise BadPayload(f"{what} {name!r} in the topic {fault}")
                if rule.format == "senml":
                    return _Senml(place, sensor)
                if rule.format == "json":
                    return _MappedJson(place, sensor, rule)
                return _BareNumber(place, sensor, rule)
        raise BadPayload(f"no rule reads topic {topic!r}: see topics in the settings")


class _Senml:
    """A SenML JSON pack (RFC 8428)."""

    def __init__(self, place: str, sensor: str) -> None:
        self.place, self.sensor = place, sensor
        self._entries: dict[tuple[str, str], _Entry] = {}

    def __call__(self, payload: bytes, received_ms: int) -> Decoded:
        try:
            pack = _decode_pack(payload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
            raise BadPayload(f"not a SenML pack: {exc}") from exc
        if not pack:
            raise BadPayload("not a SenML pack: it holds no record")
        if len(pack) > RECORDS_MAX:
            raise BadPayload(f"{len(pack)} records: at most {RECORDS_MAX} are taken")
        if b'_"' in payload:
            _refuse_must_understand(payload)
        base_name = base_unit = ""
        base_time = base_value = 0.0
        timed = True
        readings: list[Reading] = []
        faults: list[str] = []
        latest = received_ms + AHEAD_MAX_MS
        for number, record in enumerate(pack, 1):
            base_name, base_unit = record.bn or base_name, record.bu or base_unit
            base_time, base_value = record.bt or base_time, record.bv or base_value
            if record.bver is not None and record.bver > SENML_VERSION:
                raise BadPayload(f"SenML version {record.bver}: at most {SENML_VERSION} is taken")
            if record.v is None:
                if (fault := _no_number(payload, number)) is not None:
                    faults.append(fault)
                continue
            key = (base_name + record.n, record.u or base_unit)
            try:
                entry = self._entries.get(key) or self._learn(key)
                seconds = base_time + record.t
                if seconds >= RELATIVE_BELOW_S:
                    ts_ms = round(seconds * 1000)
                else:
                    timed, ts_ms = False, received_ms + round(seconds * 1000)
                (factor, offset), value = entry.conversion, record.v + base_value
                value = value * factor + offset
                if not (entry.low <= value <= entry.high and EARLIEST_MS <= ts_ms <= latest):
                    raise BadPayload(
                        _unbelievable(entry.series.quantity, value, ts_ms, received_ms)
                    )
            except (BadPayload, OverflowError, ValueError) as exc:
                faults.append(f"record {number}: {exc}")
                continue
            readings.append(Reading(entry.series, ts_ms, value))
        if len(readings) > 1:
            readings = _one_value_each(readings, faults)
        if not readings and faults:
            raise BadPayload("; ".join(faults))
        return Decoded(readings, faults, timed)

    def _learn(self, key: tuple[str, str]) -> _Entry:
        name, unit = key
        quantity = _quantity_of(name, unit)
        measure = MEASURES[quantity]
        entry = _Entry(
            Series(self.place, self.sensor, quantity),
            UNITS[quantity][unit],
            measure.low,
            measure.high,
        )
        if len(self._entries) < RECORDS_MAX:
            self._entries[key] = entry
        return entry


class _MappedJson:
    """Any JSON document, with a pointer and a unit for each quantity."""

    def __init__(self, place: str, sensor: str, rule: TopicRule) -> None:
        self._picks = [
            (
                Series(place, sensor, quantity),
                jsonpointer.JsonPointer(pick.pointer),
                _conversion(quantity, pick.unit),
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
                readings.append(_judged(series, conversion, value, ts_ms, received_ms))
            except BadPayload as exc:
                faults.append(str(exc))
        if not readings:
            raise BadPayload("; ".join(faults))
        return Decoded(readings, faults, self._time is not None)


class _BareNumber:
    """A message that is one number."""

    def __init__(self, place: str, sensor: str, rule: TopicRule) -> None:
        if rule.quantity is None or rule.unit is None:
            raise BadPayload("the rule of this topic names no quantity or no unit")
        self._series = Series(place, sensor, rule.quantity)
        self._conversion = _conversion(rule.quantity, rule.unit)

    def __call__(self, payload: bytes, received_ms: int) -> Decoded:
        try:
            value = float(payload.decode("ascii"))
        except ValueError as exc:
            raise BadPayload(f"{payload[:40]!r} is not a number such as 45.2") from exc
        reading = _judged(self._series, self._conversion, value, received_ms, received_ms)
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


def _named(pattern: str, topic: str) -> str:
    """`pattern` with each `{n}` replaced by the n-th level of `topic`, counted from 1."""
    levels = topic.split("/")
    for number, level in enumerate(levels, 1):
        pattern = pattern.replace(f"{{{number}}}", level)
    return pattern


def _quantity_of(name: str, unit: str) -> Quantity:
    """The quantity a SenML record is about: its declared unit, and its name where two share one."""
    if not unit:
        raise BadPayload(f"no unit: declare one of {allowed()}")
    fitting = [quantity for quantity, units in UNITS.items() if unit in units]
    if not fitting:
        raise BadPayload(f"unit {unit!r} is not known: must be one of {allowed()}")
    last = name.replace("/", ":").rpartition(":")[2]
    named = next((quantity for quantity in Quantity if last == quantity), None)
    if named is not None and named not in fitting:
        raise BadPayload(f"unit {unit!r} does not fit {named}: must be one of {allowed(named)}")
    return named or fitting[0]


def _conversion(quantity: Quantity, unit: str) -> Conversion:
    try:
        return UNITS[quantity][unit]
    except KeyError:
        raise BadPayload(
            f"unit {unit!r} does not fit {quantity}: must be one of {allowed(quantity)}"
        ) from None


def _judged(
    series: Series, conversion: Conversion, value: float, ts_ms: int, received_ms: int
) -> Reading:
    kept = value * conversion.factor + conversion.offset
    measure = MEASURES[series.quantity]
    in_time = EARLIEST_MS <= ts_ms <= received_ms + AHEAD_MAX_MS
    if not (measure.low <= kept <= measure.high and in_time):
        raise BadPayload(_unbelievable(series.quantity, kept, ts_ms, received_ms))
    return Reading(series, ts_ms, kept)


def _unbelievable(quantity: Quantity, value: float, ts_ms: int, received_ms: int) -> str:
    measure = MEASURES[quantity]
    if not measure.low <= value <= measure.high:  # also where it is not a number
        return (
            f"{quantity} = {value:g} {measure.unit}: "
            f"must be {measure.low:g} to {measure.high:g} {measure.unit}"
        )
    if ts_ms < EARLIEST_MS:
        return f"measured at {_stamp(ts_ms)}: must not be before 2020; is the sensor's clock set?"
    ahead_s = (ts_ms - received_ms) / 1000
    return (
        f"measured at {_stamp(ts_ms)}, {ahead_s:.0f} s after it arrived: "
        f"must be at most {AHEAD_MAX_MS // 1000} s ahead"
    )


def _stamp(ts_ms: int) -> str:
    try:
        return from_ms(ts_ms).isoformat(timespec="seconds")
    except OverflowError:
        return f"{ts_ms / 1000:.3g} s after 1970"


def _one_value_each(readings: list[Reading], faults: list[str]) -> list[Reading]:
    """The readings without a second value of one quantity at one time."""
    first: dict[tuple[Series, int], float] = {}
    kept = []
    for reading in readings:
        key = (reading.series, reading.ts_ms)
        if key not in first:
            first[key] = reading.value
            kept.append(reading)
        elif first[key] != reading.value:
            faults.append(
                f"two values of {reading.series.quantity} at {_stamp(reading.ts_ms)}, "
                f"{first[key]:g} and {reading.value:g}: the first is kept; "
                f"name records {', '.join(Quantity)} or give each its time"
            )
    return kept


def _no_number(payload: bytes, number: int) -> str | None:
    """Why record `number` has no `v`; None if it only sets bases."""
    record = _decode_any(payload)[number - 1]
    for field, what in _OTHER_VALUES.items():
        if field in record:
            return f"record {number}: its value is {what} ({field}): only numbers (v) are taken"
    if "n" in record or "u" in record or "bv" not in record:
        return None if _only_bases(record) else f"record {number}: it has no value v"
    return None


def _only_bases(record: dict[str, Any]) -> bool:
    return bool(record) and all(field.startswith("b") for field in record)


def _refuse_must_understand(payload: bytes) -> None:
    """Fields ending in _ must be understood or the pack refused (RFC 8428, section 4.4)."""
    for number, record in enumerate(_decode_any(payload), 1):
        for field in record:
            if field.endswith("_"):
                raise BadPayload(f"record {number}: field {field!r} must be understood and is not")


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
    if not math.isfinite(number):
        raise BadPayload("time is not a finite number")
    return round(number * (1000 if unit == "s" else 1))
