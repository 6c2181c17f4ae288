"""Declared units and how each converts to the unit a quantity is kept in."""

from __future__ import annotations

from typing import NamedTuple

from monitor.records import Quantity

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


FAHRENHEIT_REGIONS = frozenset({"US", "LR", "BS", "BZ", "KY", "PW", "FM", "MH"})
"""Countries that say temperatures in °F, by ISO 3166 code. From memory."""


def allowed(quantity: Quantity | None = None) -> str:
    """The units that may be declared, for an error text."""
    groups = [UNITS[quantity]] if quantity else UNITS.values()
    return ", ".join(dict.fromkeys(unit for group in groups for unit in group))
