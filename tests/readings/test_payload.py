"""Messages: what is taken, what is refused, and that nothing else can happen."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.errors import BadPayload
from monitor.core.measurements import MEASURES, Quantity
from monitor.domain.topic_rules import Pick, TimePick, TopicRule
from monitor.readings.payload import (
    AHEAD_MAX_MS,
    EARLIEST_MS,
    PAYLOAD_MAX,
    RECORDS_MAX,
    Contract,
    senml,
)

NOW = 1_790_000_000_000  # 2026-09-21T14:13:20Z
TOPIC = "benchweather/front-bench/a1"


def decode(pack, topic=TOPIC, rules=()):
    payload = pack if isinstance(pack, bytes) else json.dumps(pack).encode()
    return Contract(rules).decode(topic, payload, NOW)


def values(decoded):
    return {(r.series.quantity, r.ts_ms): r.value for r in decoded.readings}


def test_base_fields_carry_over_to_later_records():
    # Source: RFC 8428, section 5.1.3 has this shape: base fields, then records relative to them.
    # From memory of the RFC's text.
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1.79e9, "bu": "%RH", "v": 45.5},
        {"t": -10, "v": 46.5},
        {"n": "temperature", "u": "Cel", "t": -5, "v": 20.25},
    ]
    assert values(decode(pack)) == {
        (Quantity.HUMIDITY, NOW): 45.5,
        (Quantity.HUMIDITY, NOW - 10_000): 46.5,
        (Quantity.TEMPERATURE, NOW - 5_000): 20.25,
    }


def test_base_value_and_base_time_are_added():
    pack = [{"bt": 1.79e9, "bv": 20, "u": "Cel", "t": -1.5, "v": 0.5}]
    assert values(decode(pack)) == {(Quantity.TEMPERATURE, NOW - 1_500): 20.5}


def test_a_base_of_zero_takes_the_one_before_it_back():
    pack = [
        {"bt": 1.79e9, "bv": 20, "u": "Cel", "v": 0.5},
        {"bt": 0, "bv": 0, "u": "%RH", "v": 45},
    ]
    decoded = decode(pack)
    assert [r.value for r in decoded.readings] == [20.5, 45]
    assert not decoded.timed


@pytest.mark.parametrize(
    ("unit", "given_value", "quantity", "kept"),
    [
        ("Cel", 21.5, Quantity.TEMPERATURE, 21.5),
        ("K", 293.15, Quantity.TEMPERATURE, 20.0),
        # 32 °F is 0 °C and 212 °F is 100 °C by the scale's definition; 68 °F lies between.
        ("F", 32, Quantity.TEMPERATURE, 0.0),
        ("F", 68, Quantity.TEMPERATURE, 20.0),
        ("%RH", 47, Quantity.HUMIDITY, 47.0),
        ("hPa", 1013.25, Quantity.PRESSURE, 101_325.0),
        ("Pa", 101_325, Quantity.PRESSURE, 101_325.0),
        ("%EL", 88, Quantity.BATTERY, 88.0),
    ],
)
def test_a_declared_unit_is_converted(unit, given_value, quantity, kept):
    (reading,) = decode([{"u": unit, "v": given_value}]).readings
    assert reading.series == ("front-bench", "a1", quantity)
    assert reading.value == pytest.approx(kept, abs=1e-9)


def test_a_surface_temperature_is_told_from_the_airs_by_its_name():
    pack = [
        {"n": "temperature", "u": "Cel", "v": 20},
        {"n": "surface_temperature", "u": "Cel", "v": 17},
    ]
    assert {r.series.quantity: r.value for r in decode(pack).readings} == {
        Quantity.TEMPERATURE: 20,
        Quantity.SURFACE_TEMPERATURE: 17,
    }


def test_a_value_without_a_time_gets_its_arrival():
    decoded = decode([{"u": "Cel", "v": 20}])
    assert not decoded.timed
    assert decoded.readings[0].ts_ms == NOW


def test_a_time_of_its_own_makes_a_message_repeatable():
    assert decode([{"u": "Cel", "v": 20, "t": 1.79e9}]).timed


def test_sound_records_are_taken_beside_unsound_ones():
    decoded = decode([{"u": "Cel", "v": 20}, {"u": "furlong", "v": 3}, {"u": "%RH", "v": 45}])
    assert len(decoded.readings) == 2
    assert decoded.faults == [
        "record 2: unit 'furlong' is not known: must be one of Cel, K, F, %RH, Pa, hPa, %EL"
    ]


def test_two_values_for_one_time_are_told_and_the_first_is_kept():
    decoded = decode(
        [{"bt": 1.79e9, "n": "left", "u": "Cel", "v": 20}, {"n": "right", "v": 21, "u": "Cel"}]
    )
    assert [r.value for r in decoded.readings] == [20]
    assert "two values of temperature" in decoded.faults[0]


REFUSED = [
    (b"", "not a SenML pack"),
    (b"\xff\xfe\x00", "not a SenML pack"),
    (b"{}", "Expected `array`"),
    (b"[]", "holds no record"),
    (b"[1]", "Expected `object`"),
    (b"[[]]", "Expected `object`"),
    (b"[" * 60_000, "not a SenML pack"),
    (b'[{"u":"Cel","v":NaN}]', "malformed"),
    (b'[{"u":"Cel","v":1e999}]', "out of range"),
    (b'[{"u":"Cel","v":"20"}]', "Expected `float | null`, got `str`"),
    (b'[{"u":"Cel","v":20}', "truncated"),
    ([{"v": 20}], "no unit: declare one of"),
    ([{"u": "C", "v": 20}], "unit 'C' is not known"),
    ([{"u": "%", "v": 20}], "unit '%' is not known"),
    ([{"n": "humidity", "u": "Cel", "v": 20}], "does not fit humidity"),
    ([{"u": "Cel", "v": 200}], "must be -60 to 85 °C"),
    ([{"u": "%RH", "v": -1}], "must be 0 to 105 %"),
    ([{"u": "%RH", "v": 105.1}], "must be 0 to 105 %"),
    ([{"u": "Cel", "vs": "warm"}], "its value is text (vs)"),
    ([{"u": "Cel", "vb": True}], "true or false"),
    ([{"u": "Cel", "s": 12}], "a sum"),
    ([{"n": "temperature", "u": "Cel"}], "it has no value v"),
    ([{"u": "Cel", "v": 20, "odd_": 1}], "is mandatory"),
    ([{"u": "Cel", "v": 20, "bver": 11}], "at most 10"),
    (b'[{"u":"Cel","v":20,"x\\u005f":1}]', "is mandatory"),
    (b'[{"u":"Cel","z":"\xff"}]', "not a SenML pack"),
    ([{"u": "Cel", "v": 20, "t": 1.5e9}], "must not be before 2020"),
    ([{"u": "Cel", "v": 20, "t": 1.79e9 + 301}], "301 s after it arrived"),
    ([{"u": "Cel", "v": 20, "t": 1e300}], "at most 300 s ahead"),
    ([{"u": "Cel", "v": 20, "t": -1e300}], "must not be before 2020"),
    ([{"u": "Cel", "v": 20}] * (RECORDS_MAX + 1), "1001 records"),
    (b'"' + b"x" * PAYLOAD_MAX + b'"', f"at most {PAYLOAD_MAX}"),
]


@pytest.mark.parametrize(("pack", "why"), REFUSED, ids=[str(i) for i in range(len(REFUSED))])
def test_what_cannot_be_read_is_refused_with_the_reason(pack, why):
    with pytest.raises(BadPayload) as caught:
        decode(pack)
    assert why in str(caught.value)


@pytest.mark.parametrize("offset_ms", [0, AHEAD_MAX_MS])
def test_times_at_both_ends_of_what_is_allowed_are_taken(offset_ms):
    for ts_ms in (EARLIEST_MS, NOW + offset_ms):
        (reading,) = decode([{"u": "Cel", "v": 20, "t": ts_ms / 1000}]).readings
        assert reading.ts_ms == ts_ms


@pytest.mark.parametrize(
    "topic",
    ["benchweather//a1", "benchweather/x/", "benchweather/ x/a", f"benchweather/{'x' * 65}/a"],
)
def test_a_topic_that_names_no_place_or_sensor_is_refused(topic):
    with pytest.raises(BadPayload, match="in the topic"):
        decode([{"u": "Cel", "v": 20}], topic)


GATEWAY = TopicRule(
    filter="gate/+/state",
    place="{2}",
    sensor="gate-{2}",
    format="json",
    quantities={
        Quantity.TEMPERATURE: Pick(pointer="/air/t", unit="F"),
        Quantity.HUMIDITY: Pick(pointer="/air/h", unit="%RH"),
    },
    time=TimePick(pointer="/at", unit="iso"),
)


def test_mapped_json_is_read_by_its_pointers():
    decoded = decode(
        {"at": "2026-09-21T16:13:20+02:00", "air": {"t": 68, "h": 45}},
        "gate/attic/state",
        [GATEWAY],
    )
    assert decoded.timed
    assert [(r.series.place, r.series.sensor, r.ts_ms) for r in decoded.readings] == [
        ("attic", "gate-attic", NOW)
    ] * 2
    assert [r.value for r in decoded.readings] == pytest.approx([20, 45])


@pytest.mark.parametrize(
    ("document", "why"),
    [
        ({"air": {"t": 68}}, "there is nothing at '/at'"),
        ({"at": "2026-09-21T16:13:20", "air": {"t": 68}}, "ISO 8601 with a zone"),
        ({"at": 5, "air": {"t": 68}}, "ISO 8601 with a zone"),
        ({"at": "2026-09-21T14:13:20Z", "air": {"t": True, "h": "45"}}, "must be a number"),
        ({"at": "2026-09-21T14:13:20Z", "air": 5}, "there is nothing at"),
        ([], "there is nothing at"),
        (b"nope", "not JSON"),
    ],
)
def test_mapped_json_that_does_not_fit_is_refused(document, why):
    with pytest.raises(BadPayload) as caught:
        decode(document, "gate/attic/state", [GATEWAY])
    assert why in str(caught.value)


@pytest.mark.parametrize(("unit", "stamp"), [("s", 1.79e9), ("ms", 1.79e12)])
def test_epoch_times_of_mapped_json_are_read_in_their_unit(unit, stamp):
    rule = TopicRule(
        filter="g",
        place="p",
        sensor="s",
        format="json",
        quantities={Quantity.TEMPERATURE: Pick(pointer="/t", unit="Cel")},
        time=TimePick(pointer="/at", unit=unit),
    )
    assert decode({"at": stamp, "t": 20}, "g", [rule]).readings[0].ts_ms == NOW


NUMBER = TopicRule(
    filter="raw/#",
    place="cellar",
    sensor="{3}",
    format="number",
    quantity=Quantity.HUMIDITY,
    unit="%RH",
)


def test_a_bare_number_is_read_by_its_rule():
    (reading,) = decode(b" 45.5\n", "raw/rh/k2", [NUMBER]).readings
    assert reading == (("cellar", "k2", Quantity.HUMIDITY), NOW, 45.5)


def test_many_faults_are_told_as_three_and_a_count():
    with pytest.raises(BadPayload) as caught:
        decode([{"n": "temperature", "u": "Cel"}] * 900)
    assert str(caught.value).endswith("; and 897 more")


@pytest.mark.parametrize(
    "payload", [b"", b"wet", b"1_0", b"nan", b"inf", b"45,5", b"\xff", b"200"]
)
def test_what_is_no_believable_number_is_refused(payload):
    with pytest.raises(BadPayload):
        decode(payload, "raw/rh/k2", [NUMBER])


_scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9)
_fields = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bver", "n", "u", "t", "v", "vs", "vb", "s", "x_"]
)
_records = st.dictionaries(
    _fields, _scalars | st.sampled_from(["Cel", "%RH", "F", 1.79e9, 20.0]), max_size=6
)


@pytest.mark.slow
@given(
    st.binary(max_size=200) | st.lists(_records, max_size=5).map(lambda p: json.dumps(p).encode())
)
def test_any_bytes_are_read_or_refused_and_what_is_read_can_be_believed(payload):
    try:
        decoded = Contract().decode(TOPIC, payload, NOW)
    except BadPayload:
        return
    for series, ts_ms, value in decoded.readings:
        measure = MEASURES[series.quantity]
        assert measure.low <= value <= measure.high
        assert EARLIEST_MS <= ts_ms <= NOW + AHEAD_MAX_MS


_T, _H = {"n": "temperature", "u": "Cel"}, {"n": "humidity", "u": "%RH"}
_KINDS = [[_T], [{}], [_T, _H], [_H, {"u": "Cel"}], [_T, {"n": "a:temperature", "u": "F"}]]
"""Names and units of a pack; the last are two of one series."""
_ODD = json.loads(r"""
[{"bt": 5}, {"bt": 1789999991}, {"bt": 0}, {"bn": "b"}, {"bu": "%RH"}, {"bv": 2}, {"bver": 11},
{"bver": 10}, {"t": -1e9}, {"t": -1.7e9}, {"t": -1e308}, {"t": 1e5}, {"t": null}, {"v": null},
{"v": -400}, {"v": 1e308}, {"v": "1"}, {"vs": "on"}, {"x_": 1}, {"x": "}"}, {"x": {"bt": 4}},
{"n": "\"bt\""}, {"u": "m"}, {"u": "K"}]
""")


@st.composite
def _packs(draw):
    """A usual pack; some have two values of one time."""
    kinds, length = draw(st.sampled_from(_KINDS)), draw(st.integers(3, 8))
    times = st.integers(0, 9) | st.integers(0, 40_000).map(lambda n: n / 2_000)  # halves of a ms
    pack = [
        draw(st.sampled_from(kinds)) | {"t": t, "v": v}
        for t, v in zip(
            draw(st.lists(times, min_size=length, max_size=length, unique=draw(st.booleans()))),
            draw(
                st.lists(st.integers(1, 60) | st.floats(1, 60), min_size=length, max_size=length)
            ),
            strict=True,
        )
    ]
    pack[0] |= draw(_base)
    return pack


_base = st.fixed_dictionaries(
    {"bt": st.sampled_from([NOW / 1000 - 60.0, NOW / 1000 - 59.9995])},
    optional={
        "bn": st.sampled_from(["", "a1:", "a}"]),
        "bu": st.just("Cel"),
        "bv": st.sampled_from([0.1, 1]),
    },
)


def _outcome(decoder, payload):
    try:
        return repr(decoder(payload, NOW))
    except BadPayload as exc:
        return f"refused: {exc}"


@pytest.mark.parametrize("odd", [{}, *_ODD], ids=str)
@given(_packs(), st.integers(0, 2))
@settings(max_examples=30)
def test_a_pack_read_by_columns_gives_what_its_records_give_one_by_one(odd, pack, at):
    by_columns, one_by_one = (senml.Senml("front-bench", "a1") for _ in range(2))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(senml, "PLAIN_FROM", RECORDS_MAX + 1)
        _outcome(by_columns, json.dumps(pack).encode())  # it learns the names and units
        pack[at] |= odd
        payload = json.dumps(pack).encode()
        wanted = _outcome(one_by_one, payload)
        patch.setattr(senml, "PLAIN_FROM", 1)
        assert _outcome(by_columns, payload) == wanted


def test_a_plain_long_pack_is_read_by_columns(monkeypatch):
    rows = [{"n": n, "u": u, "t": k, "v": 20 + k / 7} for k in range(30) for n, u in _PAIR]
    pack = [{"bt": NOW / 1000 - 60} | rows[0], *rows[1:]]
    decoder = senml.Senml("front-bench", "a1")
    read, payload = [], json.dumps(pack).encode()
    plain = decoder._plain
    monkeypatch.setattr(decoder, "_plain", lambda *of: read.append(plain(*of)) or read[-1])
    first, again = decoder(payload, NOW), decoder(payload, NOW)
    assert first == again
    assert read == [None, again.readings], "the first time its names are learnt"


_PAIR = (("temperature", "Cel"), ("humidity", "%RH"))
