"""Projections of the journal: waits, wait types, instruments, sensors, rules and alerts."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from typing import Any

from monitor.domain import glue, instrument, own_proof, sensor, wait_type_registry
from monitor.domain import wait as waits
from monitor.domain.alerts import alert, rule_registry
from monitor.domain.alerts.alert import Alert
from monitor.domain.events import About, Event
from monitor.domain.glue import Glue
from monitor.domain.guide import SkipStep
from monitor.domain.instrument import Instrument
from monitor.domain.own_proof import Proof, ProofState
from monitor.domain.own_proof_kinds import ProofKind
from monitor.domain.repairs import repair, stock, templates
from monitor.domain.repairs.repair import Repair
from monitor.domain.repairs.stock import STOCK, Stock
from monitor.domain.repairs.templates import TEMPLATES, Template
from monitor.domain.sensor import SensorHistory
from monitor.domain.settings_change import SettingsAction
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

_MAPPINGS = (
    "waits",
    "retired",
    "usual_set_ms",
    "instruments",
    "alerts",
    "filled_ms",
    "sensors",
    "glues",
    "proofs",
    "repairs",
    "retired_templates",
    "settings_changes",
    "skipped",
)
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
        self.usual_set_ms: dict[str, int] = {}
        """Time at which the usual time of a kind was last changed. [ms since 1970-01-01 UTC]"""
        self.instruments: dict[str, Instrument] = {}
        self.alerts: dict[str, Alert] = {}
        self.rules: dict[str, Mapping[str, Any]] = {}
        """The shop's own rules, as kept; `rule_registry.in_use` has them all."""
        self.filled_ms: dict[str, int] = {}
        """Time of each reservoir's last fill. [ms since 1970-01-01 UTC]"""
        self.sensors: dict[str, SensorHistory] = {}
        """Sensors that have events, by "place/name" of the topic they send on."""
        self.glues: dict[str, Glue] = {}
        self.proofs: dict[str, Proof] = {}
        self.repairs: dict[str, Repair] = {}
        self.stock: dict[str, Stock] = dict(STOCK)
        """Stock of clamps and places by id."""
        self.templates: dict[str, Template] = dict(TEMPLATES)
        """Templates of repairs by id."""
        self.retired_templates: dict[str, Template] = {}
        self.settings_changes: dict[int, Event] = {}
        """Changes of the settings by their number from 1, oldest first."""
        self.skipped: dict[str, int] = {}
        """Steps of the guide that were skipped, and when. [ms since 1970-01-01 UTC]"""
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
                was = self.book.get(subject)
                self.book = wait_type_registry.apply(self.book, event)
                now = self.book.get(subject)
                if was and now and was.basis_s != now.basis_s:
                    self.usual_set_ms[subject] = event.recorded_ms
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
            case About.PROOF:
                self.proofs[subject] = own_proof.apply(self.proofs.get(subject), event)
            case About.REPAIR:
                self.repairs[subject] = repair.apply(self.repairs.get(subject), event)
            case About.STOCK:
                self.stock = stock.apply(self.stock, event)
            case About.TEMPLATE:
                if event.action == templates.RETIRE:
                    self.retired_templates[subject] = self.templates[subject]
                else:
                    self.retired_templates.pop(subject, None)
                self.templates = templates.apply(self.templates, event)
            case About.SETTINGS if event.action != SettingsAction.RESTART:
                self.settings_changes[int(subject)] = event
            case About.GUIDE:
                if event.action == str(SkipStep.__struct_config__.tag):
                    self.skipped[subject] = event.recorded_ms
                else:
                    self.skipped.pop(subject, None)
            case _:
                pass  # kept for the record; nothing follows from it

    @property
    def version(self) -> int:
        """The number of the last event taken in: rises whenever anything was done."""
        return self._last

    def learned(self, kind_id: str, without: Wait | None = None) -> LearnedUsualTime | None:
        """Usual time of a type learned from its releases and from the shop's own laps; None where
        nothing can be learned.

        `without`: a wait whose answer, and that of its series, is left out.
        """
        kind = self.book.get(kind_id)
        if kind is None or not kind.spread:
            return None
        series: dict[tuple[str, Feel], list[Wait]] = {}
        for wait in sorted(self.waits.values(), key=lambda wait: wait.released_ms or 0):
            if wait.kind["id"] == kind_id and wait.feel is not None and wait.equivalent_s:
                # Waits opened at once and judged alike are one piece of evidence, not many.
                series.setdefault((_series(wait), wait.feel), []).append(wait)
        set_ms = self.usual_set_ms.get(kind_id, 0)
        evidence = [
            _evidence(feel, many, kind.basis_s, set_ms)
            for (of, feel), many in series.items()
            if without is None or of != _series(without)
        ]
        evidence = [*self._laps(kind_id, set_ms), *evidence]
        return learn(UsualTimePrior(kind.basis_s, kind.spread, kind.minimum_s), evidence)

    def _laps(self, kind_id: str, set_ms: int) -> list[Evidence]:
        """Evidence of lap joints of finished proofs that are in use.

        Joints that were glued together, released at one time and judged alike are one piece of
        evidence, not many.
        """
        found = []
        for proof in self.proofs.values():
            used = proof.used and proof.state is ProofState.FINISHED
            if not used or proof.kind is not ProofKind.LAPS:
                continue
            if proof.inputs["wait_kind"] != kind_id:
                continue
            alike: dict[tuple[int | None, float, bool], list[float]] = {}
            usual_s = 0.0
            for one in proof.counted:
                key = (one.glued_ms, round(one.share, 1), one.soft)
                alike.setdefault(key, []).append(one.equivalent_s or 0.0)
                usual_s = one.usual_s or 0.0
            before = (proof.finished_ms or 0) < set_ms
            found += [
                Evidence(
                    JointAtRelease.SOFT if soft else JointAtRelease.HARD_BY_THEN,
                    sum(seconds) / len(seconds),
                    usual_s,
                    before,
                )
                for (_, _, soft), seconds in alike.items()
            ]
        return found

    def taught(self, wait: Wait) -> tuple[float, float] | None:
        """Usual time of new waits before and after the answer on a wait; None if it has none. [s]"""
        before = self.learned(wait.kind["id"], without=wait)
        after = self.learned(wait.kind["id"])
        if wait.feel is None or before is None or after is None:
            return None
        return before.used_s, after.used_s


def _series(wait: Wait) -> str:
    return wait.series or wait.id


def _evidence(feel: Feel, waits: Sequence[Wait], basis_s: float, set_ms: int) -> Evidence:
    """Evidence from the release of a wait, or of a series that was judged alike.

    A wait left far past its usual time, as overnight, and found right was only hard by then: how
    long before is not known.
    """
    verdict = _FEEL[feel]
    equivalent_s = sum(wait.equivalent_s or 0.0 for wait in waits) / len(waits)
    if verdict is JointAtRelease.RIGHT and LONG_BEFORE * equivalent_s > basis_s:
        verdict = JointAtRelease.HARD_BY_THEN
    first = waits[0]
    usual_s = float(first.kind.get("basis_s", 0.0))
    return Evidence(verdict, equivalent_s, usual_s, first.events[0].recorded_ms < set_ms)
