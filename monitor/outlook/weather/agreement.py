"""Agreement of a forecast with the outdoor sensor."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.ranges import Floats

HOURS_MIN = 8
"""Fewest hours that can be compared. [h]  Ours."""
APART_K = 5.0
"""Median difference of temperature or dew point from which a forecast's recent past is not the
sensor's. [K]  Ours: errors of a few hours' lead are 1 to 2 K; a place that differs by less cannot
be told apart."""


class Agreement(NamedTuple):
    """Forecast less sensor over some recent hours: how many, and the median of temperature and of
    dew point. [K]"""

    hours: int
    temp_k: float
    dew_point_k: float

    @property
    def doubt(self) -> str:
        """The reason, with figures, to believe it is for another place; empty if there is none."""
        if self.hours < HOURS_MIN:
            return ""
        parts = [
            f"{abs(apart):.0f} K {over if apart > 0 else under}"
            for apart, over, under in (
                (self.temp_k, "warmer", "colder"),
                (self.dew_point_k, "damper (dew point)", "drier (dew point)"),
            )
            if abs(apart) > APART_K
        ]
        if not parts:
            return ""
        return (
            f"over the last {self.hours} hours compared it was {' and '.join(parts)} than the "
            "outdoor sensor: is it for another place, or is the sensor in the sun or "
            "against the house?"
        )


def agreement(
    forecast_temp_c: Floats, forecast_dew_c: Floats, read_temp_c: Floats, read_dew_c: Floats
) -> Agreement:
    """Compare hour by hour; arrays of shape (n,), NaN where one side is silent. [°C]"""
    temp, dew = forecast_temp_c - read_temp_c, forecast_dew_c - read_dew_c
    both = ~np.isnan(temp + dew)
    if not both.any():
        return Agreement(0, 0.0, 0.0)
    return Agreement(int(both.sum()), float(np.median(temp[both])), float(np.median(dew[both])))
