"""Bluetooth's environmental characteristics, from bytes.

The bytes are worked out by hand from the definitions (Bluetooth SIG, GATT Specification
Supplement; from memory): little-endian, 0.01 °C signed, 0.01 % and 0.1 Pa unsigned.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.errors import BadPayload
from monitor.core.measurements import MEASURES, Quantity
from sensors.agent.environmental import CHARACTERISTICS, NotKnown, decoded

T, RH, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE

SAID = [
    (0x2A6E, "6908", (T, 21.53)),  # 0x0869 = 2153
    (0x2A6E, "0000", (T, 0.0)),
    (0x2A6E, "ffff", (T, -0.01)),
    (0x2A6E, "90e8", (T, -60.0)),  # 0xE890 = 59536 - 65536 = -6000
    (0x2A6E, "3421", (T, 85.0)),  # 0x2134 = 8500
    (0x2A6F, "6612", (RH, 47.1)),  # 0x1266 = 4710
    (0x2A6F, "0000", (RH, 0.0)),
    (0x2A6F, "1027", (RH, 100.0)),  # 0x2710 = 10000
    # Second-hand: an open advertisement parser's own test has 1111 as 43.69 °C.
    (0x2A6E, "1111", (T, 43.69)),
    (0x2A6D, "02760f00", (P, 101325.0)),  # 0x000F7602 = 1013250
]


@pytest.mark.parametrize(("number", "value", "said"), SAID)
def test_what_a_sensor_says(number, value, said):
    assert decoded(number, bytes.fromhex(value)) == said


REFUSED = [
    (0x2A6E, "0080", NotKnown, "temperature (0x2A6E): the sensor says that it is not known"),
    (0x2A6F, "ffff", NotKnown, "humidity (0x2A6F): the sensor says that it is not known"),
    (0x2A6D, "ffffffff", BadPayload, "= 429496729.5 Pa: must be 30000 to 110000 Pa"),
    (0x2A6E, "ff7f", BadPayload, "= 327.67 °C: must be -60 to 85 °C"),
    (0x2A6E, "8fe8", BadPayload, "= -60.01 °C"),
    (0x2A6F, "feff", BadPayload, "= 655.34 %: must be 0 to 105 %"),
    (0x2A6D, "00000000", BadPayload, "= 0 Pa"),
    (0x2A6E, "", BadPayload, "has 0 bytes: must be 2"),
    (0x2A6F, "66", BadPayload, "has 1 bytes: must be 2"),
    (0x2A6F, "661200", BadPayload, "has 3 bytes: must be 2"),
    (0x2A6D, "6612", BadPayload, "has 2 bytes: must be 4"),
    (0x2A19, "64", BadPayload, "0x2A19 is not one for air: must be 0x2A6D, 0x2A6E, 0x2A6F"),
]


@pytest.mark.parametrize(("number", "value", "kind", "why"), REFUSED)
def test_what_cannot_be_taken_is_refused_with_the_reason(number, value, kind, why):
    with pytest.raises(BadPayload) as caught:
        decoded(number, bytes.fromhex(value))
    assert type(caught.value) is kind
    assert why in str(caught.value)


@given(st.sampled_from(sorted(CHARACTERISTICS)), st.binary(max_size=6))
def test_any_bytes_are_a_believable_value_or_refused(number, value):
    try:
        quantity, measured = decoded(number, value)
    except BadPayload:
        return
    assert MEASURES[quantity].low <= measured <= MEASURES[quantity].high
