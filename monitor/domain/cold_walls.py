"""Highest safe humidity of a place by its coldest wall or pane, and the advice that follows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from monitor.core.formats import TemperatureUnit, whole_temperature
from monitor.domain.cautions import ADD_WATER
from monitor.domain.places import Place
from monitor.science.cold_surface import (
    FACTORS,
    LIMITS_PCT,
    TEMP_C,
    ColdSurface,
    highest_safe_humidity,
)
from monitor.science.ranges import Floats

INSTEAD = (
    "Do not humidify the whole room to its band. Keep instruments in their cases and opened "
    "plates without wet glue or varnish in a bag or tent, or humidify one small inner room "
    "without outer walls."
)
"""Advice where the band lies above the highest safe humidity. Common practice, no source."""

SAYS = {
    ColdSurface.CORNER: "above that, cold corners of the walls are damp enough for mould",
    ColdSurface.MEASURED: "above that, the coldest measured wall is damp enough for mould",
    ColdSurface.SINGLE_GLASS: "above that, the single panes get wet",
    ColdSurface.DOUBLE_GLASS: "above that, the window panes get wet",
}


class OutdoorTemps(NamedTuple):
    """Outdoor temperature: mean of the last day, which walls follow, and now. [°C]"""

    day_c: float
    now_c: float


class SafeHumidity(NamedTuple):
    """Highest safe RH of a place [%], the surface that limits it, and how cold it is outdoors
    [°C]."""

    rh_pct: float
    surface: ColdSurface
    outdoor_temp_c: float

    def words(self, unit: TemperatureUnit = "C") -> str:
        """Sentence on the limit and its reason."""
        cold = whole_temperature(self.outdoor_temp_c, unit)
        return (
            f"Do not go above {self.rh_pct:.0f} % RH while it is {cold} outdoors: "
            f"{SAYS[self.surface]}."
        )


def wall(place: Place, measured: float = math.nan) -> tuple[ColdSurface, float]:
    """The wall of a place that limits its humidity, and its temperature factor [-]: that of the
    settings, else as measured, else the usual one."""
    if place.wall_factor:
        return ColdSurface.CORNER, place.wall_factor
    if math.isfinite(measured):
        return ColdSurface.MEASURED, measured
    return ColdSurface.CORNER, FACTORS[ColdSurface.CORNER]


def safe_levels(
    place: Place, temp_c: Floats, outdoors: tuple[Floats, Floats], measured: float = math.nan
) -> dict[ColdSurface, Floats]:
    """Highest safe RH by each cold surface of a place. [%]

    Parameters
    ----------
    temp_c : ndarray
        Of the room. [°C]
    outdoors : tuple of ndarray
        Means of the last day, and of the moment. [°C]
    measured : float
        Temperature factor from a surface sensor; NaN without one. [-]
    """
    room, day, now = (np.clip(values, *TEMP_C) for values in (temp_c, *outdoors))
    surface, factor = wall(place, measured)
    found = {surface: highest_safe_humidity(room, day, factor)}
    if place.glass:
        pane = ColdSurface(f"{place.glass} glass")
        found[pane] = highest_safe_humidity(room, now, FACTORS[pane], LIMITS_PCT[pane])
    return found


def safe_humidities(
    places: Sequence[Place],
    temp_c: Sequence[float],
    outdoors: OutdoorTemps | None,
    measured: Sequence[float],
) -> list[SafeHumidity | None]:
    """Highest safe RH at each place now; None where room or outdoors is not known.

    Parameters
    ----------
    temp_c : sequence of float
        Of each room; NaN where it is not known. [°C]
    measured : sequence of float
        Temperature factor of each place from a surface sensor; NaN without one. [-]
    """
    found: list[SafeHumidity | None] = [None] * len(places)
    if outdoors is None:
        return found
    room = np.clip(np.array(temp_c, float), *TEMP_C)
    day, now = np.clip(outdoors, *TEMP_C).tolist()
    walls = [wall(*one) for one in zip(places, measured, strict=True)]
    levels = highest_safe_humidity(room, day, np.array([factor for _, factor in walls], float))
    panes = {
        f"{pane}": (pane, highest_safe_humidity(room, now, FACTORS[pane], LIMITS_PCT[pane]))
        for pane in (ColdSurface.SINGLE_GLASS, ColdSurface.DOUBLE_GLASS)
    }
    for i, place in enumerate(places):
        if place.kind == "outdoors" or math.isnan(levels[i]):
            continue
        pane, limits = panes.get(f"{place.glass} glass", (walls[i][0], levels))
        if limits[i] < levels[i]:
            found[i] = SafeHumidity(float(limits[i]), pane, outdoors.now_c)
        else:
            found[i] = SafeHumidity(float(levels[i]), walls[i][0], outdoors.day_c)
    return found


def add_water(
    safe: SafeHumidity | None,
    band_pct: tuple[float, float],
    rh_pct: float = math.nan,
    unit: TemperatureUnit = "C",
) -> str:
    """Advice to add water to the air of a place, no further than its cold walls allow.

    Parameters
    ----------
    band_pct : tuple of float
        The band of the place. [%]
    rh_pct : float
        RH now. [%]
    """
    low, high = band_pct
    if safe is None or safe.rh_pct >= high:
        return ADD_WATER
    if safe.rh_pct >= low:
        return f"{ADD_WATER} {safe.words(unit)}"
    if rh_pct >= safe.rh_pct:
        return f"Add no water to the air of the room. {safe.words(unit)} {INSTEAD}"
    return f"{ADD_WATER} {safe.words(unit)} {INSTEAD}"
