"""Decisions on a repair: requests turned into the bodies of events, or rejected in words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from monitor.core.errors import Fault, Rejected
from monitor.core.validation import Request, fields_given, given
from monitor.domain.events import in_order
from monitor.domain.repairs import step as steps_module
from monitor.domain.repairs.repair import STEPS_MAX, Repair, replaced, with_step, with_steps
from monitor.domain.repairs.requests import (
    AddStep,
    ChangeStep,
    CorrectRepair,
    FinishStep,
    GiveConsent,
    HandOutRepair,
    MoveStep,
    OneStepRequest,
    PromiseRepair,
    RemoveStep,
    ReopenStep,
    StartStep,
    TakeInRepair,
)
from monitor.domain.repairs.step import Known, Step, StepKind, as_mapping, step_with
from monitor.domain.repairs.templates import Template


def taken_in(
    request: TakeInRepair, steps: Iterable[Step], name: str, now_ms: int
) -> dict[str, Any]:
    """The body of the event that takes a repair in.

    Parameters
    ----------
    request : TakeInRepair
    steps : iterable of Step
        Of its template; none without one.
    name : str
        Of its template.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    Rejected
        If the promised time is past, or there is nothing to promise for.
    """
    kept = [as_mapping(step) for step in steps]
    promised_ms = given(request.promised_ms, None)
    _check_promise(promised_ms, bool(kept), now_ms)
    return {
        "template": request.template,
        "name": given(request.name, "") or name,
        "note": request.note,
        "steps": kept,
        "promised_ms": promised_ms,
    }


def decide(repair: Repair, request: Request, known: Known, now_ms: int) -> dict[str, Any]:
    """The body of the event that carries a request out.

    Parameters
    ----------
    repair : Repair
    request : Request
        Any on repairs but `TakeInRepair`, for which there is `taken_in`.
    known : Known
        Wait types and stock of the shop.
    now_ms : int
        [ms since 1970-01-01 UTC]

    Raises
    ------
    Rejected
        If the state of the repair does not allow it, with every fault.
    """
    if isinstance(request, ReopenStep) and not request.step:
        if repair.open:
            raise Rejected(f"{repair.name} is not handed out")
        return {"step": ""}
    if not repair.open and not isinstance(request, CorrectRepair):
        raise Rejected(f"{repair.name} is handed out: undo that first (`reopen` without a step)")
    match request:
        case CorrectRepair():
            body = fields_given(request, "repair")
            if not body:
                raise Rejected("no field to correct was given")
            return body
        case AddStep():
            return _added(repair, request, known)
        case ChangeStep():
            return _changed(repair, request, known)
        case PromiseRepair():
            _check_promise(request.promised_ms, bool(repair.steps), now_ms)
            return {"promised_ms": request.promised_ms}
        case GiveConsent():
            return _consent(repair, given(request.step, None))
        case HandOutRepair():
            return _handed_out(repair, request, now_ms)
        case OneStepRequest():
            return _of_step(repair, request, now_ms)
    raise TypeError(request)


def _check_promise(promised_ms: int | None, any_steps: bool, now_ms: int) -> None:
    if promised_ms is None:
        return
    if promised_ms <= now_ms:
        raise Rejected(Fault("is in the past: promise a time after now", "promised_ms"))
    if not any_steps:
        raise Rejected("the repair has nothing to do: add a step before you promise a time")


def _added(repair: Repair, request: AddStep, known: Known) -> dict[str, Any]:
    if len(repair.steps) >= STEPS_MAX:
        raise Rejected(f"{repair.name} has {STEPS_MAX} steps, the most that a repair can have")
    fields = fields_given(request, "repair", "kind", "between")
    if "after" not in fields:
        begun = [one for one in repair.steps if one.started_ms is not None]
        fields["after"] = [max(begun, key=lambda one: one.started_ms or 0).id] if begun else []
    like = next((one for one in reversed(repair.steps) if one.kind is request.kind), None)
    step = steps_module.step_of(str(repair.next_step), request.kind, fields, like)
    followers = [
        one.id
        for one in repair.steps
        if request.between and one.started_ms is None and set(one.after) & set(step.after)
    ]
    if not step.after and request.between:  # it comes first
        followers = [one.id for one in repair.steps if not one.after and one.started_ms is None]
    _check(with_step(repair, step, followers), step, known)
    return {"step": as_mapping(step), "followers": followers}


ENDING = (StepKind.SET_UP, StepKind.SETTLE, StepKind.HAND_OUT)
"""Kinds of work that a repair ends with, once for all that was done."""


def template_added(repair: Repair, template: Template, known: Known) -> dict[str, Any]:
    """The body of the event that adds the steps of a template to a repair.

    Raises
    ------
    Rejected
        If there are too many, none is new, or one cannot be.
    """
    if not repair.open:
        raise Rejected(f"{repair.name} is handed out: undo that first (`reopen` without a step)")
    there = {one.kind: one.id for one in repair.steps if one.started_ms is None}
    shared = {
        one.id: there[one.kind]
        for one in template.steps
        if one.kind in ENDING and one.kind in there
    }
    new = [one for one in template.steps if one.id not in shared]
    if not new:
        raise Rejected(f"{repair.name} has all steps of {template.name} already")
    if len(repair.steps) + len(new) > STEPS_MAX:
        raise Rejected(
            f"{repair.name} has {len(repair.steps)} steps, and at most {STEPS_MAX} are allowed"
        )
    own = {one.id: str(number) for number, one in enumerate(new, repair.next_step)}
    ids = own | shared
    added = [
        replace(one, id=own[one.id], after=tuple(dict.fromkeys(ids[o] for o in one.after)))
        for one in new
    ]
    before: dict[str, list[str]] = {}
    for one in template.steps:
        if one.id in shared and (first := [own[o] for o in one.after if o in own]):
            before.setdefault(shared[one.id], []).extend(first)
    made = with_steps(repair, added, before)
    if faults := [*steps_module.step_faults(added, known), *steps_module.order_faults(made.steps)]:
        raise Rejected(*faults)
    return {"steps": [as_mapping(one) for one in added], "before": before}


def _changed(repair: Repair, request: ChangeStep, known: Known) -> dict[str, Any]:
    step = repair.step(request.step)
    fields = fields_given(request, "repair", "step")
    if not fields:
        raise Rejected("no field to change was given")
    if step.finished:
        raise Rejected(f"{step.label} is finished: reopen it first")
    if step.started_ms is not None and (fixed := {"wait_kind", "after", "needs"} & set(fields)):
        raise Rejected(
            *(Fault(f"cannot change: {step.label} is started", name) for name in sorted(fixed))
        )
    step = step_with(step, fields)
    _check(replaced(repair, step), step, known)
    return {"step": step.id} | fields


def _check(repair: Repair, step: Step, known: Known) -> None:
    faults = [*steps_module.step_faults([step], known), *steps_module.order_faults(repair.steps)]
    if faults:
        raise Rejected(*faults)


def _consent(repair: Repair, step_id: str | None) -> dict[str, Any]:
    awaited = repair.consents_awaited if step_id is None else [repair.step(step_id)]
    if not awaited or not all(one.consent_awaited for one in awaited):
        what = repair.name if step_id is None else awaited[0].label
        raise Rejected(f"{what} does not await the client's consent")
    return {"steps": [one.id for one in awaited]}


def _handed_out(repair: Repair, request: HandOutRepair, now_ms: int) -> dict[str, Any]:
    left = [o for o in repair.steps if not o.finished and o.kind is not StepKind.HAND_OUT]
    if not request.unfinished and not repair.steps:
        raise Rejected(f"{repair.name} has nothing to do: add steps, or hand it out unfinished")
    if left and not request.unfinished:
        names = ", ".join(one.label for one in left)
        raise Rejected(f"not finished: {names}. Finish them, or hand it out unfinished")
    if waiting := [one for one in left if one.wait]:
        raise Rejected(f"{waiting[0].label} still waits: release it first")
    at_ms = in_order(given(request.at_ms, now_ms), repair.taken_in_ms)
    if at_ms < repair.taken_in_ms:
        raise Rejected(Fault("is before the repair was taken in", "at_ms"))
    return {"at_ms": at_ms, "unfinished": bool(left) or not repair.steps}


def _of_step(repair: Repair, request: OneStepRequest, now_ms: int) -> dict[str, Any]:
    step = repair.step(request.step)
    body: dict[str, Any] = {"step": step.id}
    name = step.label
    if isinstance(request, ReopenStep):
        if step.started_ms is None:
            raise Rejected(f"{name} is not started")
        after = [o.label for o in repair.steps if step.id in o.after and o.started_ms is not None]
        if after:
            raise Rejected(f"{after[0]} followed it and is started: reopen that first")
        return body
    if step.finished:
        raise Rejected(f"{name} is finished: reopen it first")
    if step.kind is StepKind.HAND_OUT and isinstance(request, StartStep | FinishStep):
        raise Rejected(f"use `hand out` for {name}")
    if isinstance(request, FinishStep):
        if step.started_ms is None and step.wait_kind:
            raise Rejected(f"{name} is not started: start it when the clamps or the coat are on")
        if step.started_ms is None:
            _check_startable(repair, step)
        body["at_ms"] = at_ms = in_order(given(request.at_ms, now_ms), *_before_ms(repair, step))
        _check_not_before(repair, step, at_ms)
        if step.started_ms is not None and at_ms < step.started_ms:
            raise Rejected(Fault(f"is before {name} was started", "at_ms"))
        return body | _taken(request)
    if step.started_ms is not None:
        raise Rejected(f"{name} is already started")
    if isinstance(request, StartStep):
        _check_startable(repair, step)
        body["at_ms"] = at_ms = in_order(given(request.at_ms, now_ms), *_before_ms(repair, step))
        _check_not_before(repair, step, at_ms)
        return body | _taken(request)
    if isinstance(request, MoveStep):
        if request.fixed_ms is not None and request.fixed_ms <= now_ms:
            raise Rejected(Fault("is in the past: move it to a time after now", "fixed_ms"))
        return body | {"fixed_ms": request.fixed_ms}
    if isinstance(request, RemoveStep):
        return body
    raise TypeError(request)


def _taken(request: StartStep | FinishStep) -> dict[str, Any]:
    minutes = given(request.taken_min, None)
    return {} if minutes is None else {"taken_min": minutes}


def _check_startable(repair: Repair, step: Step) -> None:
    if step.consent_awaited:
        raise Rejected(f"{step.label} awaits the client's consent: note the consent first")
    if missing := repair.missing_before(step):
        names = ", ".join(one.label for one in missing)
        raise Rejected(
            f"{step.label} must follow {names}, which is not finished: finish that first, or change "
            "what it must follow"
        )


def _before_ms(repair: Repair, step: Step) -> list[int | None]:
    """Times of what the start or the end of a step follows."""
    after = [repair.step(one).finished_ms for one in step.after]
    return [repair.taken_in_ms, step.started_ms, *after]


def _check_not_before(repair: Repair, step: Step, at_ms: int) -> None:
    if at_ms < repair.taken_in_ms:
        raise Rejected(Fault("is before the repair was taken in", "at_ms"))
    for one in map(repair.step, step.after):
        if one.finished_ms is not None and at_ms < one.finished_ms:
            raise Rejected(Fault(f"is before {one.label} was finished", "at_ms"))
