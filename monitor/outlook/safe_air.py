"""Highest safe humidity along an outlook, by the coldest wall or pane of a place."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.domain.cold_walls import SafeHumidity, safe_levels
from monitor.domain.places import Place
from monitor.science.cold_surface import TEMP_C, ColdSurface, measured_factor
from monitor.science.ranges import Floats

WALL_H = 24
"""A wall follows the mean of so many hours. [h]  Ours: as heavy walls do."""
COLD_SHARE = 0.1
"""The outdoor air counts that is colder than all but this share of the members. [-]  Ours."""
PANES = (ColdSurface.SINGLE_GLASS, ColdSurface.DOUBLE_GLASS)


class SafeAhead(NamedTuple):
    """Highest safe RH at each step, (STEPS,) [%], and that of the coldest time."""

    levels_pct: Floats
    least: SafeHumidity


def safe_ahead(
    place: Place, temp_c: Floats, outdoor_temp_c: Floats, measured: float
) -> SafeAhead | None:
    """Highest safe RH of a place in the next days; None where it is not known.

    Parameters
    ----------
    temp_c : ndarray (members, STEPS)
        Of the room. [°C]
    outdoor_temp_c : ndarray (STEPS, members)
        [°C]
    measured : float
        Temperature factor from a surface sensor; NaN without one. [-]
    """
    room = np.median(temp_c, axis=0)
    day = np.quantile(trailing_mean(outdoor_temp_c), COLD_SHARE, axis=1)
    now = np.quantile(outdoor_temp_c, COLD_SHARE, axis=1)
    if np.isnan(room + day + now).any():
        return None
    levels = safe_levels(place, room, (day, now), measured)
    surfaces = list(levels)
    grid = np.array([levels[one] for one in surfaces])
    surface, step = np.unravel_index(int(grid.argmin()), grid.shape)
    found = surfaces[int(surface)]
    out = now if found in PANES else day
    least = SafeHumidity(float(grid[surface, step]), found, float(out[step]))
    return SafeAhead(grid.min(axis=0), least)


def trailing_mean(values: Floats) -> Floats:
    """Mean of each step and those before it, `WALL_H` at most; of shape (STEPS, members)."""
    total = np.cumsum(values, axis=0)
    total[WALL_H:] -= total[:-WALL_H].copy()
    count = np.minimum(np.arange(1, len(values) + 1), WALL_H)
    return np.asarray(total / count[:, None])


def wall_factor(surface_c: float, temp_c: Floats, outdoor_temp_c: Floats) -> float:
    """Temperature factor of the coldest measured wall over a day; NaN where it is not known.

    Parameters
    ----------
    surface_c : float
        Mean over the day. [°C]
    temp_c, outdoor_temp_c : ndarray (n,)
        Of the same day. [°C]
    """
    known = ~np.isnan(temp_c + outdoor_temp_c)
    if not known.any():
        return float("nan")
    temps = np.array([surface_c, temp_c[known].mean(), outdoor_temp_c[known].mean()])
    if not np.all((temps >= TEMP_C[0]) & (temps <= TEMP_C[1])):  # a broken sensor
        return float("nan")
    return float(measured_factor(*temps))
