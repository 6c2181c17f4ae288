"""Work to do now, next and before leaving, from the journal and the present plan."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from monitor.core.formats import HOUR_MS, MINUTE_MS
from monitor.domain.repairs.step import StepKind, StepState
from monitor.planning.last_start import StartVerdict, shown_from
from monitor.planning.today import Today, today

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from monitor.commands import Journal
    from monitor.domain.repairs.repair import Repair
    from monitor.domain.repairs.step import Step
    from monitor.planning.last_start import LastStart
    from monitor.planning.present import PresentPlan
    from monitor.planning.problem import PlannedRepair, PlannedStep

    Span = tuple[int, int]

NEXT_SHOWN = 4
"""Most steps that are shown as next."""


class Do(StrEnum):
    """Action that a step asks for."""

    START = "start"
    FINISH = "finish"
    TAKE_OFF = "take off"
    HAND_OUT = "hand out"


class AgendaStep(NamedTuple):
    """A step of a repair, what to do with it, and from when. [ms]"""

    repair: Repair
    step: Step
    do: Do
    at_ms: int


class Agenda(NamedTuple):
    """Work to do now, next and before leaving, and other starts before closing with a verdict."""

    now: tuple[AgendaStep, ...]
    next: tuple[AgendaStep, ...]
    leave: tuple[AgendaStep, ...]
    verdicts: tuple[LastStart, ...]


Planned = dict[tuple[str, str], "PlannedStep"]
"""Planned steps by the ids of repair and step."""


def planned_steps(present: PresentPlan | None) -> Planned:
    """The steps of the present plan; none without a plan."""
    if present is None or present.plan is None:
        return {}
    return {(one.repair, one.step): one for one in present.plan.steps}


def planned_repairs(present: PresentPlan | None) -> dict[str, PlannedRepair]:
    """The repairs of the present plan by their ids; none without a plan."""
    if present is None or present.plan is None:
        return {}
    return {one.repair: one for one in present.plan.repairs}


def open_repairs(journal: Journal) -> list[Repair]:
    """Repairs that are not handed out, the first taken in in front."""
    return [one for one in journal.repairs.values() if one.open]


def can_start(repair: Repair, step: Step) -> bool:
    """True if nothing that a person decides keeps a step from being started."""
    return step.started_ms is None and not step.consent_awaited and not repair.missing_before(step)


def agenda(
    journal: Journal, present: PresentPlan | None, now_ms: int, closes_ms: int | None
) -> Agenda:
    """Work to do by the plan, and work under way whatever the plan is.

    Parameters
    ----------
    now_ms, closes_ms : int
        Now, and when the shop closes; None while it is closed. [ms since 1970-01-01 UTC]
    """
    plan = present.plan if present is not None else None
    of_today = today(plan, now_ms, closes_ms) if plan is not None else Today((), (), (), ())
    later = [one for one in plan.steps if not one.running] if plan is not None else []
    now, leave = of_today.now, of_today.before_leaving
    found = [*_items(journal, of_today.off, Do.TAKE_OFF)]
    wrong = in_wrong_air(present)
    found += [
        i
        for i in _items(journal, now)
        if can_start(i.repair, i.step) and (i.repair.id, i.step.id) not in wrong
    ]
    for repair in open_repairs(journal):
        for step in repair.steps:
            if step.state is StepState.STARTED:
                found.append(AgendaStep(repair, step, Do.FINISH, step.started_ms or now_ms))
    shown = {*wrong, *((i.repair.id, i.step.id) for i in found)}
    last = tuple(_items(journal, leave))
    ahead = _items(journal, (one for one in later if one not in leave))
    coming = [i for i in ahead if (i.repair.id, i.step.id) not in shown]
    leaving = {(i.repair.id, i.step.id) for i in last} | (shown - wrong.keys())
    starts = present.last_starts if present is not None and closes_ms is not None else ()
    late = closes_ms is not None and now_ms >= shown_from(closes_ms)
    verdicts = [
        one
        for one in starts
        if (late or one.verdict is StartVerdict.AIR)
        and (one.repair, one.step) not in leaving
        and _startable(journal, one.repair, one.step)
    ]
    return Agenda(tuple(found), tuple(coming[:NEXT_SHOWN]), last, tuple(verdicts))


def in_wrong_air(present: PresentPlan | None) -> dict[tuple[str, str], str]:
    """Reasons not to start work in the present air, by the ids of repair and step."""
    starts = present.last_starts if present is not None else ()
    return {(one.repair, one.step): one.why for one in starts if one.verdict is StartVerdict.AIR}


def uses_night(found: Agenda, present: PresentPlan | None, closes_ms: int | None) -> bool:
    """True if work to start now waits past closing. [ms]"""
    planned = planned_steps(present)
    own = (planned.get((i.repair.id, i.step.id)) for i in found.now if i.do is Do.START)
    return closes_ms is not None and any(
        one is not None and one.off.usual_ms > max(closes_ms, one.to_ms) for one in own
    )


def _items(
    journal: Journal, steps: Iterable[PlannedStep], do: Do | None = None
) -> Iterator[AgendaStep]:
    """Planned steps as items; those done or removed since are left out."""
    for one in steps:
        repair = journal.repairs.get(one.repair)
        if repair is None or not repair.open:
            continue
        step = next((s for s in repair.steps if s.id == one.step), None)
        if step is None or step.finished:
            continue
        if do is None and step.started_ms is not None:
            continue
        usual = Do.HAND_OUT if step.kind is StepKind.HAND_OUT else Do.START
        at_ms = one.off.usual_ms if do is Do.TAKE_OFF else one.from_ms
        yield AgendaStep(repair, step, do or usual, at_ms)


def _startable(journal: Journal, repair_id: str, step_id: str) -> bool:
    repair = journal.repairs.get(repair_id)
    return repair is not None and any(
        one.id == step_id and can_start(repair, one) for one in repair.steps
    )


def changed_since(journal: Journal, present: PresentPlan) -> bool:
    """True if something was done to an open repair after the plan was made."""
    return any(
        one.events and one.events[-1].recorded_ms > present.made_ms
        for one in journal.repairs.values()
    )


def closing(hours: Sequence[Span], at_ms: int) -> int | None:
    """Closing time of the shop; None while it is closed. [ms]"""
    return next((end for begin, end in hours if begin <= at_ms < end), None)


def shifted(at_ms: int, by_h: int, hours: Sequence[Span], now_ms: int) -> int | None:
    """A start an hour of open time earlier or later; None where there is none. [ms]

    Before the opening of a day comes the last hour of the open day before.
    """
    starts = sorted(
        {
            start
            for begin, end in hours
            for start in range(begin, end, HOUR_MS)
            if start > now_ms + MINUTE_MS
        }
    )
    if by_h > 0:
        return next((start for start in starts if start >= at_ms + HOUR_MS - MINUTE_MS), None)
    return next((s for s in reversed(starts) if s <= at_ms - HOUR_MS + MINUTE_MS), None) or next(
        (s for s in reversed(starts) if s < at_ms), None
    )
