"""Reasons not to start or finish a step of a repair now: one rule for board, terminal and MQTT.

The answers are those of the bench: whether a joint may be glued, whether the air suits a coat, whether
a joint may be loaded, and the safe minimum of a wait.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from monitor.air.current import air_as
from monitor.air.latest_air import recent
from monitor.commands.repairs import kind_of
from monitor.core import formats
from monitor.core.errors import Rejected
from monitor.domain.air_assessment import forbids
from monitor.domain.cautions import WORDS, Caution
from monitor.domain.repairs.repair import Repair
from monitor.domain.repairs.requests import StartStep
from monitor.domain.repairs.step import (
    CLAMPED,
    COATED,
    WHOLE_INSTRUMENT,
    StepKind,
    cautions_of,
    step_of,
)
from monitor.domain.situation import drying, fresh_joints
from monitor.domain.wait import is_early
from monitor.planning.last_start import LastStart, StartVerdict
from monitor.planning.today import SOON_MS
from monitor.planning.words import soft_sentence
from monitor.science.plates.assessment import Close
from monitor.science.waits.glue import GlueLaw
from monitor.science.waits.timed_rest import FixedLaw
from monitor.waits.evaluation import statuses
from monitor.waits.glue_answer import WoodNow
from monitor.waits.glue_now import GlueQuestion, glue_now
from monitor.waits.glue_now_text import coat_is_drying, why_not
from monitor.wood.evaluation import (
    InstrumentStatus,
    instrument_statuses,
    instrument_temp_c,
    is_colder_than_dew_point,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from monitor.commands import Journal
    from monitor.domain.instrument import Instrument
    from monitor.domain.places import Kind
    from monitor.domain.repairs.requests import DoubtedRequest
    from monitor.domain.repairs.step import Step
    from monitor.domain.wait_types import WaitType
    from monitor.planning.problem import Plan
    from monitor.settings import Settings
    from monitor.store import Reader

STILL_COLD = (
    "{} came in cold, and water may condense on it. Leave its case shut until it has warmed. Do not "
    "warm it with a heater or a lamp."
)
NOTED_LATER_MS = SOON_MS
"""Time after which a start that is entered later is not asked about: the work is done. [ms]"""


def doubts(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    repair: Repair,
    request: DoubtedRequest,
    at_ms: int,
    now_ms: int,
) -> Sequence[str]:
    """Reasons not to carry out a start or a finish at a moment, as sentences. [ms]"""
    check = StepCheck(reader, settings, journal, now_ms)
    step = repair.step(request.step)
    if step.started_ms is not None:
        return check.finish(step, at_ms)
    if now_ms - at_ms > NOTED_LATER_MS:
        return ()
    glue = request.glue if isinstance(request, StartStep) else ""
    return check.start(repair, step, glue)


def closing_statuses(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    instruments: Iterable[Instrument],
    now_ms: int,
) -> list[InstrumentStatus]:
    """Status of each instrument's wood and, where that is safe to close, what else is against it."""
    check = StepCheck(reader, settings, journal, now_ms)
    return [
        replace(one, against=check.close(one))
        if one.answer is not None and one.answer.closing.close is Close.YES
        else one
        for one in instrument_statuses(reader, settings, instruments, now_ms)
    ]


def air_rule(step: Step, kind: WaitType | None) -> Kind | None:
    """Kind of place whose rules a step's air must keep: a bench for a joint of hide glue, a varnish
    place for a coat; None for work that no rule is about."""
    if kind is not None and isinstance(kind.law, GlueLaw):
        return "bench"
    return "varnish" if step.kind in COATED else None


def start_cautions(journal: Journal, repair: Repair, step: Step) -> list[str]:
    """Cautions to read when a step is started, that on a coat drying beside hot glue first."""
    kind = kind_of(journal, step) or journal.retired.get(step.wait_kind)
    found = cautions_of(step, kind)
    words = [WORDS[one] for one in found]
    coats = drying(journal.waits.values()).get(_place(journal, repair, step))
    if coats and Caution.HOT_GLUE_POT in found:
        words.insert(0, coat_is_drying("the same place", coats))
    return words


def _place(journal: Journal, repair: Repair, step: Step) -> str:
    """Id of the place where a step is done; "" if it is not known."""
    instrument = journal.instruments.get(repair.instrument)
    return step.place or (instrument.place if instrument is not None else "")


