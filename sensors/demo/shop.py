"""The demo's shop: an invented two-bench violin repair shop and what its sensors read.

Pure: the packaged weather is read once, time is passed in, and the same seed and instant give the
same reading whether asked for live or among a year of others.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.core.measurements import Quantity, Reading, Series
from monitor.science.air import vapour_pressure
from monitor.science.saturation import saturation_vapour_pressure
from sensors.demo.weather import DemoWeather
from sensors.simulator import habits, room
from sensors.simulator.sensor_error import sensor_readings
from sensors.simulator.time_grid import GRID_MS, SPIN_UP_MS, months_around
from sensors.simulator.weather import ZonedYear

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

_QUARTERS_KEPT = 8

BENCH, CORNER, OUTDOORS = "front-bench", "varnish-corner", "outdoors"
SERIES = tuple(
    Series(place, sensor, quantity)
    for place, sensor, quantities in (
        (BENCH, "fb-1", (Quantity.TEMPERATURE, Quantity.HUMIDITY)),
        (CORNER, "vc-1", (Quantity.TEMPERATURE, Quantity.HUMIDITY)),
        (OUTDOORS, "out-1", (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE)),
    )
    for quantity in quantities
)
"""Every series of the shop: place, sensor, quantity."""


class DemoAir(NamedTuple):
    """True air at some moments, by place, before any sensor.

    Temperature [°C], vapour pressure [Pa] and, outdoors only, pressure [Pa]. Each of the shape of
    the times.
    """

    temp_c: dict[str, Floats]
    vapour_pressure_pa: dict[str, Floats]
    pressure_pa: Floats


class DemoShop:
    """The shop of one seed, living by the clock of `zone`, in the weather of a demo or of the year."""

    def __init__(self, seed: int, zone: ZoneInfo, weather: DemoWeather | None = None) -> None:
        self._seed = seed
        self._zone = zone
        self._outdoors = weather or ZonedYear(zone)
        self._quarters: OrderedDict[int, room.Run] = OrderedDict()

    def readings(
        self, start_ms: int, end_ms: int, step_ms: int = GRID_MS
    ) -> tuple[Times, dict[Series, Floats]]:
        """Times from `start_ms` up to, not including, `end_ms`, and every series at them.

        Values are in the units of `monitor.core.measurements.MEASURES`. A year takes about two seconds.
        """
        ts_ms = np.arange(start_ms, end_ms, step_ms, dtype=np.int64)
        return ts_ms, self.read(SERIES, ts_ms)

    def at(self, ts_ms: int) -> list[Reading]:
        """Readings of every sensor at one moment.

        The first call in a quarter of a year steps the rooms through it, about 0.4 s; the next
        ones take about a millisecond.
        """
        values = self.read(SERIES, np.array([ts_ms], dtype=np.int64))
        return [Reading(series, ts_ms, float(value[0])) for series, value in values.items()]

    def air(self, ts_ms: Times) -> DemoAir:
        """The true air at rising `ts_ms`, which the sensors are wrong about."""
        outdoors = self._outdoors.at(ts_ms)
        temp = {BENCH: np.empty(ts_ms.size), CORNER: np.empty(ts_ms.size)}
        pressure = {BENCH: np.empty(ts_ms.size), CORNER: np.empty(ts_ms.size)}
        low = 0
        while low < ts_ms.size:
            start, end = months_around(int(ts_ms[low]), 3)
            high = int(np.searchsorted(ts_ms, end))
            rooms = self._quarter_run(start, end)
            grid = start + GRID_MS * np.arange(len(rooms.temp_c))
            for column, place in enumerate((BENCH, CORNER)):
                for target, source in ((temp, rooms.temp_c), (pressure, rooms.vapour_pressure_pa)):
                    target[place][low:high] = np.interp(ts_ms[low:high], grid, source[:, column])
            low = high
        temp[OUTDOORS] = outdoors.temp_c
        pressure[OUTDOORS] = vapour_pressure(outdoors.dew_point_c, 100.0)
        return DemoAir(temp, pressure, outdoors.pressure_pa)

    def _quarter_run(self, start: int, end: int) -> room.Run:
        """The rooms on the grid from `start` to `end`, both included, without the spin-up."""
        if start not in self._quarters:
            ts_ms = np.arange(start - SPIN_UP_MS, end, GRID_MS, dtype=np.int64)
            outdoors = self._outdoors.at(ts_ms + GRID_MS)
            outdoor_pa = vapour_pressure(outdoors.dew_point_c, 100.0)
            drive = habits.drive(self._seed, self._zone, ts_ms, outdoors, outdoor_pa)
            if isinstance(self._outdoors, DemoWeather):
                drive = drive._replace(
                    fill=np.where(self._outdoors.unfilled(ts_ms), 0, drive.fill)
                )
            whole = room.run(drive, GRID_MS / 1000)
            skip = SPIN_UP_MS // GRID_MS
            self._quarters[start] = room.Run(*(column[skip:] for column in whole))
            if len(self._quarters) > _QUARTERS_KEPT:
                self._quarters.popitem(last=False)
        return self._quarters[start]

    def read(self, wanted: Sequence[Series], ts_ms: Times) -> dict[Series, Floats]:
        """Readings of sensors at the shop's places at rising `ts_ms`."""
        air = self.air(ts_ms)
        true = {}
        for series in wanted:
            temp_c = air.temp_c[series.place]
            if series.quantity is Quantity.TEMPERATURE:
                true[series] = temp_c
            elif series.quantity is Quantity.HUMIDITY:
                saturated = saturation_vapour_pressure(temp_c)
                true[series] = 100 * air.vapour_pressure_pa[series.place] / saturated
            else:
                true[series] = air.pressure_pa
        return {series: self._sensed(series, value, ts_ms) for series, value in true.items()}

    def _sensed(self, series: Series, true: Floats, ts_ms: Times) -> Floats:
        return sensor_readings(self._seed, series.sensor, series.quantity, true, ts_ms)
