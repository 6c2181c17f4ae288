"""Measured quantities, series and readings: the types that every other module shares."""

from __future__ import annotations

import unicodedata
from enum import StrEnum
from typing import NamedTuple, Self


class Quantity(StrEnum):
    """A quantity that a sensor measures. The value is its name in topics, settings, tables and files."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    PRESSURE = "pressure"
    SURFACE_TEMPERATURE = "surface_temperature"
    BATTERY = "battery"


class Measure(NamedTuple):
    """Storage of a quantity: unit, believable range, and its column in files."""

    unit: str
    low: float
    high: float
    column: str


MEASURES: dict[Quantity, Measure] = {
    Quantity.TEMPERATURE: Measure("°C", -60.0, 85.0, "temp_c"),
    # A capacitive sensor near saturation may read a little above 100; the raw value is kept.
    Quantity.HUMIDITY: Measure("%", 0.0, 105.0, "rh_pct"),
    Quantity.PRESSURE: Measure("Pa", 30_000.0, 110_000.0, "pressure_pa"),
    Quantity.SURFACE_TEMPERATURE: Measure("°C", -60.0, 85.0, "surface_temp_c"),
    Quantity.BATTERY: Measure("%", 0.0, 100.0, "battery_pct"),
}
"""Unit and believable range of each quantity. Range: common practice, no source (the span of
ordinary shop sensors)."""


class Series(NamedTuple):
    """Series of one sensor's values of one quantity at one place."""

    place: str
    sensor: str
    quantity: Quantity


class Reading(NamedTuple):
    """Measured value.

    `ts_ms` is when it was measured [ms since 1970-01-01 UTC], `value` in the quantity's unit of
    `MEASURES`.
    """

    series: Series
    ts_ms: int
    value: float


REFUSED_TEXT_MAX, REFUSED_PAYLOAD_MAX = 500, 4096
"""Longest part of a rejected message that is stored: of its topic and reason; of its payload. [-],
[bytes]"""


class Refusal(NamedTuple):
    """A message that was rejected, whole or in part, with the reason in words.

    `topic`, `payload` and `reason` are cut, see `REFUSED_TEXT_MAX`; `size` is the payload's full
    length. [bytes]
    """

    received_ms: int
    topic: str
    payload: bytes
    size: int
    reason: str

    @classmethod
    def of(cls, received_ms: int, topic: str, payload: bytes, reason: str) -> Self:
        """The rejected message as it is stored."""
        return cls(
            received_ms,
            topic[:REFUSED_TEXT_MAX],
            payload[:REFUSED_PAYLOAD_MAX],
            len(payload),
            reason[:REFUSED_TEXT_MAX],
        )


BY_HAND = "by-hand"
"""Name of the sensor whose readings a person types. No message may name it."""


def leading_order(sensor: str) -> tuple[bool, str]:
    """Sort key of the sensors of a place: by name, what is read by hand last."""
    return sensor == BY_HAND, sensor


NAME_MAX = 64
"""Longest place or sensor name. [characters]"""


NAME_SIGNS = "-_.:"
"""Signs that such a name may have beside letters and digits of any language."""


def text_fault(text: object, most: int) -> str | None:
    """Reason why `text` cannot be shown as a line of at most `most` characters, or None."""
    if not isinstance(text, str):
        return f"= {text!r:.40}: must be text"
    if len(text) > most:
        return f"has {len(text)} characters: must be at most {most}"
    if not text.isprintable():
        return "has characters that cannot be printed"
    return None


def name_fault(name: str) -> str | None:
    """Reason why `name` cannot name a place or a sensor, or None."""
    if not name:
        return "is empty"
    if len(name) > NAME_MAX:
        return f"has {len(name)} characters: must be at most {NAME_MAX}"
    if not name.isprintable() or any(c.isspace() for c in name):
        return "has a space, which a topic cannot carry, or control characters"
    if any(c in name for c in "/+#$"):
        return "has one of / + # $, which have a special meaning in a topic"
    return None


def new_name_fault(name: str) -> str | None:
    """Reason why a person cannot give a place or a sensor this new name, or None.

    What sends already, or is stored, keeps any name that a topic can carry.
    """
    if fault := name_fault(name):
        return fault
    if any(c not in NAME_SIGNS and unicodedata.category(c)[0] not in "LMN" for c in name):
        return f"has a sign that is not allowed: use letters, digits and {' '.join(NAME_SIGNS)}"
    return None