class StepCheck:
    """Reasons not to start or finish steps, each answer worked out once. For one moment."""

    def __init__(self, reader: Reader, settings: Settings, journal: Journal, now_ms: int) -> None:
        self._reader, self._settings, self._journal = reader, settings, journal
        self._now_ms = now_ms
        self._known: dict[tuple[str, ...], tuple[str, ...]] = {}
        self._wood: dict[str, InstrumentStatus] = {}

    def start(self, repair: Repair, step: Step, glue: str = "") -> tuple[str, ...]:
        """Reasons not to start a step now; `glue` is the id of a batch."""
        return (*self._soft(repair, step), *self.air(repair, step, glue))

    def close(self, status: InstrumentStatus) -> tuple[str, ...]:
        """Reasons not to close an instrument now: as its repair closes it, else in the usual way."""
        instrument = status.instrument
        self._wood[instrument.id] = status
        for repair in self._journal.repairs.values():
            for step in repair.steps if repair.open and repair.instrument == instrument.id else ():
                if step.kind is StepKind.CLOSE and step.started_ms is None:
                    return self.start(repair, step)
        alone = Repair(id="", instrument=instrument.id, name="", taken_in_ms=0)
        return self.start(alone, step_of("", StepKind.CLOSE, {}, None))

    def finish(self, step: Step, at_ms: int) -> tuple[str, ...]:
        """Reasons not to finish a step at a moment. [ms]"""
        wait = self._journal.waits.get(step.wait)
        if wait is None or not is_early(wait, at_ms):
            return ()
        least = formats.hours(float(wait.kind["minimum_s"]))
        leave = " Leave the clamps on." if step.kind in CLAMPED else ""
        return (f"The wait of “{step.label}” has not reached its safe minimum, {least}.{leave}",)

    def air(self, repair: Repair, step: Step, glue: str = "") -> tuple[str, ...]:
        """Reasons in the present air of its place, in the parts and in the wood."""
        instrument = self._journal.instruments.get(repair.instrument)
        place = _place(self._journal, repair, step)
        opens = step.kind is not StepKind.HAND_OUT
        if opens and instrument is not None and (cold := self._still_cold(instrument)):
            return cold
        kind = self._journal.book.get(step.wait_kind)
        rule = air_rule(step, kind)
        closes = step.kind is StepKind.CLOSE
        joint = rule == "bench" or (closes and kind and isinstance(kind.law, FixedLaw))
        if instrument is None or not place or not (rule or joint):
            return ()
        key = (instrument.id, place, step.wait_kind, glue, "closes" if closes else str(rule))
        if key not in self._known:
            self._known[key] = (
                self._of_joint(GlueQuestion(place, step.wait_kind, glue), instrument, closes)
                if joint
                else self._of_coat(place)
            )
        return self._known[key]

    def verdicts(self, plan: Plan, starts: Iterable[LastStart]) -> tuple[LastStart, ...]:
        """Last starts, with those that the air forbids, and with what the plan starts now in such
        air."""
        soon_ms = self._now_ms + SOON_MS
        soon = [one for one in plan.steps if not one.running and one.from_ms <= soon_ms]
        starting = {(one.repair, one.step) for one in soon}
        found = []
        for one in starts:
            judged = one.good or (one.repair, one.step) in starting
            why = self._planned_air(one.repair, one.step) if judged else ""
            found.append(one._replace(verdict=StartVerdict.AIR, why=why) if why else one)
        known = {(one.repair, one.step) for one in found}
        for step in soon:
            new = (step.repair, step.step) not in known
            if new and (why := self._planned_air(step.repair, step.step)):
                found.append(
                    LastStart(step.repair, step.step, StartVerdict.AIR, step.off, True, why=why)
                )
        return tuple(found)

    def _planned_air(self, repair_id: str, step_id: str) -> str:
        """Reasons in the air for a step that a plan names; "" if there are none."""
        repair = self._journal.repairs.get(repair_id)
        if repair is None:
            return ""
        try:
            return " ".join(self.air(repair, repair.step(step_id)))
        except Rejected:  # it was removed since
            return ""

    def _soft(self, repair: Repair, step: Step) -> tuple[str, ...]:
        """Sentences on the waits before a step, and where it is about the whole instrument on all its
        joints, that may not be loaded yet; of the same name the last."""
        if not step.loads:
            return ()
        labels = {one.wait: one.label for one in repair.steps if one.wait}
        before = [self._journal.waits[one.wait] for one in repair.all_before(step) if one.wait]
        instrument = self._journal.instruments.get(repair.instrument)
        whole = instrument.reference if instrument and step.kind in WHOLE_INSTRUMENT else ""
        joints = fresh_joints(self._journal.waits.values(), whole)
        setting = {one.id: one for one in (*before, *joints) if one.open or one.setting}
        found = statuses(self._reader, self._settings, setting.values(), self._now_ms)
        never = 2**62
        ready: dict[str, int] = {}
        for one in found:
            if one.soft:
                of, label = one.load or one.readiness, labels.get(one.wait.id, one.label)
                at_ms = never if of is None or of.ready_ms is None else of.ready_ms
                ready[label] = max(ready.get(label, 0), at_ms)
        return tuple(
            soft_sentence(
                label, None if at_ms == never else at_ms, self._now_ms, self._settings.zone
            )
            for label, at_ms in sorted(ready.items(), key=lambda item: item[1])
        )

    def _still_cold(self, instrument: Instrument) -> tuple[str, ...]:
        """Reason not to open the case of an instrument that came in cold."""
        key = (instrument.id, "cold")
        if key not in self._known:
            cold = is_colder_than_dew_point(self._reader, self._settings, instrument, self._now_ms)
            self._known[key] = (STILL_COLD.format(instrument.reference),) if cold else ()
        return self._known[key]

    def _of_joint(
        self, question: GlueQuestion, instrument: Instrument, closes: bool
    ) -> tuple[str, ...]:
        reader, settings, now = self._reader, self._settings, self._now_ms
        temp_c = instrument_temp_c(reader, settings, instrument, now)
        wood = WoodNow(instrument.reference, instrument.place, None, "", temp_c)
        if closes:
            of = self._wood.get(instrument.id)
            if of is None:
                (of,) = instrument_statuses(reader, settings, [instrument], now)
            wood = wood._replace(status=of.answer, why_not=of.why_not)
        try:
            found = glue_now(reader, settings, self._journal, question, now, wood)
        except Rejected:  # outdoors, or a place that has sent nothing yet
            return ()
        return tuple(why_not(found, now, settings.zone, "C"))

    def _of_coat(self, place: str) -> tuple[str, ...]:
        latest = recent(self._reader, self._settings, self._now_ms)
        solvents = drying(self._journal.waits.values())
        air = air_as("varnish", latest, place, self._settings, self._now_ms, solvents)
        if air is None or air.old or not forbids("varnish", air.assessment):
            return ()
        label = next((one.place.label for one in latest if one.place.id == place), place)
        return (f"{label}: {air.assessment.sentence}",)
