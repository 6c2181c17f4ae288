"""The quantities of a place that rules watch, from its air."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.alerts.rule import Rule
from monitor.places import Place
from monitor.science.climate.mould import critical_surface_humidity
from monitor.science.registry import derive

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def values_of(
    quantity: str, temp_c: ArrayLike, rh_pct: ArrayLike, surface_temp_c: ArrayLike = np.nan
) -> NDArray[np.float64]:
    """A quantity of a place's air, in its unit of `WATCHABLE`.

    Parameters
    ----------
    temp_c, rh_pct : array_like
        [°C], [%]  NaN where unknown.
    surface_temp_c : array_like
        Of the coldest measured surface; NaN: none is measured. [°C]

    Returns
    -------
    ndarray of the broadcast shape
    """
    t, rh = np.asarray(temp_c, float), np.minimum(np.asarray(rh_pct, float), 100.0)
    match quantity:
        case "humidity":
            return rh
        case "temperature":
            return t
        case "dew_point":
            return derive("dew_point", t, rh)
        case "moisture":
            return derive("equilibrium_moisture_content", t, rh)
        case "dew_margin":
            return np.fmin(t, np.asarray(surface_temp_c, float)) - derive("dew_point", t, rh)
        case "mould_margin":
            margin = rh - critical_surface_humidity(t)
            # Below freezing and above 50 °C none grows, whatever the humidity.
            return np.where(np.isnan(margin) & ~np.isnan(t) & ~np.isnan(rh), -100.0, margin)
    raise KeyError(quantity)


def concerns(rule: Rule, place: Place) -> bool:
    """Whether a rule is for a place: it names it or its kind; if it names none, any indoors."""
    if rule.only:
        return place.id in rule.only or place.kind in rule.only
    return place.kind != "outdoors"
