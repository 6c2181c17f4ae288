"""Declared units and how each converts to the unit a quantity is kept in."""

from __future__ import annotations

import re
from typing import NamedTuple

from monitor.core.errors import OutOfRange
from monitor.core.measurements import Quantity

ZERO_C_IN_K = 273.15
"""0 °C. [K]"""


class Conversion(NamedTuple):
    """kept = given · `factor` + `offset`."""

    factor: float
    offset: float


_TEMPERATURE = {
    "Cel": Conversion(1.0, 0.0),
    "K": Conversion(1.0, -ZERO_C_IN_K),
    "F": Conversion(5.0 / 9.0, -160.0 / 9.0),
}
UNITS: dict[Quantity, dict[str, Conversion]] = {
    Quantity.TEMPERATURE: _TEMPERATURE,
    Quantity.SURFACE_TEMPERATURE: _TEMPERATURE,
    Quantity.HUMIDITY: {"%RH": Conversion(1.0, 0.0)},
    Quantity.PRESSURE: {"Pa": Conversion(1.0, 0.0), "hPa": Conversion(100.0, 0.0)},
    Quantity.BATTERY: {"%EL": Conversion(1.0, 0.0)},
}
"""Units taken for each quantity, to °C, %, Pa and %.

Symbols as in the IANA SenML units registry (RFC 8428 section 12.1, RFC 8798 for hPa), from
memory; and F for degrees Fahrenheit. In that registry F is the farad, which no air sensor sends,
so here F always means Fahrenheit.
"""

VOLUMES_L = {
    "mL": 0.001,
    "L": 1.0,
    "fl oz": 0.0295735,
    "qt": 0.946353,
    "gal": 3.78541,
    "g": 0.001,
    "kg": 1.0,
    "lb": 0.453592,
}
"""Units of an amount of water, to litres; masses as 1 L = 1 kg. [L]
Fluid ounce, quart and gallon are those of the US, as in NIST Handbook 44, appendix C; from memory.
An ounce alone is not taken: of volume or of weight."""
M3_PER_FT3 = 0.0283168
"""A cubic foot. [m³]  NIST Handbook 44, appendix C; from memory."""

_AMOUNT = re.compile(r"\s*(\d{1,6}(?:[.,]\d{1,4})?)\s*([a-zA-Z][a-zA-Z. ]*?)\s*")


def litres(text: object, low: float, high: float) -> float:
    """An amount of water such as `1.5 L`, `1500 mL`, `50 fl oz`, `1.6 qt` or `1500 g`. [L]

    Raises
    ------
    OutOfRange
        Outside `low` to `high`. [L]
    ValueError
        If it is not an amount of water.
    """
    found = _AMOUNT.fullmatch(text) if isinstance(text, str) else None
    known = {name.lower(): name for name in VOLUMES_L}
    unit = known.get(" ".join(found[2].lower().split())) if found else None
    if found is None or unit is None:
        raise ValueError(
            f"{text!r:.40} is not an amount of water: must be such as 1.5 L, in "
            f"{', '.join(VOLUMES_L)}; fl oz, qt and gal as in the US"
        )
    said, one = float(found[1].replace(",", ".")), VOLUMES_L[unit]
    if not low <= said * one <= high:
        raise OutOfRange(
            "amount of water", said, unit, float(f"{low / one:.3g}"), float(f"{high / one:.3g}")
        )
    return said * one


def allowed(quantity: Quantity | None = None) -> str:
    """The units that may be declared, for an error text."""
    groups = [UNITS[quantity]] if quantity else UNITS.values()
    return ", ".join(dict.fromkeys(unit for group in groups for unit in group))
