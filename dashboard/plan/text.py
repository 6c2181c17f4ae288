"""Sentences of the Plan page and of its line on the wall."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.plan import agenda as agendas
from dashboard.plan.agenda import Do
from dashboard.ui import formats
from monitor.domain.repairs.step import CLAMPED, StepState
from monitor.planning.last_start import shown_from
from monitor.planning.problem import NoteKind
from monitor.planning.words import (
    as_planned,
    chance,
    note_texts,
    planned_at,
    range_words,
    shift_sentence,
    soft_sentence,
)
from monitor.runtime.service_troubles import full_stop
from monitor.waits.text import ROUND_MS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from dashboard.plan.agenda import Agenda, AgendaStep
    from monitor.commands import Journal
    from monitor.domain.repairs.repair import Repair
    from monitor.domain.repairs.step import Step
    from monitor.planning.present import PresentPlan
    from monitor.planning.problem import PlannedStep, TimeRange
    from monitor.planning.words import Names

SHIFTS_SHOWN = 2
"""Most sentences on what moves a repair."""
BEGIN = "No repairs are in the shop. Take one in to begin: the plan then says what to start when."
VERBS = {Do.START: "Start", Do.FINISH: "Continue", Do.TAKE_OFF: "Finish", Do.HAND_OUT: "Hand out"}
SHORT_MS = 2 * formats.HOUR_MS
"""A ready time that moves by less has not moved. [ms]"""


def state(journal: Journal, present: PresentPlan | None, now_ms: int) -> str:
    """Sentence on a plan that is missing, impossible, old or about to change; "" if it is good."""
    if not agendas.open_repairs(journal):
        return ""
    if present is None:
        return "The plan is being made. This takes a few seconds."
    if present.plan is None and present.why_not:
        return f"No plan is possible. {' '.join(map(full_stop, present.why_not))}"
    if not present.fresh(now_ms):
        age = formats.duration(max(now_ms - present.made_ms, 0))
        return f"The plan is {age} old. Check that Benchweather is running."
    if present.plan is None or agendas.changed_since(journal, present):
        return "The plan is being made again. What you see may change."
    if present.improving:
        return "A better plan is being looked for. What you see may change."
    return ""


def waits_apart(journal: Journal) -> str:
    """Count of open waits that belong to no step of a repair, in words; "" without any."""
    of_steps = {step.wait for repair in agendas.open_repairs(journal) for step in repair.steps}
    apart = [one for one in journal.waits.values() if one.open and one.id not in of_steps]
    if not apart:
        return ""
    waits, clamps = formats.counted(len(apart), "open wait"), sum(one.clamps for one in apart)
    belong, they, their = ("belong", "They have", "their")
    if len(apart) == 1:
        belong, they, their = ("belongs", "It has", "its")
    have = f" {they} {formats.counted(clamps, 'clamp')}." if clamps else ""
    return (
        f"{waits} on Bench {belong} to no repair.{have} The plan does not count {their} clamps and "
        "places."
    )


def to_do(item: AgendaStep) -> str:
    """A step as an action: `Start: Glue crack, bass side`."""
    if item.do is Do.HAND_OUT:
        return VERBS[item.do]
    clamps_off = item.do is Do.TAKE_OFF and item.step.kind in CLAMPED
    return f"{'Take the clamps off' if clamps_off else VERBS[item.do]}: {item.step.label}"


def item_words(item: AgendaStep, names: Names) -> str:
    """A step to do: `Start: Glue crack, bass side (VN-31)`."""
    return f"{to_do(item)} ({names.instrument(item.repair.id)})"


NOTES = {
    NoteKind.FIXED_LATER,
    NoteKind.NO_ROOM,
    NoteKind.AIR_AHEAD,
    NoteKind.NOT_SAFE,
    NoteKind.LEFT_OPEN,
    NoteKind.AIR_OLD,
    NoteKind.FRESH_JOINT,
}
"""Kinds of notes that no other sentence of the page says."""
WARNINGS = {
    NoteKind.NOT_SAFE: "Not safe to close then.",
    NoteKind.AIR_AHEAD: "The air is likely to be wrong for it then.",
    NoteKind.AIR_OLD: "The air there is not known.",
    NoteKind.FRESH_JOINT: "A joint of this instrument is fresh then.",
}
"""Warnings on a step to start, in short; the notes on its repair say why."""


def warning(present: PresentPlan | None, of: AgendaStep) -> str:
    """Warning on a step to start; empty if there is none."""
    plan = present.plan if present is not None and of.do is Do.START else None
    kinds = [
        one.kind
        for one in (plan.notes if plan is not None else ())
        if (one.repair, one.step) == (of.repair.id, of.step.id) and one.kind in WARNINGS
    ]
    words = " ".join(WARNINGS[kind] for kind in dict.fromkeys(kinds))
    return f"{words} Read its repair below first." if words else ""


def notes(
    repair: Repair, present: PresentPlan | None, names: Names, unit: formats.Unit
) -> list[str]:
    """Sentences of the plan on a repair, without its instrument: it is in the heading. Before what
    may move a step, that the ready time does not count it."""
    plan = present.plan if present is not None else None
    found = [one for one in plan.notes if one.repair == repair.id] if plan is not None else []
    whose = f"{names.instrument(repair.id)}: "
    return note_texts(
        (one for one in found if one.kind in NOTES),
        lambda one: formats.in_reader_unit(one.text.removeprefix(whose), unit),
    )


def usable(present: PresentPlan | None, now_ms: int) -> PresentPlan | None:
    """The present plan if it may be acted on: it is possible and not old."""
    good = present is not None and present.plan is not None and present.fresh(now_ms)
    return present if good else None


def headline(found: Agenda, names: Names, opens_ms: int | None, now: int, zone: ZoneInfo) -> str:
    """The most important sentence: the first thing to do, or when there is one.

    `opens_ms`: when the shop opens next; None while it is open. [ms]
    """
    if opens_ms is not None:
        words = f"The shop is closed until {formats.ahead(opens_ms, now, zone)}."
        first = next((one for one in (*found.now, *found.next) if one.do is not Do.FINISH), None)
        if first is None:
            return words
        todo = item_words(first, names)
        return f"{words} Then {todo[:1].lower()}{todo[1:]}."
    if found.now:
        return f"{item_words(found.now[0], names)}."
    ahead = sorted([*found.next[:1], *found.leave[:1]], key=lambda one: one.at_ms)
    if ahead:
        first = ahead[0]
        at = planned_at(first.at_ms, now, zone)
        return f"Nothing to start now. Next, {at}: {item_words(first, names)}."
    return "Nothing to start now."


def wall_line(
    found: Agenda, names: Names, opens_ms: int | None, now: int, zone: ZoneInfo, trouble: str
) -> str:
    """The line on the wall: trouble with the plan first, else what to do now and next."""
    if trouble:
        return trouble
    first = headline(found, names, opens_ms, now, zone)
    if opens_ms is None and found.leave and found.now:
        return f"{first} Before you leave: {item_words(found.leave[0], names)}."
    if opens_ms is None and found.now and found.next:
        second = found.next[0]
        at = planned_at(second.at_ms, now, zone)
        return f"{first} Next, {at}: {item_words(second, names)}."
    return first


def ready(repair: Repair, present: PresentPlan | None, now: int, zone: ZoneInfo) -> str:
    """Sentence on when a repair will be ready, with its condition."""
    of = agendas.planned_repairs(present).get(repair.id)
    if repair.ready_ms is not None:
        return f"All work was finished {formats.when(repair.ready_ms, now, zone)}."
    if not repair.steps:
        return "This repair has no steps. Add the first step."
    if of is None or of.ready is None:
        if repair.consents_awaited:
            labels = ", ".join(one.label for one in repair.consents_awaited)
            return f"The ready time is not known until the client agrees to: {labels}."
        return "The ready time is not known yet."
    times = range_words(of.ready, now, zone, " (8 in 10 cases)")
    return f"Ready {times}{as_planned(present, repair.id)}."


def promise(repair: Repair, present: PresentPlan | None, now: int, zone: ZoneInfo) -> str:
    """The promise and the chance to keep it, and the earliest date to promise, with their condition."""
    found, only_if = [], as_planned(present, repair.id)
    of = agendas.planned_repairs(present).get(repair.id)
    if repair.promised_ms is not None:
        at = formats.ahead(repair.promised_ms, now, zone)
        if repair.promised_ms <= now:
            found.append(f"It was promised for {at}. Agree on a new date with the client.")
        elif of is not None and of.kept is not None:
            found.append(f"Promised for {at}: {chance(of.kept)} chance to keep it{only_if}.")
        else:
            found.append(f"Promised for {at}.")
    if of is not None and of.ready is not None and repair.ready_ms is None:
        found.append(earliest_promise(of.ready, only_if, now, zone))
    return " ".join(found)


def earliest_promise(ready: TimeRange, only_if: str, now: int, zone: ZoneInfo) -> str:
    """Sentence on the earliest date to promise, with its condition."""
    date = planned_at(ready.high_ms, now, zone)
    return f"Earliest time to promise with a 90 % chance{only_if}: {date}."


def sensitive(
    repair: Repair,
    present: PresentPlan | None,
    names: Names,
    places: Mapping[str, str],
    now: int,
    zone: ZoneInfo,
) -> str:
    """Sentences on what moves the ready time of a repair most; "" where nothing does."""
    if present is None or repair.ready_ms is not None or repair.consents_awaited:
        return ""
    own = [one for one in present.shifts if one.repair == repair.id][:SHIFTS_SHOWN]
    return " ".join(shift_sentence(one, names, places, now, zone) for one in own)


def step_state(step: Step, of: PlannedStep | None, now: int, zone: ZoneInfo) -> str:
    """A step's state with its times."""
    match step.state:
        case StepState.FINISHED:
            return f"Finished {formats.when(step.finished_ms or now, now, zone)}."
        case StepState.STARTED:
            return f"Under way since {formats.when(step.started_ms or now, now, zone)}."
        case StepState.WAITING:
            since = f"Waiting since {formats.when(step.started_ms or now, now, zone)}."
            if of is None:
                return since
            if not of.known:
                return f"{since} Its ready time is not known. See Bench."
            return f"{since} {_ends(step, of, now, zone)}"
    if step.consent_awaited:
        return "Awaits the client's consent."
    fixed = ""
    if step.fixed_ms is not None:
        fixed = f" You moved it to {formats.ahead(step.fixed_ms, now, zone)}."
    if of is None:
        return f"Not in the plan yet.{fixed}"
    words = f"Planned for {planned_at(of.from_ms, now, zone)}."
    if step.wait_kind:
        words += f" {_ends(step, of, now, zone)}"
    return words + fixed


