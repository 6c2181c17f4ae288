"""Values of a JSON document: by pointer, as numbers, as times."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

import jsonpointer
import msgspec

from monitor.core.clock import to_ms
from monitor.core.errors import BadPayload

_decode_any = msgspec.json.Decoder().decode
_decode_object = msgspec.json.Decoder(dict[str, Any]).decode


def pointer_of(text: str) -> jsonpointer.JsonPointer:
    """An RFC 6901 pointer, once checked to be one."""
    return jsonpointer.JsonPointer(text)


def json_document(payload: bytes) -> Any:
    """Any JSON.

    Raises
    ------
    BadPayload
        If it is none.
    """
    try:
        return _decode_any(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
        raise BadPayload(f"not JSON: {exc}") from exc


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


def at(pointer: jsonpointer.JsonPointer, document: Any) -> Any:
    """The value at an RFC 6901 pointer.

    Raises
    ------
    BadPayload
        If nothing does.
    """
    try:
        return pointer.resolve(document)
    except jsonpointer.JsonPointerException as exc:
        raise BadPayload(f"there is nothing at {pointer.path!r}") from exc


def number_of(value: Any, where: str) -> float:
    """Return a JSON number as a float; an error names it by `where` it is.

    Raises
    ------
    BadPayload
        If it is anything else.
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadPayload(f"{where!r} holds {str(value)[:40]!r}: must be a number")
    try:
        return float(value)
    except OverflowError as exc:
        raise BadPayload(f"{where!r} holds a number too large") from exc


def moment_of(value: Any, unit: str) -> int:
    """A time as it is written: `s` or `ms` since 1970-01-01 UTC, or `iso`, which must carry a zone.
    [ms since 1970-01-01 UTC]

    Raises
    ------
    BadPayload
        If it is no time, or has no zone.
    """
    if unit == "iso":
        try:
            moment = datetime.fromisoformat(value)
            return to_ms(moment)
        except (TypeError, ValueError) as exc:
            raise BadPayload(
                f"time {str(value)[:40]!r} must be ISO 8601 with a zone, such as 2026-01-05T14:30:00Z"
            ) from exc
    stamp = number_of(value, "time") * (1000 if unit == "s" else 1)
    if not math.isfinite(stamp):
        raise BadPayload("time is not a number that can be a time")
    return round(stamp)
