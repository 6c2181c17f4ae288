"""Highest safe humidity of one place, as the product has it for several."""

from __future__ import annotations

import math

from monitor.domain.cold_walls import safe_humidities


def safe_humidity(place, temp_c, outdoors, measured=math.nan):
    """Highest safe RH of a place at a temperature [°C]; None without cold walls."""
    return safe_humidities([place], [temp_c], outdoors, [measured])[0]
