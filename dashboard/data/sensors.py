"""What the pages ask of one sensor: its history, what it tells, how it stands in a jar."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity
from monitor.domain.sensor import SensorHistory
from monitor.sensor_care.calibration import settled
from monitor.sensor_care.health import Health, health

if TYPE_CHECKING:
    from dashboard.data.shop import ShopData
    from monitor.science.calibration.settling import Settling


@dataclass(frozen=True)
class SensorDetails:
    """A sensor by its topic: what was done with it, the last values as it told them, quantity to
    (time [ms], value), and how it stands in its jar, if it is in one."""

    history: SensorHistory
    told: dict[Quantity, tuple[int, float]]
    jar: Settling | None


def sensor_details(shop: ShopData, sensor_id: str) -> SensorDetails | None:
    """A sensor as it stands now; None if none ever spoke on that topic."""
    place, _, name = sensor_id.partition("/")
    with shop.reader() as reader:
        told = {
            one.series.quantity: (one.ts_ms, one.value)
            for one in reader.raw_latest()
            if one.series[:2] == (place, name)
        }
        if not told:
            return None
        history = reader.histories().get(sensor_id, SensorHistory(sensor_id))
        jar = settled(reader, history, now_ms()) if history.jar is not None else None
        return SensorDetails(history, told, jar)


def alike(shop: ShopData, history: SensorHistory) -> list[str]:
    """Other sensors whose corrections it might take over: those of its name that have some."""
    with shop.reader() as reader:
        return [
            one.id
            for one in reader.histories().values()
            if one.name == history.name and one.id != history.id and one.corrections
        ]


def topics(shop: ShopData) -> dict[tuple[str, str], str]:
    """On which topic those speak that something was done with, by place and name."""
    with shop.reader() as reader:
        return {(one.home, one.name): one.id for one in reader.histories().values()}


def healths(shop: ShopData) -> list[Health]:
    """How each sensor does."""
    with shop.reader() as reader:
        return health(reader, shop.settings, now_ms())


def in_jars(shop: ShopData) -> list[SensorHistory]:
    """Those that are in a jar now."""
    with shop.reader() as reader:
        return [one for one in reader.histories().values() if one.in_jar]
