"""SenML CBOR (RFC 8428, section 6; RFC 8949)."""

from __future__ import annotations

import json

import cbor2
import pytest

from monitor.core.errors import BadPayload
from monitor.readings.payload.cbor import as_json, is_cbor
from monitor.readings.payload.senml import Senml

NOW_MS = 1_790_000_000_000

# The example of RFC 8428, section 6, and the JSON pack of section 5.1.2 that it stands for: both
# from memory, and each checks the other, since the dump spells the names, times and doubles.
DUMP = """
87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a 31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00 67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67 63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
33 33 33
"""
PACK = [
    {
        "bn": "urn:dev:ow:10e2073a0108006:",
        "bt": 1.276020076001e9,
        "bu": "A",
        "bver": 5,
        "n": "voltage",
        "u": "V",
        "v": 120.1,
    },
    *(
        {"n": "current", "t": t, "v": v}
        for t, v in ((-5, 1.2), (-4, 1.3), (-3, 1.4), (-2, 1.5), (-1, 1.6), (0, 1.7))
    ),
]


def senml(records: list[object]) -> bytes:
    return cbor2.dumps(records)


def test_the_standards_own_example_is_its_json_pack():
    payload = bytes.fromhex(DUMP)
    assert is_cbor(payload)
    assert json.loads(as_json(payload)) == PACK


def test_a_pack_is_read_as_its_json_is():
    records = [
        {-2: "fb-1:", -3: 1.79e9 - 60, 0: "temperature", 1: "Cel", 2: 20.25},
        {0: "humidity", 1: "%RH", 2: 45.5, 6: 10},
    ]
    as_text = [
        {"bn": "fb-1:", "bt": 1.79e9 - 60, "n": "temperature", "u": "Cel", "v": 20.25},
        {"n": "humidity", "u": "%RH", "v": 45.5, "t": 10},
    ]
    read = Senml("bench", "fb-1")
    assert read(senml(records), NOW_MS) == read(json.dumps(as_text).encode(), NOW_MS)
    endless = b"\x9f" + senml(records)[1:] + b"\xff"  # an array of unknown length
    assert read(endless, NOW_MS) == read(senml(records), NOW_MS)


def test_decimal_fractions_and_halves_are_numbers():
    half = bytes.fromhex("81a30067") + b"voltage" + bytes.fromhex("01615602f93e00")
    assert json.loads(as_json(half))[0]["v"] == 1.5
    from decimal import Decimal

    (record,) = json.loads(as_json(senml([{0: "x", 2: Decimal("20.25")}])))
    assert record["v"] == 20.25


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"\x81", "not CBOR"),
        (senml([{0: "temperature", 1: "Cel", 2: 20.0}])[:-3], "not CBOR"),
        (senml([1, 2]), "no list of maps"),
        (senml([]), "it holds no record"),
        (senml([{0: "temperature", 1: "Cel", 2: float("nan")}]), "nan is not a value"),
        (senml([{(1, 2): 3}]), "must be a number or text"),
        (senml([{0: "temperature", 1: "Cel", 2: "warm"}]), "not a SenML pack"),
        (senml([{0: "temperature", 1: "Cel", 2: 20.0, "x_": 1}]), "x_"),
        (bytes.fromhex("81a302f93c0002f94000006178"), "not CBOR"),  # v twice
        (cbor2.dumps([{2: 1.5, "v": 2.5}]), "record 1 has the label 'v' twice"),
        (cbor2.dumps([{0: "x"}, {99: 1, "99": 2}]), "record 2 has the label '99' twice"),
        (bytes.fromhex("81a2016143f93c006143"), "not CBOR"),  # 1 as a whole number and as a half
        (b"\x81" * 5000, "not"),
        (b"\x9f" + b"\xa1\x02\xfb" * 100, "not CBOR"),
    ],
)
def test_what_is_no_pack_is_refused_with_the_reason(payload, why):
    with pytest.raises(BadPayload, match=why):
        Senml("bench", "fb-1")(payload, NOW_MS)


def test_what_stands_behind_the_pack_is_not_passed_over():
    with pytest.raises(BadPayload, match="not CBOR"):
        as_json(senml([{0: "temperature", 1: "Cel", 2: 20.0}]) + b"more")
