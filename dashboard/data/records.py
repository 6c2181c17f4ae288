"""Records that `ShopData` gives the pages, frozen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from monitor.mqtt.broker_log import BrokerRefusal as BrokerRefusal
from monitor.store.aside import AsideOfSensor as AsideOfSensor
from monitor.store.newcomers import Newcomer as Newcomer
from monitor.store.outbox import OutboxEntry as OutboxEntry
from monitor.store.outbox import Outcome as Outcome
from monitor.store.reader import AheadReadings as AheadReadings

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from dashboard.data.thinning import Points
    from monitor.core.errors import StoreFault
    from monitor.core.measurements import Quantity
    from monitor.domain.places import Place
    from monitor.runtime.heartbeat import Heartbeat
    from monitor.store.outbox import OutboxTally


@dataclass(frozen=True)
class PlacedSensor:
    """Sensor at a place, with its last readings: quantity to (time [ms], value, id of the series)."""

    place: Place
    sensor: str
    last: dict[Quantity, tuple[int, float, int]]

    @property
    def heard_ms(self) -> int:
        return max(ms for ms, _, _ in self.last.values())


@dataclass(frozen=True)
class QuantityHistory:
    """A quantity at a place over a span. `width_ms` is the width of a point, 0 for readings."""

    place: Place
    quantity: str
    points: Points
    source: str
    width_ms: int
    readings: int


class ServiceState(NamedTuple):
    """The service's last heartbeat, and whether it is late or was never written.

    `fault`: why neither is known, where they are in a database that cannot be read.
    """

    beat: Heartbeat | None
    gone: bool
    fault: StoreFault | None = None


class DownloadRows(NamedTuple):
    """Rows of one sensor for a download."""

    place: Place
    sensor: str
    at_ms: NDArray[np.int64]
    columns: dict[str, NDArray[np.float64]]


class Notices(NamedTuple):
    """Notices, the newest first, and what waits, by channel."""

    newest: list[OutboxEntry]
    waiting: dict[str, OutboxTally]