def _ends(step: Step, of: PlannedStep, now: int, zone: ZoneInfo) -> str:
    """Sentences on the end of a wait, and on the time from which its joint may be loaded."""
    word = "Clamps off" if step.kind in CLAMPED else "Ready"
    words = f"{word} {range_words(of.off, now, zone)}."
    if of.running and of.off.high_ms <= now + ROUND_MS:
        words = "The clamps may come off now." if step.kind in CLAMPED else "Ready now."
    elif of.running and of.off.usual_ms <= now:
        words = f"{word}: usually now, almost surely by {planned_at(of.off.high_ms, now, zone)}."
    if of.ready.usual_ms > of.off.usual_ms:
        load = range_words(of.ready, now, zone)
        words += f" It may be worked, loaded or strung from {load}."
    return words


def too_early(
    repair: Repair,
    step: Step,
    planned: dict[tuple[str, str], PlannedStep],
    now: int,
    zone: ZoneInfo,
) -> str:
    """Sentence on a joint that a step would load before it is hard enough; "" if there is none."""
    if not step.loads:
        return ""
    keys = [(repair.id, one.id) for one in repair.all_before(step)]
    soft = [of for key in keys if (of := planned.get(key)) and of.running]
    soft = [one for one in soft if one.ready.usual_ms > now]
    if not soft:
        return ""
    last = max(soft, key=lambda one: one.ready.usual_ms)
    at_ms = last.ready.usual_ms if last.known else None
    label = repair.step(last.step).label
    return f"Do not start this step yet. {soft_sentence(label, at_ms, now, zone)}"


