"""Projections of the journal: waits, wait types, instruments, sensors, rules and alerts."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from monitor.domain import glue, instrument, sensor, wait_type_registry
from monitor.domain import wait as waits
from monitor.domain.alerts import alert, rule_registry
from monitor.domain.alerts.alert import Alert
from monitor.domain.events import About, Event
from monitor.domain.glue import Glue
from monitor.domain.instrument import Instrument
from monitor.domain.sensor import SensorHistory
from monitor.domain.wait import Feel, Wait
from monitor.domain.wait_types import KINDS, WaitType
from monitor.science.waits.learning import (
    LONG_BEFORE,
    Evidence,
    JointAtRelease,
    LearnedUsualTime,
    UsualTimePrior,
    learn,
)
from monitor.store import Reader, Writer, journal

_FEEL = {
    Feel.SOFT: JointAtRelease.SOFT,
    Feel.RIGHT: JointAtRelease.RIGHT,
    Feel.LONG_BEFORE: JointAtRelease.LONG_BEFORE,
}

_MAPPINGS = ("waits", "retired", "instruments", "alerts", "filled_ms", "sensors", "glues")
"""Attributes of a journal that its events change in place."""


class Journal:
    """The projections of a journal; `refresh` takes in what was added since."""

    def __init__(self, store: Reader | Writer) -> None:
        self._store = store
        self._last = 0
        self.waits: dict[str, Wait] = {}
        self.book: dict[str, WaitType] = dict(KINDS)
        self.retired: dict[str, WaitType] = {}
        """Kinds off the list, each as it last was."""
        self.instruments: dict[str, Instrument] = {}
        self.alerts: dict[str, Alert] = {}
        self.rules: dict[str, Mapping[str, Any]] = {}
        """The shop's own rules, as kept; `rule_registry.in_use` has them all."""
        self.filled_ms: dict[str, int] = {}
        """Time of each reservoir's last fill. [ms since 1970-01-01 UTC]"""
        self.sensors: dict[str, SensorHistory] = {}
        """Sensors that have events, by "place/name" of the topic they send on."""
        self.glues: dict[str, Glue] = {}
        self.refresh()

    def refresh(self) -> None:
        """Take in the events since the last time. Threads that share the store may call it."""
        with self._store.connection.alone():
            new, last = journal.events(self._store, self._last)
            if not new:
                return
            for name in _MAPPINGS:  # a snapshot keeps the ones before
                setattr(self, name, dict(getattr(self, name)))
            for event in new:
                self._apply(event)
            self._last = last

    def snapshot(self) -> Journal:
        """The journal as it is now. No later event changes it."""
        with self._store.connection.alone():
            return copy.copy(self)

    def _apply(self, event: Event) -> None:
        about, subject = event.about, event.subject
        match about:
            case About.WAIT:
                self.waits[subject] = waits.apply(self.waits.get(subject), event)
            case About.KIND:
                if event.action == wait_type_registry.RETIRE:
                    self.retired[subject] = self.book[subject]
                else:
                    self.retired.pop(subject, None)
                self.book = wait_type_registry.apply(self.book, event)
            case About.INSTRUMENT:
                known = self.instruments.get(subject)
                self.instruments[subject] = instrument.apply(known, event)
            case About.ALERT:
                self.alerts[subject] = alert.apply(self.alerts.get(subject), event)
            case About.RULE:
                self.rules = rule_registry.apply(self.rules, event)
            case About.RESERVOIR:
                self.filled_ms[subject] = event.recorded_ms
            case About.SENSOR:
                self.sensors[subject] = sensor.apply(self.sensors.get(subject), event)
            case About.GLUE:
                self.glues[subject] = glue.apply(self.glues.get(subject), event)
            case About.CAUTION:
                pass  # kept for the record; nothing follows from it

    @property
    def version(self) -> int:
        """The number of the last event taken in: rises whenever anything was done."""
        return self._last

    def learned(self, kind_id: str) -> LearnedUsualTime | None:
        """Usual time of a type learned from its releases; None where nothing can be learned."""
        kind = self.book.get(kind_id)
        if kind is None or not kind.spread:
            return None
        series: dict[tuple[str, Feel], list[float]] = {}
        for wait in self.waits.values():
            if wait.kind["id"] == kind_id and wait.feel is not None and wait.equivalent_s:
                # Waits opened at once and judged alike are one piece of evidence, not many.
                alike = (wait.series or wait.id, wait.feel)
                series.setdefault(alike, []).append(wait.equivalent_s)
        evidence = [
            _evidence(feel, sum(many) / len(many), kind.basis_s)
            for (_, feel), many in series.items()
        ]
        return learn(UsualTimePrior(kind.basis_s, kind.spread, kind.minimum_s), evidence)


def _evidence(feel: Feel, equivalent_s: float, basis_s: float) -> Evidence:
    """Evidence from a release.

    A wait left far past its usual time, as overnight, and found right was only hard by then: how
    long before is not known.
    """
    verdict = _FEEL[feel]
    if verdict is JointAtRelease.RIGHT and LONG_BEFORE * equivalent_s > basis_s:
        verdict = JointAtRelease.HARD_BY_THEN
    return Evidence(verdict, equivalent_s)
