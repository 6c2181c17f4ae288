"""SenML packs (RFC 8428), in JSON or CBOR."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import repeat
from typing import Any, NamedTuple

import msgspec
import numpy as np

from monitor.core.clock import AHEAD_MAX_MS
from monitor.core.errors import BadPayload
from monitor.core.measurements import MEASURES, Quantity, Reading, Series
from monitor.core.units import UNITS, Conversion, allowed
from monitor.readings.payload.cbor import as_json, is_cbor
from monitor.readings.payload.validation import (
    EARLIEST_MS,
    Decoded,
    reason_of,
    stamp,
    unbelievable,
)

RECORDS_MAX = 1_000
"""Most records in one pack."""
SENML_VERSION = 10
"""Highest SenML version understood (RFC 8428, section 4.4)."""
PLAIN_FROM = 32
"""Fewest records of a pack that are read as columns, which is slower for fewer.  Measured."""
RELATIVE_BELOW_S = 2**28
"""SenML times below this count from now, others from 1970 (RFC 8428, section 4.5.3). [s]"""


_KEPT_IN = {
    quantity: next(unit for unit, how in units.items() if how == Conversion(1.0, 0.0))
    for quantity, units in UNITS.items()
}
"""The SenML unit in which each quantity is kept, so that nothing is lost by converting."""


class _Entry(NamedTuple):
    """Storage of the values of one (record name, unit) at one sensor."""

    series: Series
    conversion: Conversion
    low: float
    high: float


class _SenmlRecord(msgspec.Struct, gc=False):
    """Record of a pack, with its fields as sent (RFC 8428, section 4)."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bver: int | None = None
    n: str = ""
    u: str = ""
    t: float = 0.0
    v: float | None = None


_decode_pack = msgspec.json.Decoder(list[_SenmlRecord]).decode
_decode_any = msgspec.json.Decoder().decode
_OTHER_VALUES = {"vs": "text", "vb": "true or false", "vd": "data", "s": "a sum"}


class Senml:
    """A SenML pack (RFC 8428), in JSON or CBOR."""

    def __init__(self, place: str, sensor: str) -> None:
        self.place, self.sensor = place, sensor
        self._entries: dict[tuple[str, str], _Entry] = {}

    def __call__(self, payload: bytes, received_ms: int) -> Decoded:
        if is_cbor(payload):
            payload = as_json(payload)
        try:
            pack = _decode_pack(payload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
            raise BadPayload(f"not a SenML pack: {exc}") from exc
        if not pack:
            raise BadPayload("not a SenML pack: it holds no record")
        if len(pack) > RECORDS_MAX:
            raise BadPayload(f"{len(pack)} records: at most {RECORDS_MAX} are accepted")
        if b'_"' in payload or b"\\u" in payload:  # or so written that it hides
            _refuse_must_understand(payload)
        elif len(pack) >= PLAIN_FROM and (plain := self._plain(pack, payload, received_ms)):
            return Decoded(plain, [], True)
        base_name = base_unit = ""
        base_time = base_value = 0.0
        timed = True
        records: list[dict[str, Any]] = []
        readings: list[Reading] = []
        faults: list[str] = []
        latest = received_ms + AHEAD_MAX_MS
        for number, record in enumerate(pack, 1):
            if record.bn is not None:
                base_name = record.bn
            if record.bt is not None:
                base_time = record.bt
            if record.bu is not None:
                base_unit = record.bu
            if record.bv is not None:
                base_value = record.bv
            if record.bver is not None and record.bver > SENML_VERSION:
                raise BadPayload(
                    f"SenML version {record.bver}: at most {SENML_VERSION} is accepted"
                )
            if record.v is None:
                records = records or _records(payload)
                if (fault := _no_number(records[number - 1], number)) is not None:
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
                        unbelievable(entry.series.quantity, value, ts_ms, received_ms)
                    )
            except (BadPayload, OverflowError, ValueError) as exc:
                faults.append(f"record {number}: {exc}")
                continue
            readings.append(Reading(entry.series, ts_ms, value))
        if len(readings) > 1:
            readings = _one_value_each(readings, faults)
        if not readings and faults:
            raise BadPayload(reason_of(faults))
        return Decoded(readings, faults, timed)

    def _plain(
        self, pack: list[_SenmlRecord], payload: bytes, received_ms: int
    ) -> list[Reading] | None:
        """Readings of a plain pack, by columns: each record is sound and of a known name and unit, has
        a time of its own and stands for itself, with base fields in the first only. None of another,
        which is read record by record, and perhaps of one that only seems to be another."""
        first = pack[0]
        if (first.bver or 0) > SENML_VERSION or payload.find(b'"b', payload.find(b"}")) >= 0:
            return None
        name, unit = first.bn or "", first.bu or ""
        kinds = [(record.n, record.u) for record in pack]
        entries = {
            kind: self._entries.get((name + kind[0], kind[1] or unit)) for kind in set(kinds)
        }
        known = [one for one in entries.values() if one is not None]
        if len({one.series for one in known}) < len(entries):
            return None
        scales = np.array([(*one.conversion, one.low, one.high) for one in known])
        which = [0]
        if len(known) > 1:
            order = {kind: i for i, kind in enumerate(entries)}
            which = [order[kind] for kind in kinds]
        factor, offset, low, high = scales[which].T
        with np.errstate(over="ignore", invalid="ignore"):  # such a pack is not plain
            ms = np.rint(1000 * ((first.bt or 0.0) + np.array([record.t for record in pack])))
            value = np.array([record.v for record in pack], float) + (first.bv or 0.0)
            value = value * factor + offset
        if not EARLIEST_MS <= ms.min() <= ms.max() <= received_ms + AHEAD_MAX_MS:
            return None
        if not ((low <= value) & (value <= high)).all():
            return None
        at = ms.astype(np.int64).tolist()
        if len(set(zip(kinds, at, strict=True)) if len(known) > 1 else set(at)) < len(at):
            return None
        series = [one.series for one in known]
        each = [series[i] for i in which] if len(known) > 1 else repeat(series[0], len(at))
        return list(
            map(tuple.__new__, repeat(Reading), zip(each, at, value.tolist(), strict=True))
        )

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