def work_words(step: Step, usual_min: float) -> str:
    """Hands-on time and what a step takes: `30 min of work, 4 × crack clamps`."""
    needs = [f"{count} × {name.replace('-', ' ')}" for name, count in step.needs.items()]
    place = [f"at {step.place}"] if step.place else []
    return ", ".join([f"{usual_min:.0f} min of work", *needs, *place])


def moved_words(before_ms: int, after_ms: int) -> str:
    """Difference of two ready times in days: `1.5 days earlier`."""
    difference = after_ms - before_ms
    if abs(difference) < SHORT_MS:
        return "no change"
    days = abs(difference) / formats.DAY_MS
    number = formats.figure(days, 1).removesuffix(".0")
    return (
        f"{number} {'day' if number == '1' else 'days'} {'later' if difference > 0 else 'earlier'}"
    )


def kept_words(kept: int, promised: int) -> str:
    """Promises kept so far; "" before the first."""
    if not promised:
        return ""
    return f"Promises kept so far: {kept} of {promised}."


def no_last_start(closes_ms: int | None, now: int, zone: ZoneInfo, *, night: bool) -> str:
    """Sentence of the empty card of starts before leaving.

    `night`: work that starts now waits past closing. [ms]
    """
    if closes_ms is None:
        return "The shop is closed."
    if night:
        return "What you start now makes use of the night."
    if now < (from_ms := shown_from(closes_ms)):
        return f"What to start for the night is shown from {formats.clock(from_ms, zone)}."
    return "No start today makes use of the night."


def opens_next(hours: Sequence[tuple[int, int]], now: int) -> int | None:
    """Next opening of the shop; None while it is open, or where it is not known. [ms]"""
    if agendas.closing(hours, now) is not None:
        return None
    return min((begin for begin, _ in hours if begin > now), default=None)
