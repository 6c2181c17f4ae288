"""Amounts of water as they are said."""

from __future__ import annotations

import pytest

from monitor.errors import OutOfRange
from monitor.units import litres


@pytest.mark.parametrize(
    ("text", "amount_l"),
    [
        ("1.5 L", 1.5), ("1500 mL", 1.5), ("1500ml", 1.5), ("1,5 l", 1.5), (" 2 L ", 2.0),
        # Source: NIST Handbook 44, appendix C: 1 US gallon = 128 fl oz = 3.785412 L. From memory.
        ("128 fl oz", 3.785412), ("128 FL  OZ", 3.785412),
        ("1500 g", 1.5), ("2 kg", 2.0),
    ],
)  # fmt: skip
def test_an_amount_of_water_is_read_in_its_unit(text, amount_l):
    assert litres(text, 0.02, 100) == pytest.approx(amount_l, rel=1e-5)


@pytest.mark.parametrize(
    "text", ["", "2", "L", "-1 L", "1.5 gal", "1e3 L", "nan L", 2, None, "2 L x"]
)
def test_what_is_no_amount_is_refused_with_what_is_allowed(text):
    with pytest.raises(
        ValueError, match=r"no amount of water: must be such as 1\.5 L, in mL, L, fl oz"
    ):
        litres(text, 0.02, 100)


@pytest.mark.parametrize("text", ["0 L", "19 mL", "101 L", "100001 g"])
def test_an_amount_out_of_range_is_refused(text):
    with pytest.raises(OutOfRange, match=r"amount of water = .* L: must be 0.02 to 100 L"):
        litres(text, 0.02, 100)
