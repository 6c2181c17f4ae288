"""Sample of a sensor: the median of some reads in a row, tolerant of failed reads."""

from __future__ import annotations

import logging
import statistics
import time
from collections.abc import Callable
from pathlib import Path

from monitor.core.measurements import Quantity
from sensors.agent.chips import Chip, ChipChannel, ChipFault, chip_called, chips, chosen
from sensors.agent.settings import AgentSensor

log = logging.getLogger(__name__)

STILL_S = 3600.0
"""A trouble that lasts is told again after this. [s]"""


class SensorSource:
    """A sensor of the settings, and what is wrong with it."""

    def __init__(self, sensor: AgentSensor) -> None:
        self.sensor = sensor
        self.trouble = ""
        """In words; empty if nothing."""
        self._told_at = 0.0

    def tell(self, trouble: str) -> None:
        """Keep what is wrong, and log it when it is new or has lasted."""
        now, name = time.monotonic(), f"{self.sensor.place}/{self.sensor.name}"
        if trouble and (trouble != self.trouble or now - self._told_at > STILL_S):
            log.warning("sensor cannot be read sensor=%s reason=%s", name, trouble)
            self._told_at = now
        elif self.trouble and not trouble:
            log.info("sensor reads again sensor=%s", name)
        self.trouble = trouble


class ChipSensor(SensorSource):
    """A sensor of the settings and its chip, looked for again while it is away.

    Parameters
    ----------
    sensor : Sensor
    root : Path
        Of sysfs.
    reads : int
        How many make a sample.
    gap_s : float
        Between two reads. [s]
    """

    def __init__(
        self,
        sensor: AgentSensor,
        root: Path,
        reads: int,
        gap_s: float,
        wait: Callable[[float], object] = time.sleep,
    ) -> None:
        super().__init__(sensor)
        self._root, self._reads, self._gap_s, self._wait = root, reads, gap_s, wait
        self._chip: Chip | None = None
        self._channels: dict[Quantity, ChipChannel] = {}

    def sample(self) -> dict[Quantity, float]:
        """The median of each quantity of which more than half the reads were good; in the units
        of `monitor.core.measurements.MEASURES`. What is left out is in `trouble`, and in the log."""
        try:
            self._look()
        except ChipFault as exc:
            self.tell(str(exc))
            return {}
        good: dict[Quantity, list[float]] = {quantity: [] for quantity in self._channels}
        faults: dict[Quantity, str] = {}
        for turn in range(self._reads):
            if turn:
                self._wait(self._gap_s)
            for quantity, channel in self._channels.items():
                try:
                    good[quantity].append(channel.read())
                except ChipFault as exc:
                    faults[quantity] = str(exc)
        enough = {q: values for q, values in good.items() if 2 * len(values) > self._reads}
        self.tell("; ".join(fault for q, fault in faults.items() if q not in enough))
        return {quantity: statistics.median(values) for quantity, values in enough.items()}

    def _look(self) -> None:
        """Find the chip, unless it is at hand and still there."""
        if self._chip is None or not self._chip.present():
            self._chip = None
            chip = chip_called(self.sensor.chip, chips(self._root))
            self._channels = chosen(chip, self.sensor.take)
            self._chip = chip
