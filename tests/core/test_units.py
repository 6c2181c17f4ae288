"""Amounts of water as they are said."""

from __future__ import annotations

import pytest

from monitor.core.errors import OutOfRange
from monitor.core.formats import room_words, water_figure, water_unit
from monitor.core.units import litres


@pytest.mark.parametrize(
    ("text", "amount_l"),
    [
        ("1.5 L", 1.5),
        ("1500 mL", 1.5),
        ("1500ml", 1.5),
        ("1,5 l", 1.5),
        (" 2 L ", 2.0),
        # Source: NIST Handbook 44, appendix C: 1 US gallon = 128 fl oz = 3.785412 L. From memory.
        ("128 fl oz", 3.785412),
        ("128 FL  OZ", 3.785412),
        ("1 gal", 3.785412),
        ("4 QT", 3.785412),
        # Source: NIST Handbook 44, appendix C: 1 lb = 0.45359237 kg. From memory.
        ("1500 g", 1.5),
        ("2 kg", 2.0),
        ("10 lb", 4.5359237),
    ],
)
def test_an_amount_of_water_is_read_in_its_unit(text, amount_l):
    assert litres(text, 0.02, 100) == pytest.approx(amount_l, rel=1e-5)


@pytest.mark.parametrize(
    "text", ["", "2", "L", "-1 L", "1.5 oz", "1e3 L", "nan L", 2, None, "2 L x"]
)
def test_what_is_no_amount_is_refused_with_what_is_allowed(text):
    with pytest.raises(
        ValueError, match=r"not an amount of water: must be such as 1\.5 L, in mL, L, fl oz"
    ):
        litres(text, 0.02, 100)


@pytest.mark.parametrize("text", ["0 L", "19 mL", "101 L", "100001 g"])
def test_an_amount_out_of_range_is_refused(text):
    with pytest.raises(OutOfRange, match=r"amount of water = .*: must be .* to "):
        litres(text, 0.02, 100)


def test_what_is_out_of_range_is_told_in_the_unit_it_was_said_in():
    with pytest.raises(OutOfRange, match=r"= 30 gal: must be 0\.00528 to 26\.4 gal"):
        litres("30 gal", 0.02, 100)


# Source: NIST Handbook 44, appendix C, as above; 1 ft³ = 0.02831685 m³. From memory.
@pytest.mark.parametrize(
    ("amount_l", "us", "told"),
    [
        (2.4, False, "2.4 L"),
        (0.34, False, "0.3 L"),
        (3.785412, True, "1.0 gal"),
        (1.9, True, "0.5 gal"),
        (1.88, True, "64 fl oz"),
        (0.2957353, True, "10 fl oz"),
    ],
)
def test_water_is_told_in_the_readers_measure(amount_l, us, told):
    unit = water_unit(amount_l, us=us)
    assert f"{water_figure(amount_l, unit)} {unit}" == told


def test_a_room_is_told_in_the_readers_measure():
    assert room_words(60.0, us=False) == "60 m³"
    assert room_words(100 * 0.02831685, us=True) == "100 ft³"
