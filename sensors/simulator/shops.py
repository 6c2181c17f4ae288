"""Many simulated shops at once, and what their sensors read, made in blocks of time.

Pure: the same seed, shop, sensor and instant give the same reading, whichever shops stand beside
it and whatever stretch was asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.core.measurements import Quantity
from monitor.science.air import vapour_pressure
from sensors.simulator import habits, room
from sensors.simulator.random_numbers import uniform
from sensors.simulator.random_shop import LAG_MAX, random_shops
from sensors.simulator.sensor_error import sensor_readings
from sensors.simulator.time_grid import GRID_MS, SPIN_UP_MS, months_around
from sensors.simulator.weather import OutdoorAir, ZonedYear

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Times = NDArray[np.int64]

SENSORS_MAX = 10_000
PERIOD_MAX_MS = 3_600_000
"""Longest time between a sensor's readings. [ms]"""
MONTHS = 1
"""Rooms are stepped anew, from `SPIN_UP_MS` before, for each so many months."""
VALUES_AT_ONCE = 1_000_000
"""Most values in a block, but for a block of one reading of each sensor."""
STEPS_AT_ONCE = 150_000
"""Steps of the rooms, times shops, worked out at a time."""
HEARD = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
"""What every sensor measures; those outdoors also the pressure."""
T_STEPS, RH_STEPS = (0.0, 0.0, 0.05, 0.1), (0.0, 0.0, 0.1, 0.5, 1.0)
"""The least differences that sensors know, some more often. [K], [%]"""


class SimulatedPlace(NamedTuple):
    """Place of sensors in a shop: its name in topics, and its kind in the settings."""

    name: str
    kind: str
    letter: str


PLACES = (
    SimulatedPlace("bench", "bench", "b"),
    SimulatedPlace("varnish", "varnish", "v"),
    SimulatedPlace("outdoors", "outdoors", "o"),
)


class SimulatedSensor(NamedTuple):
    """Simulated sensor: `shop` counts from 0; `where` is an index of `PLACES`."""

    shop: int
    where: int
    place: str
    name: str


class Block(NamedTuple):
    """Consecutive readings of every sensor.

    `ts_ms` has shape (n, sensors), each column rising: every sensor measures once a period, at a
    moment of its own. `values` has, for a quantity, which sensors measure it, shape (m,), and
    what they read, shape (n, m), in the units of `monitor.core.measurements.MEASURES`.
    """

    ts_ms: Times
    values: dict[Quantity, tuple[NDArray[np.intp], Floats]]


class _TrueAir(NamedTuple):
    """The true air on the grid from `start_ms` on; columns are places by shops."""

    start_ms: int
    temp_c: Floats
    vapour_pressure_pa: Floats
    pressure_pa: Floats


