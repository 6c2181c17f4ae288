"""Vital signs of the running service: what hangs or has ended, in its heartbeat and to systemd."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from monitor.core.clock import now_ms
from monitor.runtime import health, heartbeat
from monitor.runtime.health import INGEST, ROUNDS, Grade
from monitor.service.evaluation_cycle import EvaluationCycle

if TYPE_CHECKING:
    from monitor.alerting.notifications.outbox_worker import OutboxWorker
    from monitor.core.steady_clock import SteadyClock
    from monitor.core.systemd import Notifier
    from monitor.readings.ingest import Ingest
    from monitor.runtime.child_process import ChildProcess
    from monitor.runtime.disk_space import DiskSpace
    from monitor.runtime.scheduler import Scheduler
    from monitor.service.backup_watch import BackupWatch
    from monitor.service.broker_watch import BrokerWatch
    from monitor.service.ingest_worker import IngestGroup
    from monitor.settings import Settings

log = logging.getLogger(__name__)

CYCLE = "evaluation cycle"
"""Name of the job of the evaluation rounds."""
HANGS_S = {INGEST: 120.0, ROUNDS: 900.0}
"""Time without progress after which a part hangs. [s]  Ours: a try of the ingest waits 10 s for a
locked store; the longest round measured, of 3,000 places, took 17 s, and a small computer is ten times
slower."""


class Parts(NamedTuple):
    """Parts of the service that are watched."""

    ingest: Ingest
    cycle: EvaluationCycle
    sender: OutboxWorker
    jobs: Scheduler
    children: Sequence[ChildProcess]
    disk: DiskSpace
    broker_watch: BrokerWatch | None
    backups: BackupWatch
    others: IngestGroup | None = None


def stuck(ingest_moved_s: float, rounds_moved_s: float, now_s: float) -> tuple[str, ...]:
    """Parts that hang, by when each last came further. A store that cannot be written is tried
    again and again: that is no hang. [s]"""
    moved = {INGEST: ingest_moved_s, ROUNDS: rounds_moved_s}
    return tuple(part for part, at_s in moved.items() if now_s - at_s > HANGS_S[part])


class VitalSigns:
    """Writer of the heartbeat and of messages to systemd, for the thread that watches the parts."""

    def __init__(
        self, settings: Settings, clock: SteadyClock, notifier: Notifier, settings_trouble: str
    ) -> None:
        self._settings, self._clock, self._notifier = settings, clock, notifier
        self._settings_trouble = settings_trouble
        self._started_ms = now_ms()
        self._grades: dict[str, Grade] = {}
        self._since: dict[str, int] = {}
        self._stuck: tuple[str, ...] = ()
        self._told, self._next_sign_s = "", 0.0
        self.last: heartbeat.Heartbeat | None = None
        """The last heartbeat; None before the first."""

    def beat(self, parts: Parts) -> None:
        """Write the heartbeat, and give systemd a sign of life unless a part hangs."""
        state = self._state(parts)
        if state.stuck != self._stuck:
            self._stuck = state.stuck
            log.error("parts that hang: %s", ", ".join(state.stuck) or "none any more")
        found = health.verdicts(state, state.beat_ms, self._settings.zone)
        self._since = health.since(self._since, self._grades, found, state.beat_ms)
        self._grades = {one.part: one.grade for one in found}
        self.last = msgspec.structs.replace(state, since=self._since)
        try:
            heartbeat.write(self._settings.heartbeat_path, self.last)
        except OSError as exc:
            log.warning("heartbeat cannot be written reason=%s", exc)
        self._tell(health.sentence(found))

    def ready(self) -> None:
        """Tell systemd that board and broker answer."""
        self._told = health.sentence(())
        self._notifier.ready(self._told)

    def _tell(self, sentence: str) -> None:
        now_s = time.monotonic()
        due = self._notifier.watchdog_s and now_s >= self._next_sign_s
        if due and not self._stuck:
            self._next_sign_s = now_s + self._notifier.watchdog_s
            self._notifier.alive(sentence)
        elif sentence != self._told:
            self._notifier.status(sentence)
        self._told = sentence

    def _state(self, parts: Parts) -> heartbeat.Heartbeat:
        ingest, cycle, sender, watch = parts.ingest, parts.cycle, parts.sender, parts.broker_watch
        ended = [child.name for child in parts.children if child.failed]
        if not sender.running():
            ended.append("notices")
        return heartbeat.Heartbeat(
            beat_ms=now_ms(),
            started_ms=self._started_ms,
            pid=os.getpid(),
            demo=self._settings.demo,
            broker=str(ingest.subscription.address),
            broker_trouble=ingest.subscription.trouble,
            store_trouble=ingest.store_trouble,
            round_trouble=parts.jobs.failing.get(CYCLE, ""),
            clock=self._clock.jump(),
            outage=watch.outage if watch else None,
            disk=parts.disk.trouble,
            settings_trouble=self._settings_trouble,
            backup_trouble=parts.backups.trouble,
            round=cycle.last,
            rounds=cycle.rounds,
            rounds_s=round(cycle.rounds_s, 3),
            notices_sent=sender.sent,
            notices_failed=sender.failed,
            stuck=stuck(ingest.moved_s, cycle.moved_s, time.monotonic()),
            ended=tuple(ended),
            workers=parts.others.workers if parts.others else (),
        )
