"""Decoder of Bluetooth's Environmental Sensing Service (0x181A).

A characteristic is one little-endian whole number. Numbers, scales and types follow Bluetooth SIG,
Assigned Numbers and GATT Specification Supplement (Temperature, Humidity, Pressure). From memory,
not read there; second-hand, in open code for these characteristics: their numbers, types and
scales, and that 0x8000 and 0xFFFF mean that temperature and humidity are not known. For pressure
no such value is defined, as far as is known here; one that all bits set would stand for is refused
as one that cannot be.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from monitor.core.errors import BadPayload
from monitor.core.measurements import MEASURES, Quantity


class Characteristic(NamedTuple):
    """Format of a characteristic: `form` as `struct` names it, `scale` [unit of `MEASURES`], and
    the whole number that means "not known", if any."""

    quantity: Quantity
    form: str
    scale: float
    unknown: int | None


CHARACTERISTICS = {
    0x2A6D: Characteristic(Quantity.PRESSURE, "<I", 0.1, None),
    0x2A6E: Characteristic(Quantity.TEMPERATURE, "<h", 0.01, -0x8000),
    0x2A6F: Characteristic(Quantity.HUMIDITY, "<H", 0.01, 0xFFFF),
}
"""By their assigned numbers."""


class NotKnown(BadPayload):
    """Value that the sensor itself marks as not known."""

    retryable = True


def decoded(number: int, value: bytes) -> tuple[Quantity, float]:
    """Quantity and value of a characteristic.

    Parameters
    ----------
    number : int
        Assigned number, one of `CHARACTERISTICS`.
    value : bytes
        As it was read or notified.

    Returns
    -------
    (Quantity, float)
        In the unit of `monitor.core.measurements.MEASURES`: °C, % or Pa.

    Raises
    ------
    NotKnown
        If the sensor says so.
    BadPayload
        If the characteristic is another, its bytes are too few or too many, or the value cannot
        be believed.

    Examples
    --------
    >>> decoded(0x2A6E, bytes.fromhex("0cfe"))
    (<Quantity.TEMPERATURE: 'temperature'>, -5.0)
    """
    try:
        quantity, form, scale, unknown = CHARACTERISTICS[number]
    except KeyError:
        known = ", ".join(f"0x{one:04X}" for one in CHARACTERISTICS)
        raise BadPayload(
            f"characteristic 0x{number:04X} is not one for air: must be {known}"
        ) from None
    if len(value) != struct.calcsize(form):
        raise BadPayload(
            f"{quantity} (0x{number:04X}) has {len(value)} bytes: must be {struct.calcsize(form)}"
        )
    (count,) = struct.unpack(form, value)
    if count == unknown:
        raise NotKnown(f"{quantity} (0x{number:04X}): the sensor says that it is not known")
    measured = round(count * scale, 2)  # 2153 · 0.01 is 21.53
    measure = MEASURES[quantity]
    if not measure.low <= measured <= measure.high:
        raise BadPayload(
            f"{quantity} (0x{number:04X}) = {measured:.10g} {measure.unit}: "
            f"must be {measure.low:g} to {measure.high:g} {measure.unit}"
        )
    return quantity, measured
