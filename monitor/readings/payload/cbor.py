"""SenML CBOR as SenML JSON: the one module that knows cbor2.

CBOR gives the labels of a record as small whole numbers (RFC 8428, section 6, table 4); with their
names in JSON the pack is what `senml` reads.
"""

from __future__ import annotations

import io
import math
from decimal import Decimal
from typing import Any

import cbor2
import msgspec

from monitor.core.errors import BadPayload

_NAMES = {
    -6: "bs",
    -5: "bv",
    -4: "bu",
    -3: "bt",
    -2: "bn",
    -1: "bver",
    0: "n",
    1: "u",
    2: "v",
    3: "vs",
    4: "vb",
    5: "s",
    6: "t",
    7: "ut",
    8: "vd",
}
"""RFC 8428, section 6, table 4; from memory, checked against the example of that section."""

_ARRAY, _ARRAY_END = 0x80, 0x9F
"""First byte of a CBOR array, from the shortest to one of unknown length (RFC 8949, appendix B); no
JSON text begins so."""


def is_cbor(payload: bytes) -> bool:
    """Return whether it begins as a CBOR array, as each SenML CBOR pack does."""
    return bool(payload) and _ARRAY <= payload[0] <= _ARRAY_END


def as_json(payload: bytes) -> bytes:
    """A SenML CBOR pack as SenML JSON.

    Labels that RFC 8428 does not give stay, as text, so that one that must be understood (its name
    ends in "_") is seen.

    Raises
    ------
    BadPayload
        Not CBOR, a label twice in a map, also as number and as text, more behind the pack, or
        no list of maps.
    """
    stream = io.BytesIO(payload)
    try:
        pack = cbor2.CBORDecoder(stream, allow_duplicate_keys=False).decode()
    except (cbor2.CBORError, ValueError, OverflowError, RecursionError, MemoryError) as exc:
        raise BadPayload(f"not CBOR: {exc}") from exc
    if behind := len(payload) - stream.tell():
        raise BadPayload(f"not CBOR: {behind} bytes follow the pack")
    if not isinstance(pack, list) or not all(isinstance(record, dict) for record in pack):
        raise BadPayload("not a SenML pack: CBOR, but no list of maps")
    try:
        return msgspec.json.encode([_record(number, one) for number, one in enumerate(pack, 1)])
    except (TypeError, ValueError, OverflowError, RecursionError) as exc:
        raise BadPayload(f"not a SenML pack: {exc}") from exc


def _record(number: int, record: dict[Any, Any]) -> dict[str, Any]:
    """A record by the names of its labels; 2 and "v" are the same label."""
    named = {_name(label): _value(value) for label, value in record.items()}
    if len(named) < len(record):
        twice = next(
            name
            for label in record
            if [_name(other) for other in record].count(name := _name(label)) > 1
        )
        raise BadPayload(f"not a SenML pack: record {number} has the label {twice!r} twice")
    return named


def _name(label: object) -> str:
    if isinstance(label, int) and not isinstance(label, bool):
        return _NAMES.get(label, str(label))
    if isinstance(label, str):
        return label
    raise BadPayload(f"not a SenML pack: label {label!r} must be a number or text")


def _value(value: Any) -> Any:
    """Decimal fractions and halves as numbers; no NaN or infinity, which JSON has no word for."""
    if isinstance(value, Decimal):
        value = float(value)
    if isinstance(value, float) and not math.isfinite(value):
        raise BadPayload(f"{value} is not a value: must be a finite number")
    return value
