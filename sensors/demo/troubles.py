"""Faults in the demo's shop: a stuck sensor, a low battery, a gap, a garbled message."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from monitor.core.measurements import Quantity, Series
from sensors.demo.shop import BENCH, CORNER, OUTDOORS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sensors.demo.shop import DemoShop

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
SINCE_MS = 14 * DAY_MS
"""The second sensor and the batteries are known so long before the first start. [ms]"""
STUCK_MS = 9 * HOUR_MS
"""Time before the first start from which the second sensor's humidity no longer changes. [ms]"""
SILENT_SENSOR, SILENT_H = "vc-1", (30.0, 28.0)
"""Sensor that was silent, from and until so long before the first start. [h]"""
SECOND = (Series(BENCH, "fb-2", Quantity.TEMPERATURE), Series(BENCH, "fb-2", Quantity.HUMIDITY))
LOW_PCT, LOW_PCT_DAY = 11.0, 0.35
"""Charge of the outdoor sensor's battery at the first start [%], and what it loses [%/d]."""
BATTERIES = {
    Series(OUTDOORS, "out-1", Quantity.BATTERY): LOW_PCT,
    Series(CORNER, "vc-1", Quantity.BATTERY): 96.0,
}
GARBLED = (f"benchweather/{CORNER}/vc-1", b'{"humidity": 4512}')
"""Topic and payload of a message whose decimal point was lost."""


def more_readings(shop: DemoShop, ts_ms: Times, started_ms: int) -> dict[Series, Floats]:
    """Readings besides those of the year at rising times from `started_ms` − `SINCE_MS` on."""
    found = shop.read(SECOND, np.minimum(ts_ms, started_ms - STUCK_MS))
    found[SECOND[0]] = shop.read(SECOND[:1], ts_ms)[SECOND[0]]
    days = (ts_ms - started_ms) / DAY_MS
    for series, charge in BATTERIES.items():
        found[series] = np.clip(charge - LOW_PCT_DAY * days, 1, 100).round()
    return found


def is_sent(series: Series, ts_ms: Times, started_ms: int) -> NDArray[np.bool_]:
    """True where a series' readings at `ts_ms` were sent, shape (n,)."""
    hours = (started_ms - ts_ms) / HOUR_MS
    begun, ended = SILENT_H
    return np.asarray((series.sensor != SILENT_SENSOR) | (hours > begun) | (hours <= ended))
