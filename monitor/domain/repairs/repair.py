"""A repair of an instrument: the fold of its events, oldest first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.core.errors import Fault, Rejected
from monitor.domain.events import About, Event
from monitor.domain.repairs.step import Step, StepKind, from_mapping, step_with
from monitor.domain.repairs.step import as_record as step_record
from monitor.domain.wait import Action, Wait

STEPS_MAX = 60
"""Most steps of a repair."""


class RepairAction(StrEnum):
    """An action on a repair, as events and messages have it."""

    TAKE_IN = "take in"
    CORRECT = "correct"
    ADD = "add"
    ADD_TEMPLATE = "add template"
    CHANGE = "change"
    START = "start"
    FINISH = "finish"
    REOPEN = "reopen"
    MOVE = "move"
    REMOVE = "remove"
    CONSENT = "consent"
    PROMISE = "promise"
    HAND_OUT = "hand out"


class Promise(NamedTuple):
    """A time promised to the client, and when it was promised. [ms since 1970-01-01 UTC]"""

    made_ms: int
    promised_ms: int | None


@dataclass(frozen=True, kw_only=True)
class Repair:
    """A repair, as its history makes it. Times in ms since 1970-01-01 UTC.

    `instrument` is the id of an instrument, `template` the id of what it was taken in from.
    """

    id: str
    instrument: str
    name: str
    taken_in_ms: int
    template: str = ""
    note: str = ""
    steps: tuple[Step, ...] = ()
    next_step: int = 1
    """Id of the step that is added next; an id is never used again."""
    promises: tuple[Promise, ...] = ()
    handed_out_ms: int | None = None
    unfinished: bool = False
    """True if it was handed out although steps were not finished."""
    events: tuple[Event, ...] = field(default=(), repr=False)

    @property
    def open(self) -> bool:
        return self.handed_out_ms is None

    @property
    def promised_ms(self) -> int | None:
        """Time promised now."""
        return self.promises[-1].promised_ms if self.promises else None

    @property
    def ready_ms(self) -> int | None:
        """Time at which all work was finished; None while some is not.

        Handing out is not work: the client may come later.
        """
        work = [one for one in self.steps if one.kind is not StepKind.HAND_OUT]
        ends = [one.finished_ms for one in work if one.finished_ms is not None]
        return max(ends) if work and len(ends) == len(work) else None

    @property
    def consents_awaited(self) -> list[Step]:
        return [one for one in self.steps if one.consent_awaited]

    @property
    def version(self) -> int:
        """Rises with each event."""
        return len(self.events)

    def step(self, step_id: str) -> Step:
        """The step with an id.

        Raises
        ------
        Rejected
            If there is none.
        """
        for one in self.steps:
            if one.id == step_id:
                return one
        there = (
            f"one of {', '.join(one.id for one in self.steps)}" if self.steps else "added first"
        )
        raise Rejected(Fault("", "step", step_id[:40], there))

    def all_before(self, step: Step) -> list[Step]:
        """Steps that a step must follow, also by way of others."""
        rest, found = list(step.after), dict[str, Step]()
        while rest:
            if (own := rest.pop()) not in found:
                found[own] = self.step(own)
                rest += found[own].after
        return list(found.values())

    def missing_before(self, step: Step) -> list[Step]:
        """Steps that a step must follow and that are not finished."""
        return [one for one in map(self.step, step.after) if not one.finished]


def apply(repair: Repair | None, event: Event) -> Repair:
    """A repair with one more event; None and a taking in make a new one."""
    body = event.body
    if event.action == RepairAction.TAKE_IN:
        steps = tuple(map(from_mapping, body["steps"]))
        promised_ms = body.get("promised_ms")
        return Repair(
            id=event.subject,
            instrument=body["instrument"],
            name=body["name"],
            taken_in_ms=event.recorded_ms,
            template=body["template"],
            note=body["note"],
            steps=steps,
            next_step=1 + max((int(one.id) for one in steps), default=0),
            promises=(Promise(event.recorded_ms, promised_ms),) if promised_ms else (),
            events=(event,),
        )
    if repair is None:
        raise Rejected(f"the history of repair {event.subject} does not begin with its taking in")
    repair = replace(repair, events=(*repair.events, event))
    match event.action:
        case RepairAction.CORRECT:
            return replace(repair, **{k: v for k, v in body.items() if k in ("name", "note")})
        case RepairAction.ADD:
            return with_step(repair, from_mapping(body["step"]), body["followers"])
        case RepairAction.ADD_TEMPLATE:
            return with_steps(repair, map(from_mapping, body["steps"]), body["before"])
        case RepairAction.REMOVE:
            return _without_step(repair, repair.step(body["step"]))
        case RepairAction.PROMISE:
            promise = Promise(event.recorded_ms, body["promised_ms"])
            return replace(repair, promises=(*repair.promises, promise))
        case RepairAction.CONSENT:
            for step_id in body["steps"]:
                repair = replaced(repair, replace(repair.step(step_id), consent_awaited=False))
            return repair
        case RepairAction.HAND_OUT:
            at_ms = body["at_ms"]
            for one in repair.steps:
                if one.kind is StepKind.HAND_OUT:
                    repair = replaced(repair, replace(one, started_ms=at_ms, finished_ms=at_ms))
            return replace(repair, handed_out_ms=at_ms, unfinished=body["unfinished"])
        case RepairAction.REOPEN if not body["step"]:
            for one in repair.steps:
                if one.kind is StepKind.HAND_OUT:
                    repair = replaced(repair, _applied(one, event))
            return replace(repair, handed_out_ms=None, unfinished=False)
    return replaced(repair, _applied(repair.step(body["step"]), event))


def _applied(step: Step, event: Event) -> Step:
    body = event.body
    taken = {"taken_min": body["taken_min"]} if "taken_min" in body else {}
    match event.action:
        case RepairAction.CHANGE:
            return step_with(step, body)
        case RepairAction.MOVE:
            return replace(step, fixed_ms=body["fixed_ms"])
        case RepairAction.START:
            wait = body.get("wait", "")
            return replace(step, started_ms=body["at_ms"], wait=wait, fixed_ms=None, **taken)
        case RepairAction.FINISH:
            started = body["at_ms"] if step.started_ms is None else step.started_ms
            return replace(step, started_ms=started, finished_ms=body["at_ms"], **taken)
        case RepairAction.REOPEN if step.finished and (
            step.wait or step.started_ms != step.finished_ms
        ):
            return replace(step, finished_ms=None)
        case RepairAction.REOPEN:
            return replace(step, started_ms=None, finished_ms=None, wait="", taken_min=None)
    raise Rejected(f"unknown action {event.action}")


def replaced(repair: Repair, step: Step) -> Repair:
    """A repair with another state of one of its steps."""
    steps = tuple(step if one.id == step.id else one for one in repair.steps)
    return replace(repair, steps=steps)


def with_step(repair: Repair, step: Step, followers: Iterable[str]) -> Repair:
    """A repair with one more step, in the list before the first that follows it."""
    return with_steps(repair, [step], {one: [step.id] for one in followers})


def with_steps(
    repair: Repair, added: Iterable[Step], before: Mapping[str, Iterable[str]]
) -> Repair:
    """A repair with more steps, in the list before the first that follows one of them.

    `before`: ids of the added steps that a step must follow, by its id.
    """
    steps = [replace(one, after=(*one.after, *before.get(one.id, ()))) for one in repair.steps]
    at = next((i for i, one in enumerate(steps) if one.id in before), len(steps))
    steps[at:at] = added = list(added)
    last = max(int(one.id) for one in added)
    return replace(repair, steps=tuple(steps), next_step=last + 1)


def _without_step(repair: Repair, step: Step) -> Repair:
    def without(one: Step) -> Step:
        if step.id not in one.after:
            return one
        kept = [other for other in one.after if other != step.id]
        return replace(one, after=tuple(dict.fromkeys((*kept, *step.after))))

    return replace(repair, steps=tuple(without(o) for o in repair.steps if o.id != step.id))


def as_record(repair: Repair) -> dict[str, Any]:
    """A repair with its steps, as JSON has it."""
    names = ("instrument", "name", "template", "note", "taken_in_ms", "promised_ms", "ready_ms")
    more = ("handed_out_ms", "unfinished")
    own = {name: getattr(repair, name) for name in (*names, *more)}
    return {"repair": repair.id, **own, "steps": [step_record(step) for step in repair.steps]}


def after_wait(repairs: Iterable[Repair], wait: Wait, event: Event) -> list[Event]:
    """Events of repairs that follow from an event of a wait: a release finishes its step, a
    reopening reopens it, and the release of a wait that was opened by mistake undoes its start."""
    if event.action not in (Action.RELEASE, Action.REOPEN):
        return []
    if event.action == Action.REOPEN and wait.loaded_ms is not None:
        return []  # only its load is undone
    released = event.action == Action.RELEASE
    found = []
    for repair in repairs:
        for step in repair.steps:
            if step.wait == wait.id and step.finished is not released:
                body: Mapping[str, Any] = {"step": step.id}
                finish = released and not wait.mistaken
                if finish:
                    body = {"step": step.id, "at_ms": event.body["at_ms"]}
                action = RepairAction.FINISH if finish else RepairAction.REOPEN
                found.append(
                    Event(About.REPAIR, repair.id, event.recorded_ms, event.by, str(action), body)
                )
    return found
