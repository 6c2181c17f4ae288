"""Queries of the pages about one sensor: its history, its values, its state in a jar."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.domain.sensor import SensorHistory
from monitor.sensor_care.calibration import settled
from monitor.sensor_care.health import Health, health

DAY_MS = 86_400_000

if TYPE_CHECKING:
    from collections.abc import Iterable

    from dashboard.data.records import PlacedSensor
    from dashboard.data.shop import ShopData
    from monitor.science.calibration.settling import Settling


@dataclass(frozen=True)
class SensorDetails:
    """Sensor by its topic: its history, its last raw values, and its state in a jar, if in one.

    The values are by quantity: (time [ms], value).
    """

    history: SensorHistory
    latest: dict[Quantity, tuple[int, float]]
    jar: Settling | None


def sensor_details(shop: ShopData, sensor_id: str) -> SensorDetails | None:
    """Present details of a sensor; None if no reading was ever stored on that topic."""
    place, _, name = sensor_id.partition("/")
    with shop.reader() as reader:
        latest = {
            one.series.quantity: (one.ts_ms, one.value)
            for one in reader.raw_latest(now_ms())
            if one.series[:2] == (place, name)
        }
        if sensor_id not in reader.topics():
            return None
        history = reader.histories().get(sensor_id, SensorHistory(sensor_id))
        jar = settled(reader, history, now_ms()) if history.jar is not None else None
        return SensorDetails(history, latest, jar)


def alike(shop: ShopData, history: SensorHistory) -> list[str]:
    """Other sensors whose corrections it might take over: those of its name that have some."""
    with shop.reader() as reader:
        return [
            one.id
            for one in reader.histories().values()
            if one.name == history.name and one.id != history.id and one.corrections
        ]


def topics(shop: ShopData) -> dict[tuple[str, str], str]:
    """Topic of each sensor that has a history, by its place and name."""
    with shop.reader() as reader:
        return {(one.home, one.name): one.id for one in reader.histories().values()}


def healths(
    shop: ShopData, sensors: Iterable[PlacedSensor], every: Iterable[PlacedSensor]
) -> dict[tuple[str, str], Health]:
    """Health of some sensors by place and name, and of those of `every` sensor beside them."""
    only = {one.place.id for one in sensors}
    latest = [
        Reading(Series(one.place.id, one.sensor, quantity), ts_ms, value)
        for one in every
        if one.place.id in only
        for quantity, (ts_ms, value, _) in one.last.items()
    ]
    with shop.reader() as reader:
        found = health(reader, shop.settings, now_ms(), only, latest)
        return {(one.place.id, one.sensor): one for one in found}


def in_a_day(shop: ShopData, sensors: Iterable[PlacedSensor]) -> list[int]:
    """Number of readings that each sensor sent in the last 24 h, of its most frequent quantity."""
    now = now_ms()
    with shop.reader() as reader:
        return [
            max(reader.count(i, now - DAY_MS, now + 1) for _, _, i in one.last.values())
            for one in sensors
        ]


def removed_sensors(shop: ShopData) -> list[SensorHistory]:
    """Sensors whose readings are all voided, past and future."""
    with shop.reader() as reader:
        return [one for one in reader.histories().values() if one.removed is not None]


def sensors_in_jars(shop: ShopData) -> list[SensorHistory]:
    """Sensors that are in a jar now."""
    with shop.reader() as reader:
        return [one for one in reader.histories().values() if one.in_jar]
