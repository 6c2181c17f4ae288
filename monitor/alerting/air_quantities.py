"""The quantities of a place that rules watch, from its air."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.domain.alerts.rule import OUTLOOK, Rule
from monitor.domain.places import Place
from monitor.science.air import STANDARD_PRESSURE_PA
from monitor.science.climate.mould import critical_surface_humidity
from monitor.science.registry import derive

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


class WatchedAir(NamedTuple):
    """A place's air at one moment or along many: temperature [°C], RH [%], the coldest measured
    surface [°C], pressure [Pa] and the highest RH that its cold walls bear [%]; floats or arrays of
    one shape, NaN where unknown."""

    temp_c: ArrayLike
    rh_pct: ArrayLike
    surface_temp_c: ArrayLike = np.nan
    pressure_pa: ArrayLike = np.nan
    safe_rh_pct: ArrayLike = np.nan


def values_of(quantity: str, air: WatchedAir) -> NDArray[np.float64]:
    """A quantity of a place in its unit of `WATCHABLE`; NaN where it is not known.

    Without a measured pressure, the standard one serves where one is needed.
    """
    t, rh, surface, pressure, safe = (np.asarray(column, float) for column in air)
    rh = np.minimum(rh, 100.0)
    if quantity in OUTLOOK:  # the log keeps no trace of what was foreseen
        return np.full(np.broadcast(t, rh).shape, np.nan)
    match quantity:
        case "humidity":
            return rh
        case "temperature":
            return t
        case "surface_temperature":
            return surface
        case "pressure":
            return pressure
        case "dew_margin":
            return np.fmin(t, surface) - derive("dew_point", t, rh)
        case "wall_margin":
            return rh - safe
        case "mould_margin":
            margin = rh - critical_surface_humidity(t)
            # Below freezing and above 50 °C none grows, whatever the humidity.
            return np.where(np.isnan(margin) & ~np.isnan(t) & ~np.isnan(rh), -100.0, margin)
    return derive(quantity, t, rh, np.where(np.isnan(pressure), STANDARD_PRESSURE_PA, pressure))


def concerns(rule: Rule, place: Place) -> bool:
    """True if a rule is for a place: it names it or its kind; if it names none, any indoors."""
    if rule.only:
        return place.id in rule.only or place.kind in rule.only
    return place.kind != "outdoors"
