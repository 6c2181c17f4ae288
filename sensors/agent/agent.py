"""The agent itself: samples at its period, keeps, and lets the sender send."""

from __future__ import annotations

import logging
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor import __version__
from monitor.core.errors import MonitorError
from monitor.core.measurements import Quantity
from monitor.core.systemd import Notifier
from sensors.agent import board_status, senml
from sensors.agent.backlog import Backlog
from sensors.agent.pack_store import Pack
from sensors.agent.sampling import ChipSensor, SensorSource
from sensors.agent.sender import BacklogSender
from sensors.agent.settings import AgentSensor, AgentSettings
from sensors.agent.timestamps import Clock, Timestamper

if TYPE_CHECKING:
    from sensors.agent.bluetooth import Receiver

log = logging.getLogger(__name__)

GAP_S = 0.1
"""Between two reads of a sample, if the period leaves room for it. [s]"""
SENDER_SILENT_S = 120.0
"""A sender without a sign of life for so long hangs. [s]"""


class AgentFault(MonitorError):
    """The agent cannot go on."""


class Agent:
    """Agent of one board's sensors.

    Parameters
    ----------
    settings : Settings
    folder : Path
        Where the backlog is kept.
    root : Path
        What stands for / in sysfs and /proc.
    clock : Clock, optional
    """

    def __init__(
        self,
        settings: AgentSettings,
        folder: Path,
        root: Path = Path("/"),
        clock: Clock | None = None,
        notifier: Notifier | None = None,
    ) -> None:
        self._settings, self._root = settings, root
        self._clock = clock or Clock(root)
        self._dating = Timestamper(self._clock)
        self._notifier = notifier or Notifier()
        chips = [sensor for sensor in settings.sensors if sensor.chip]
        gap_s = min(GAP_S, 0.2 * settings.period_s / max(1, settings.reads * len(chips)))
        self._stations = [ChipSensor(s, root, settings.reads, gap_s) for s in chips]
        self._receiver = self._made_receiver()
        self._keeping = threading.Lock()
        self.backlog = Backlog(
            folder / "backlog.sqlite3", settings.packs_max, self._clock.start_id
        )
        self._sender = BacklogSender(settings.address, settings.name, self.backlog, self.report)

    def run(self, stop: threading.Event) -> None:
        """Sample, keep and send until `stop` is set.

        Raises
        ------
        AgentFault
            If the sender has ended or hangs.
        """
        period_s, due = self._settings.period_s, time.monotonic()
        count, waiting = len(self._settings.sensors), self.backlog.waiting
        log.info("started agent=%s sensors=%d waiting=%d", self._settings.name, count, waiting)
        self._sender.start()
        if self._receiver:
            self._receiver.start()
        ready = False
        sign_due = due
        while not stop.is_set():
            now = time.monotonic()
            if now >= due:
                self.round()
                due += period_s * (1 + int((time.monotonic() - due) / period_s))
                if not ready:
                    ready = True
                    self._notifier.ready(self._status())
            self._check_sender()
            if self._notifier.watchdog_s and now >= sign_due:
                self._notifier.alive(self._status())
                sign_due = now + self._notifier.watchdog_s
            wait_until = min(due, sign_due) if self._notifier.watchdog_s else due
            stop.wait(max(0.0, min(wait_until - time.monotonic(), SENDER_SILENT_S)))
        self._notifier.stopping()
        if self._receiver:
            self._receiver.stop(wait_s=2.0)
        self._sender.stop(wait_s=10.0)
        self.backlog.close()
        log.info("stopped waiting=%d", self.backlog.waiting)

    def round(self) -> None:
        """Takes a sample of every chip; it is on disk before this returns."""
        battery = board_status.battery_pct(self._root)
        taken = []
        for station in self._stations:
            before = self._clock.since_start_ms()
            values = station.sample()
            if values:
                if battery is not None:
                    values[Quantity.BATTERY] = battery
                middle = (before + self._clock.since_start_ms()) // 2
                taken.append((station.sensor, middle, values))
        with self._keeping:
            self._keep(taken)

    def _keep(self, taken: list[tuple[AgentSensor, int, dict[Quantity, float]]]) -> None:
        """Date samples and put them on disk. [ms since this machine's start]"""
        offset_ms = self._dating.look()
        if self._dating.anew and offset_ms is not None:
            self.backlog.date(offset_ms)
        kept = [
            Pack(
                senml.topic(sensor.place, sensor.name),
                self._clock.start_id,
                moment,
                None if offset_ms is None else moment + offset_ms,
                senml.records(values),
            )
            for sensor, moment, values in taken
        ]
        self.backlog.put(kept)
        for pack in kept:
            log.debug("kept topic=%s measured_ms=%s", pack.topic, pack.measured_ms)

    def _made_receiver(self) -> Receiver | None:
        sensors = [sensor for sensor in self._settings.sensors if sensor.bluetooth]
        if not sensors:
            return None
        from sensors.agent.bluetooth import Receiver  # only here: it takes memory

        def keep(sensor: AgentSensor, moment: int, values: dict[Quantity, float]) -> None:
            with self._keeping:
                self._keep([(sensor, moment, values)])

        period_s = self._settings.bluetooth_period_s
        return Receiver(sensors, period_s, keep, self._clock.since_start_ms)

    def _sources(self) -> list[SensorSource]:
        return [*self._stations, *(self._receiver.sources if self._receiver else ())]

    def report(self) -> dict[str, Any]:
        """State of the agent, published through the broker."""
        trouble = [
            f"{s.sensor.place}/{s.sensor.name}: {s.trouble}" for s in self._sources() if s.trouble
        ]
        trouble += [text for text in (self._dating.trouble, self.backlog.trouble) if text]
        return {
            "agent": self._settings.name,
            "version": __version__,
            "sensors": [f"{s.place}/{s.name}" for s in self._settings.sensors],
            "at_ms": self._clock.wall_ms(),
            "waiting": self.backlog.waiting,
            "packs_given_up": self.backlog.given_up,
            "signal_dbm": board_status.signal_dbm(self._root),
            "trouble": trouble,
        }

    def _check_sender(self) -> None:
        if not self._sender.is_alive():
            raise AgentFault("the sender has ended: see the log")
        if self._receiver and not self._receiver.is_alive():
            raise AgentFault("the reader of Bluetooth sensors has ended: see the log")
        silent_s = time.monotonic() - self._sender.beat
        if silent_s > SENDER_SILENT_S:
            raise AgentFault(f"the sender has not responded for {silent_s:.0f} s")

    def _status(self) -> str:
        sources = self._sources()
        well = sum(not source.trouble for source in sources)
        broker = self._sender.trouble or "broker connected"
        waiting = self.backlog.waiting
        return f"{well} of {len(sources)} sensors read; {waiting} packs wait; {broker}"
