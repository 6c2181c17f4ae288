"""Messages of the agent: SenML packs of readings, and its retained state.

References
----------
RFC 8428, Sensor Measurement Lists (SenML).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from monitor.core.measurements import Quantity

STATE_TOPIC = "benchweather/agent/{}/state"
"""Where an agent tells how it is, by its name. One level more than readings have."""

_UNITS = {
    Quantity.TEMPERATURE: ("Cel", 3),
    Quantity.SURFACE_TEMPERATURE: ("Cel", 3),
    Quantity.HUMIDITY: ("%RH", 3),
    Quantity.PRESSURE: ("Pa", 1),
    Quantity.BATTERY: ("%EL", 1),
}
"""SenML unit of each quantity, and the decimals sent: finer than any sensor."""


def topic(place: str, name: str) -> str:
    return f"benchweather/{place}/{name}"


def records(values: Mapping[Quantity, float]) -> str:
    """SenML records, without a time, as JSON text."""
    return json.dumps(
        [
            {"n": quantity, "u": _UNITS[quantity][0], "v": round(value, _UNITS[quantity][1])}
            for quantity, value in values.items()
        ],
        separators=(",", ":"),
    )


def dated(name: str, measured_ms: int, records: str) -> bytes:
    """The pack of records `name` measured at one time. [ms since 1970-01-01 UTC]"""
    base = json.dumps({"bn": f"{name}:", "bt": measured_ms / 1000}, separators=(",", ":"))
    return f"[{base[:-1]},{records[2:]}".encode()


def state(word: str, **more: Any) -> bytes:
    """State message of an agent: `here`, `stopped` by its own will, or `gone` without a word."""
    return json.dumps({"state": word, **more}, separators=(",", ":")).encode()