class Shops:
    """Some shops of one seed, living by the clock of `zone`.

    Parameters
    ----------
    seed : int
    zone : ZoneInfo
    shops : int
        How many, at least 1.
    sensors : int
        Of each shop, at least 1: the first at the bench, where varnish dries, and outdoors, those
        beyond at the bench mostly. At most `SENSORS_MAX` in all.
    period_ms : int
        From a sensor's reading to its next, up to `PERIOD_MAX_MS`. [ms]
    """

    def __init__(
        self, seed: int, zone: ZoneInfo, shops: int = 1, sensors: int = 4, period_ms: int = 10_000
    ) -> None:
        self.period_ms, self._zone = period_ms, zone
        self._seeds = _seeds(seed, "shop", shops)
        self._drawn = random_shops(self._seeds)
        self._year = ZonedYear(zone)
        self.sensors = tuple(_sensors(self._seeds, sensors))
        self._made = tuple(
            one for shop in self._seeds for one in _seeds(shop, "sensor", sensors)
        )  # each sensor's own seed
        self.phase_ms = np.floor(period_ms * uniform(self._made, "phase", 0)).astype(np.int64)
        """How long after the turn of a period each sensor measures, shape (sensors,). [ms]"""
        where = np.array([one.where for one in self.sensors])
        shop = np.array([one.shop for one in self.sensors])
        self._columns = where * shops + shop
        self._outdoors = np.flatnonzero(where == 2)
        self._outdoor_shops = shop[self._outdoors]
        self._error = 0.3 + 1.4 * uniform(self._made, "error", 0)
        self._steps = {
            quantity: np.array(steps)[
                np.floor(len(steps) * uniform(self._made, f"step/{quantity}", 0)).astype(int)
            ]
            for quantity, steps in zip(HEARD, (T_STEPS, RH_STEPS), strict=True)
        }

    @property
    def values_each_period(self) -> int:
        """Number of values that all sensors together read in a period."""
        return len(HEARD) * len(self.sensors) + len(self._outdoors)

    @property
    def volumes_m3(self) -> tuple[Floats, Floats]:
        """Volumes of the rooms with the bench and for varnish, each of shape (shops,). [m³]"""
        bench, varnish = self._drawn.rooms
        return np.asarray(bench.volume_m3), np.asarray(varnish.volume_m3)

    def blocks(
        self, start_ms: int, end_ms: int, stepped: Callable[[float], None] = lambda _: None
    ) -> Iterator[Block]:
        """Readings of every sensor in the periods that begin in [start, end), in turn.

        Parameters
        ----------
        start_ms, end_ms : int
            Multiples of the period. [ms since 1970-01-01 UTC]
        stepped : callable
            Told, while the rooms are stepped towards the first reading, the share of it done.
        """
        at = start_ms
        while at < end_ms:
            _, turn = months_around(at, MONTHS)
            until = min(end_ms, turn + -turn % self.period_ms)
            yield from self._in_month(at, until, stepped)
            at = until

    def _in_month(self, at: int, until: int, stepped: Callable[[float], None]) -> Iterator[Block]:
        most = max(1, VALUES_AT_ONCE // self.values_each_period)
        airs = self._airs(at, stepped)
        air = next(airs)
        while at < until:
            end = at + most * self.period_ms
            reach = air.start_ms + GRID_MS * (len(air.temp_c) - 1)
            while reach < min(at + self.period_ms, until):
                air = _joined(air, next(airs), at)
                reach = air.start_ms + GRID_MS * (len(air.temp_c) - 1)
            end = min(end, until, at + (reach - at) // self.period_ms * self.period_ms)
            instants = np.arange(at, end, self.period_ms, dtype=np.int64)
            yield self._read(air, instants[:, None] + self.phase_ms)
            at = end

    def _airs(self, at: int, stepped: Callable[[float], None]) -> Iterator[_TrueAir]:
        """The air of the month that holds `at`, from shortly before `at` on, each piece
        beginning where the last ended. It goes on for a period beyond the month."""
        start, turn = months_around(at, MONTHS)
        begin, last = start - SPIN_UP_MS, turn + PERIOD_MAX_MS
        steps = max(12, min(288, STEPS_AT_ONCE // len(self._seeds)))
        state = None
        for low in range(begin, last, steps * GRID_MS):
            high = min(low + steps * GRID_MS, last)
            ts_ms = np.arange(low, high, GRID_MS, dtype=np.int64)
            outdoors = self._weather(low, ts_ms.size + 1)
            outdoor_pa = vapour_pressure(outdoors.dew_point_c, 100.0)
            after = OutdoorAir(*(column[1:] for column in outdoors))
            drive = habits.drive(
                self._seeds, self._zone, ts_ms, after, outdoor_pa[1:], self._drawn.habits
            )
            state = state or room.at_rest(drive)
            run, state = room.stepped(
                drive, GRID_MS / 1000, state, self._drawn.rooms, self._drawn.fittings
            )
            if high <= at:
                stepped((high - begin) / (at - begin))
                continue
            temps = (run.temp_c, outdoors.temp_c[:, None])
            pressures = (run.vapour_pressure_pa, outdoor_pa[:, None])
            temp, pressure = (
                np.concatenate(parts, axis=1).reshape(ts_ms.size + 1, -1)
                for parts in (temps, pressures)
            )
            yield _TrueAir(low, temp, pressure, outdoors.pressure_pa)

    def _weather(self, low: int, n: int) -> OutdoorAir:
        """The shops' weather at `n` points of the grid from `low` on, each of shape (n, shops)."""
        own = self._drawn.weather
        whole = np.arange(-LAG_MAX, n + LAG_MAX)
        base = self._year.at(low + GRID_MS * whole)
        rows = np.arange(n)[:, None] + LAG_MAX - own.lag
        temp = base.temp_c[rows] + own.temp_k
        return OutdoorAir(
            temp,
            np.minimum(base.dew_point_c[rows] + own.dew_point_k, temp),
            base.pressure_pa[rows] * own.pressure,
            base.wind_m_s[rows] * own.wind,
        )

    def _read(self, air: _TrueAir, ts_ms: Times) -> Block:
        row, part = np.divmod(ts_ms - air.start_ms, GRID_MS)
        share = part / GRID_MS

        def at(grid: Floats, row: Times, share: Floats, column: NDArray[np.intp]) -> Floats:
            low = grid[row, column]
            between: Floats = low + share * (grid[row + 1, column] - low)
            return between

        temp = at(air.temp_c, row, share, self._columns)
        vapour = at(air.vapour_pressure_pa, row, share, self._columns)
        true = (temp, 100 * vapour / room.saturation_pa(temp, room.MANY))
        every = np.arange(len(self.sensors))
        values = {
            quantity: (
                every,
                sensor_readings(
                    self._made, "", quantity, right, ts_ms, self._error, self._steps[quantity]
                ),
            )
            for quantity, right in zip(HEARD, true, strict=True)
        }
        if len(out := self._outdoors):
            pressure = at(air.pressure_pa, row[:, out], share[:, out], self._outdoor_shops)
            made = tuple(self._made[i] for i in out)
            read = sensor_readings(
                made, "", Quantity.PRESSURE, pressure, ts_ms[:, out], self._error[out]
            )
            values[Quantity.PRESSURE] = out, read
        return Block(ts_ms, values)


def _joined(air: _TrueAir, more: _TrueAir, at: int) -> _TrueAir:
    """Two pieces as one, without what lies before `at`. They share a row."""
    skip = max(0, min((at - air.start_ms) // GRID_MS, len(air.temp_c) - 1))
    columns = (
        np.concatenate((one[skip:-1], two)) for one, two in zip(air[1:], more[1:], strict=True)
    )
    return _TrueAir(air.start_ms + skip * GRID_MS, *columns)


def _seeds(seed: int, what: str, n: int) -> tuple[int, ...]:
    """Seeds of several things of one seed, each by its number."""
    drawn = uniform(seed, f"seed of {what}", np.arange(n))
    return tuple((drawn * 2.0**53).astype(np.int64).tolist())


def _sensors(seeds: tuple[int, ...], each: int) -> Iterator[SimulatedSensor]:
    further = uniform(seeds, "place of sensor", np.arange(each)[:, None]) < 0.3
    for shop in range(len(seeds)):
        counts = [0] * len(PLACES)
        for i in range(each):
            where = i if i < len(PLACES) else int(further[i, shop])
            counts[where] += 1
            place = PLACES[where]
            yield SimulatedSensor(
                shop,
                where,
                f"sim{shop + 1}-{place.name}",
                f"sim{shop + 1}-{place.letter}{counts[where]}",
            )