def pack(readings: Sequence[Reading]) -> bytes:
    """Write one sensor's readings as a pack, which reads as the same readings, to the last bit.

    Parameters
    ----------
    readings : sequence of Reading
        At least one and at most `RECORDS_MAX`, all of one place and sensor.
    """
    first = readings[0]
    base: dict[str, Any] = {"bn": f"{first.series.sensor}:", "bt": first.ts_ms / 1000}
    records = []
    for (_, _, quantity), ts_ms, value in readings:
        later = {"t": (ts_ms - first.ts_ms) / 1000} if ts_ms != first.ts_ms else {}
        records.append({"n": quantity.value, "u": _KEPT_IN[quantity], **later, "v": value})
    return msgspec.json.encode([base | records[0], *records[1:]])


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
                f"two values of {reading.series.quantity} at {stamp(reading.ts_ms)}, "
                f"{first[key]:g} and {reading.value:g}: the first is kept; "
                f"name records {', '.join(Quantity)} or give each its time"
            )
    return kept


def _records(payload: bytes) -> list[dict[str, Any]]:
    """Records of a pack as sent, with every field."""
    try:
        found: list[dict[str, Any]] = _decode_any(payload)
    except (msgspec.DecodeError, UnicodeDecodeError) as exc:
        raise BadPayload(f"not a SenML pack: {exc}") from exc
    return found


def _no_number(record: dict[str, Any], number: int) -> str | None:
    """Reason why record `number` has no `v`; None if it only sets bases."""
    for field, what in _OTHER_VALUES.items():
        if field in record:
            return f"record {number}: its value is {what} ({field}): only numbers (v) are accepted"
    if "n" in record or "u" in record or "bv" not in record:
        return None if _only_bases(record) else f"record {number}: it has no value v"
    return None


def _only_bases(record: dict[str, Any]) -> bool:
    return bool(record) and all(field.startswith("b") for field in record)


def _refuse_must_understand(payload: bytes) -> None:
    """Reject a pack with an unknown field that ends in _ (RFC 8428, section 4.4)."""
    for number, record in enumerate(_records(payload), 1):
        for field in record:
            if field.endswith("_"):
                raise BadPayload(
                    f"record {number}: field {field!r} is mandatory, but not known here"
                )
