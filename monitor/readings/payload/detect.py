"""The format of a payload, for people to see; no message is accepted or rejected by it."""

from __future__ import annotations

from enum import StrEnum

from monitor.core.errors import BadPayload
from monitor.core.json_documents import json_document

_LABELS = {"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}
"""Labels of SenML JSON (RFC 8428, section 4)."""
_CBOR_LABELS = {*range(9), *range(0x20, 0x26)}
"""First bytes of SenML CBOR's labels: 0 to 8, and −1 to −6 (RFC 8428, section 6)."""


class PayloadFormat(StrEnum):
    SENML_JSON = "SenML JSON"
    SENML_CBOR = "SenML CBOR"
    JSON = "JSON"
    NUMBER = "number"
    TEXT = "text"
    EMPTY = "empty"
    BYTES = "bytes"


def kind_of(payload: bytes) -> PayloadFormat:
    """The format that a payload seems to have.

    Examples
    --------
    >>> print(kind_of(b'[{"n":"temperature","v":20.5}]'), kind_of(b"20.5"), sep=", ")
    SenML JSON, number
    """
    if not payload.strip():
        return PayloadFormat.EMPTY
    try:
        document = json_document(payload)
    except BadPayload:
        if _looks_like_senml_cbor(payload):
            return PayloadFormat.SENML_CBOR
        return PayloadFormat.TEXT if _is_text(payload) else PayloadFormat.BYTES
    if isinstance(document, int | float) and not isinstance(document, bool):
        return PayloadFormat.NUMBER
    pack = isinstance(document, list) and document
    if pack and all(isinstance(one, dict) and one.keys() & _LABELS for one in document):
        return PayloadFormat.SENML_JSON
    return PayloadFormat.JSON


def _looks_like_senml_cbor(payload: bytes) -> bool:
    """Return whether it begins as an array of maps with a label of SenML first (RFC 8949, 3.1)."""
    if len(payload) < 3 or payload[0] >> 5 != 4:
        return False
    size = payload[0] & 31
    after = 1 + {24: 1, 25: 2}.get(size, 0)  # how long it is may stand in bytes of its own
    rest = payload[after : after + 2]
    return (
        (size <= 25 or size == 31)
        and len(rest) == 2
        and rest[0] >> 5 == 5
        and (rest[1] in _CBOR_LABELS)
    )


def _is_text(payload: bytes) -> bool:
    try:
        return "\0" not in payload.decode()
    except UnicodeDecodeError:
        return False
