"""Weather of the demo: the packaged year, with a mild spell up to its first start and dry air after.

Whatever the date, a fresh demo so has a dry snap ahead, as the outlook finds it from its log and its
forecasts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sensors.simulator.weather import OutdoorAir, ZonedYear

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

HOUR_MS = 3_600_000
MILD_H, MILD_DEW_C = (-144.0, -120.0, 14.0, 22.0), ((3.0, 5.0, 11.0, 40.0), (1.5, 2.2, 11.0, 40.0))
"""Hours from the first start at which mild air comes, is there, goes and is gone [h]; its dew
point by that of the year [°C]. Ours."""
DRY_H, DRY_SHARE, DRIER_K = (14.0, 22.0, 100.0, 116.0), 1.2, 24.0
"""The same of dry air; its dew point is so much of the year's, less so much. [-], [K]  Ours."""
UNFILLED_H = (-130.0, 116.0)
"""Hours from the first start in which nobody fills the humidifier's tank. [h]"""


class DemoWeather:
    """Outdoor air of a demo that was first started at a moment. [ms since 1970-01-01 UTC]"""

    def __init__(self, zone: ZoneInfo, started_ms: int) -> None:
        self._year, self._started_ms = ZonedYear(zone), started_ms

    def unfilled(self, ts_ms: Times) -> NDArray[np.bool_]:
        """True where nobody fills the humidifier's tank at `ts_ms`, shape (n,)."""
        hours = (np.asarray(ts_ms) - self._started_ms) / HOUR_MS
        begins, ends = UNFILLED_H
        return np.asarray((begins <= hours) & (hours < ends))

    def at(self, ts_ms: Times) -> OutdoorAir:
        """The outdoor air at `ts_ms`. [ms since 1970-01-01 UTC, shape (n,)]"""
        air = self._year.at(ts_ms)
        hours = (np.asarray(ts_ms) - self._started_ms) / HOUR_MS
        mild, dry = (np.interp(hours, when, (0.0, 1.0, 1.0, 0.0)) for when in (MILD_H, DRY_H))
        dew = air.dew_point_c
        mild_c = np.interp(dew, *MILD_DEW_C)
        dew = dew + mild * (mild_c - dew)
        dew = dew + dry * (np.minimum(dew, DRY_SHARE * dew - DRIER_K) - dew)
        return air._replace(temp_c=np.maximum(air.temp_c, dew + mild), dew_point_c=dew)
