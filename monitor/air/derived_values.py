"""Derived values of places from their newest temperature and RH, worked out for all together."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.core.measurements import BY_HAND, Quantity
from monitor.domain.hand_reading import widened
from monitor.science.air import TEMP_C, relative_humidity_at
from monitor.science.ranges import Floats
from monitor.science.registry import derive
from monitor.science.uncertainty import dew_point_uncertainty, moisture_content_uncertainty
from monitor.science.wood import moisture_content_is_extrapolated

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.air.latest_air import LatestAir
    from monitor.settings import Settings

EMC = "equilibrium_moisture_content"
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY


class DerivedValues(NamedTuple):
    """Derived values of a place, as `PlaceAir` has them; NaN where no sensor measures both."""

    dew_point_c: float
    frost_point_c: float
    moisture_pct: float
    u_dew_point_k: float
    u_moisture_pct: float
    extrapolated: bool
    heated_rh_pct: float


def derived_values(
    recent: Sequence[LatestAir], settings: Settings, now_ms: int, heated_to_c: float
) -> list[DerivedValues]:
    """Derived values of each place. [ms since 1970-01-01 UTC], [°C]"""
    if not recent:
        return []
    temp, rh, u_temp, u_rh = np.array([_measured(one, settings, now_ms) for one in recent]).T
    dew, frost, emc = (derive(name, temp, rh) for name in ("dew_point", "frost_point", EMC))
    rh = np.minimum(rh, 100.0)

    def where(known: Floats, values: Floats) -> Floats:
        return np.where(np.isfinite(known), values, np.nan)

    t, h = where(dew, temp), where(dew, rh)
    u_dew = dew_point_uncertainty(t, h, u_temp, u_rh)
    t, h = where(emc, temp), where(emc, rh)
    u_emc = moisture_content_uncertainty(t, h, u_temp, u_rh)
    beyond = moisture_content_is_extrapolated(t, h)
    outdoors = np.array([one.place.kind == "outdoors" for one in recent])
    heated = np.where(outdoors, _heated(temp, rh, heated_to_c), np.nan)
    columns = (dew, frost, emc, u_dew, u_emc, beyond, heated)
    return [DerivedValues(*row) for row in zip(*(c.tolist() for c in columns), strict=True)]


def _measured(
    one: LatestAir, settings: Settings, now_ms: int
) -> tuple[float, float, float, float]:
    """Newest temperature and RH of one sensor, and their uncertainties; NaN without a pair."""
    u_temp = one.u_calibrated.get(T, settings.sensor.temp_accuracy_c)
    u_rh = one.u_calibrated.get(RH, settings.sensor.rh_accuracy_pct)
    if not one.sensor:  # each is measured by another sensor
        return math.nan, math.nan, u_temp, u_rh
    if one.sensor == BY_HAND and (heard := one.heard_ms()) is not None:
        u_temp, u_rh = widened(u_temp, u_rh, now_ms - heard)
    return one.newest[T][1], one.newest[RH][1], u_temp, u_rh


def _heated(temp_c: Floats, rh_pct: Floats, to_c: float) -> Floats:
    """RH of outdoor air once heated; NaN for air that is warmer already."""
    low, high = TEMP_C
    if not low <= to_c <= high:
        return np.full(len(temp_c), np.nan)
    known = (temp_c >= low) & (temp_c < to_c) & (rh_pct >= 0)
    t, rh = (np.where(known, values, np.nan) for values in (temp_c, rh_pct))
    return relative_humidity_at(t, rh, to_c)
