"""Notes on the air, the wood, joints and open plates at the times that a plan has chosen."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from monitor.air.current import air_now
from monitor.air.latest_air import recent
from monitor.air.place_means import places
from monitor.core import formats
from monitor.core.clock import EVER_MS
from monitor.domain.air_assessment import AirAssessment, AirState, expected, forbids
from monitor.domain.repairs.step import WHOLE_INSTRUMENT, StepKind
from monitor.domain.situation import ANYWHERE, drying, fresh_joints, opened_plates
from monitor.planning.open_time import LONG_CLOSED_MS
from monitor.planning.problem import Note, NoteKind
from monitor.planning.step_check import air_rule
from monitor.planning.today import SOON_MS
from monitor.planning.words import planned_at, range_words
from monitor.science.air import dew_point
from monitor.science.plates.assessment import AHEAD_S, Close, Closing
from monitor.waits.evaluation import WaitStatus, statuses
from monitor.waits.glue_answer import LIKELY_CHANCE
from monitor.waits.glue_now_text import in_ten
from monitor.wood.evaluation import instrument_statuses

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from monitor.commands import Journal
    from monitor.domain.instrument import Instrument
    from monitor.domain.places import Kind
    from monitor.domain.repairs.repair import Repair
    from monitor.domain.repairs.step import Step
    from monitor.planning.inputs import Inputs
    from monitor.planning.problem import Plan, PlannedStep
    from monitor.settings import Settings
    from monitor.store import Reader


def with_air_notes(
    reader: Reader, settings: Settings, journal: Journal, inputs: Inputs, plan: Plan
) -> Plan:
    """A plan with notes on the air and the wood at its times."""
    found = _Notes(reader, settings, journal, inputs, plan)
    return replace(plan, notes=(*plan.notes, *found.all()))


class _Notes:
    """Notes on one plan."""

    def __init__(
        self, reader: Reader, settings: Settings, journal: Journal, inputs: Inputs, plan: Plan
    ) -> None:
        self._reader, self._settings, self._journal = reader, settings, journal
        self._waits, self._open = inputs.waits, inputs.problem.open
        self._now_ms, self._zone = inputs.problem.now_ms, settings.zone
        self._places = {one.id: one for one in places(reader, settings)}
        present = air_now(recent(reader, settings, self._now_ms), settings, self._now_ms)
        self._old_ms = {one.place.id: one.heard_ms for one in present if one.old}
        self._drying = drying(journal.waits.values())
        self._planned = {(one.repair, one.step): one for one in plan.steps}

    def all(self) -> Iterator[Note]:
        for repair in self._journal.repairs.values():
            instrument = self._journal.instruments.get(repair.instrument)
            if not repair.open or instrument is None or not instrument.here:
                continue
            for step in repair.steps:
                of = self._planned.get((repair.id, step.id))
                if of is None or of.running:
                    continue
                if of.from_ms <= self._now_ms + SOON_MS:
                    # The present air is judged elsewhere; here it is only said if it is not known.
                    yield from self._of_old_air(repair, step, instrument)
                    continue
                yield from self._of_air(repair, step, of, instrument)
                if step.kind is StepKind.CLOSE and instrument.open_now:
                    yield from self._of_wood(repair, step, of, instrument)
            yield from self._of_fresh_joints(repair, instrument)
            yield from self._of_joints_apart(repair, instrument)
            yield from self._left_open(repair, instrument)

    def _of_air(
        self, repair: Repair, step: Step, of: PlannedStep, instrument: Instrument
    ) -> Iterator[Note]:
        rule = air_rule(step, self._journal.book.get(step.wait_kind))
        place = step.place or instrument.place
        if not rule:
            return
        found = self._likely(rule, place, of.from_ms, of.to_ms, lambda one: forbids(rule, one))
        if found is not None:
            worst, share = found
            yield Note(
                NoteKind.AIR_AHEAD,
                repair.id,
                step.id,
                f"{self._planned_words(step, of, instrument)} The air at {self._label(place)} is "
                f"likely to be wrong for it then ({in_ten(share)}): {worst.titles.lower()}. "
                f"{worst.advice}",
            )

    def _of_old_air(self, repair: Repair, step: Step, instrument: Instrument) -> Iterator[Note]:
        place = step.place or instrument.place
        heard_ms = self._old_ms.get(place)
        if heard_ms is not None and air_rule(step, self._journal.book.get(step.wait_kind)):
            since = formats.when(heard_ms, self._now_ms, self._zone)
            text = (
                f"{instrument.reference}: {step.label} is planned for now. No reading from "
                f"{self._label(place)} since {since}. The air there is not known: check it first."
            )
            yield Note(NoteKind.AIR_OLD, repair.id, step.id, text)

    def _of_fresh_joints(self, repair: Repair, instrument: Instrument) -> Iterator[Note]:
        """Note on each joint that perhaps may not be loaded yet when work on the instrument is planned.

        In the plan, work that loads a joint begins at its usual time; the joint is often later.
        """
        beside: dict[str, list[str]] = {}
        for step in repair.steps:
            of = self._planned.get((repair.id, step.id))
            if of is None or of.running:
                continue
            found = [
                (self._planned.get((repair.id, one.id)), one) for one in repair.all_before(step)
            ]
            joints = [
                (joint.ready.high_ms, one.id)
                for joint, one in found
                if joint is not None
                and joint.ready.usual_ms > joint.off.usual_ms
                and joint.ready.high_ms > of.from_ms
            ]
            if joints:
                at = planned_at(of.from_ms, self._now_ms, self._zone)
                beside.setdefault(max(joints)[1], []).append(f"{step.label} is planned for {at}.")
        for one, works in beside.items():
            ready = range_words(self._planned[repair.id, one].ready, self._now_ms, self._zone)
            text = (
                f"{instrument.reference}: {' '.join(works)} The joint of “{repair.step(one).label}” "
                f"may be worked, loaded or strung from about {ready}. Until Bench shows that it may, "
                "keep the work away from it, and do not load or string it. Check the joint before "
                "you trust it."
            )
            yield Note(NoteKind.FRESH_JOINT, repair.id, one, text)

    def _of_joints_apart(self, repair: Repair, instrument: Instrument) -> Iterator[Note]:
        """Note on each step that closes, strings or hands over an instrument while joints that belong
        to no step of its repair perhaps may not be loaded yet."""
        own = {one.wait for one in repair.steps}
        waits = fresh_joints(self._journal.waits.values(), instrument.reference)
        apart = [one for one in waits if one.id not in own]
        found = statuses(self._reader, self._settings, apart, self._now_ms) if apart else []
        for step in repair.steps:
            of = self._planned.get((repair.id, step.id))
            if of is None or of.running or step.kind not in WHOLE_INSTRUMENT:
                continue
            fresh = [one.label for one in found if not _surely_loadable(one, of.from_ms)]
            if fresh:
                joints = ", ".join(f"“{label}”" for label in dict.fromkeys(fresh))
                text = (
                    f"{self._planned_words(step, of, instrument)} Other joints of it are perhaps not "
                    f"ready by then: {joints}. Do not close, load or string it before Bench shows that "
                    "all may be loaded."
                )
                yield Note(NoteKind.FRESH_JOINT, repair.id, step.id, text)

    def _of_wood(
        self, repair: Repair, step: Step, of: PlannedStep, instrument: Instrument
    ) -> Iterator[Note]:
        (status,) = instrument_statuses(self._reader, self._settings, [instrument], self._now_ms)
        closing = status.answer.closing if status.answer is not None else None
        words = "" if closing is None else self._closing_words(closing, of.from_ms)
        if words:
            text = f"{self._planned_words(step, of, instrument)} {words} See Wood."
            yield Note(NoteKind.NOT_SAFE, repair.id, step.id, text)

    def _closing_words(self, closing: Closing, at_ms: int) -> str:
        """Sentence on a moment at which it is not safe to close in the present air, else "". [ms]"""

        def moment(in_s: float) -> int:
            late = not in_s < AHEAD_S[-1]
            return EVER_MS if late else self._now_ms + round(1000 * in_s)

        if closing.close is Close.NOT_YET and moment(closing.from_in_s) > at_ms:
            why = f"{closing.reason}, {closing.part}" if closing.part else str(closing.reason)
            if moment(closing.from_in_s) == EVER_MS:
                return f"If the air stays as it is, it is not safe to close then ({why})."
            safe = formats.ahead(moment(closing.from_in_s), self._now_ms, self._zone)
            return (
                f"If the air stays as it is, it is not safe to close before about {safe} ({why})."
            )
        if closing.close is Close.YES and moment(closing.until_in_s) < at_ms:
            last = formats.ahead(moment(closing.until_in_s), self._now_ms, self._zone)
            return f"If the air stays as it is, it is not safe to close after about {last}."
        return ""

    def _left_open(self, repair: Repair, instrument: Instrument) -> Iterator[Note]:
        spans = (
            (closes, opens)
            for (_, closes), (opens, _) in pairwise(self._open)
            if opens - closes >= LONG_CLOSED_MS
        )
        closes_ms, opens_ms = next(spans, (0, 0))
        place = instrument.place
        if not opens_ms or not self._open_at(repair, instrument, closes_ms):
            return
        found = self._likely(
            "bench", place, closes_ms, opens_ms, lambda one: AirState.DRY in one.states
        )
        if found is not None:
            when = formats.between(closes_ms, opens_ms, self._now_ms, self._zone)
            here = ANYWHERE._replace(drying=self._drying.get(place, ()))
            text = (
                f"{instrument.reference} stays open while the shop is closed, {when}. The air at "
                f"{self._label(place)} is likely to be dry then ({in_ten(found[1])}). "
                f"{opened_plates(here)}"
            )
            yield Note(NoteKind.LEFT_OPEN, repair.id, "", text)

    def _open_at(self, repair: Repair, instrument: Instrument, at_ms: int) -> bool:
        """True if the plan leaves an instrument open at a moment. [ms]"""

        def begun(kind: StepKind) -> list[bool]:
            return [
                one.started_ms is not None
                or ((of := self._planned.get((repair.id, one.id))) and of.from_ms < at_ms) is True
                for one in repair.steps
                if one.kind is kind
            ]

        opened = begun(StepKind.OPEN)
        return not any(begun(StepKind.CLOSE)) and (
            instrument.open_now or (bool(opened) and all(opened))
        )

    def _likely(
        self,
        kind: Kind,
        place_id: str,
        from_ms: int,
        until_ms: int,
        counts: Callable[[AirAssessment], bool],
    ) -> tuple[AirAssessment, float] | None:
        """The likeliest assessment that counts, and the chance of any; None if that is not likely."""
        place, air = self._places.get(place_id), self._waits.air(place_id)
        if place is None or air is None or until_ms > air.end_ms:
            return None
        step_ms = round(1000 * air.step_s)
        first, last = (from_ms - air.start_ms) // step_ms, (until_ms - air.start_ms) // step_ms
        temp, rh = (
            part[:, first : max(last, first + 1)].mean(axis=1) for part in (air.temp_c, air.rh_pct)
        )
        here = ANYWHERE._replace(drying=self._drying.get(place_id, ()), temp_c=float(temp.mean()))
        found = [
            (one, share)
            for one, share in expected(
                replace(place, kind=kind),
                self._settings.limits,
                temp,
                rh,
                dew_point(temp, np.clip(rh, 1, 100)),
                here,
            )
            if counts(one)
        ]
        share = sum(share for _, share in found)
        return (found[0][0], share) if share >= LIKELY_CHANCE else None

    def _planned_words(self, step: Step, of: PlannedStep, instrument: Instrument) -> str:
        at = planned_at(of.from_ms, self._now_ms, self._zone)
        return f"{instrument.reference}: {step.label} is planned for {at}."

    def _label(self, place_id: str) -> str:
        place = self._places.get(place_id)
        return place.label if place is not None else place_id


def _surely_loadable(one: WaitStatus, at_ms: int) -> bool:
    """True if a joint may almost surely be loaded at a moment. [ms]"""
    ready = one.load or one.readiness
    return ready is not None and ready.ready_high_ms is not None and ready.ready_high_ms <= at_ms
