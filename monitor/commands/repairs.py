"""Commands on repairs, their templates and the stock of clamps and places."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from msgspec import UNSET

from monitor.commands.instruments import decide_instrument
from monitor.commands.request import Command, Decision, R
from monitor.core.errors import Fault, Rejected
from monitor.core.validation import SURE, Request
from monitor.domain.instrument import LeaveInstrument, id_of
from monitor.domain.repairs import decisions, templates
from monitor.domain.repairs import stock as stocks
from monitor.domain.repairs.repair import Repair
from monitor.domain.repairs.requests import (
    AddTemplate,
    DoubtedRequest,
    FinishStep,
    HandOutRepair,
    MoveStep,
    ReopenStep,
    StartStep,
    TakeInRepair,
)
from monitor.domain.repairs.step import Known, Step, step_faults
from monitor.domain.repairs.stock import Sort, StockRequest
from monitor.domain.repairs.templates import (
    RestoreTemplate,
    RetireTemplate,
    SetTemplate,
    TemplateRequest,
)
from monitor.domain.wait import MISTAKE, CorrectWait, OpenWait, ReleaseWait, ReopenWait
from monitor.domain.wait_type_registry import from_mapping

if TYPE_CHECKING:
    from monitor.commands.projections import Journal
    from monitor.commands.waits import DecideWait
    from monitor.domain.wait import WaitRequest
    from monitor.domain.wait_types import WaitType

Doubts = Callable[["Journal", Repair, DoubtedRequest, int, int], Sequence[str]]
"""Reasons not to start or finish a step at a moment, now, as sentences. [ms], [ms]"""
OpenAt = Callable[[int], bool]
"""True if the shop is open at a moment [ms since 1970-01-01 UTC]."""


class DecideRepair:
    """Carries out requests on repairs.

    `decide_wait` opens, releases and reopens the waits of steps; `open_at` tells whether the shop
    is open when somebody fixes the start of a step; `doubts` has what speaks against a start or a
    finish.
    """

    def __init__(
        self, decide_wait: DecideWait, open_at: OpenAt | None, doubts: Doubts | None
    ) -> None:
        self._decide_wait, self._open_at, self._doubts = decide_wait, open_at, doubts

    def __call__(self, command: Command[Request]) -> Decision:
        request, journal = command.request, command.journal
        if isinstance(request, TakeInRepair):
            return _take_in(command, request)
        repair = repair_of(journal, request.subject)
        if isinstance(request, AddTemplate):
            template = template_of(journal, request.template)
            body = decisions.template_added(repair, template, known(journal))
            return Decision([command.event(repair.id, body)], {"repair": repair.id})
        body = decisions.decide(repair, request, known(journal), command.now_ms)
        if isinstance(request, DoubtedRequest) and not request.sure and self._doubts:
            at_ms, now_ms = body["at_ms"], command.now_ms
            if found := self._doubts(journal, repair, request, at_ms, now_ms):
                verb = "Start" if isinstance(request, StartStep) else "Finish"
                label = repair.step(request.step).label
                raise Rejected(Fault(f"{' '.join(found)} {verb} “{label}” anyway?", SURE))
        more: list[Any] = []
        match request:
            case MoveStep() if request.fixed_ms is not None:
                if self._open_at and not self._open_at(request.fixed_ms):
                    raise Rejected(
                        Fault("is outside opening hours: nobody is at the bench then", "fixed_ms")
                    )
            case StartStep():
                step = repair.step(request.step)
                if step.wait_kind:
                    opened = self._ask(command, _opening(journal, repair, step, request, body))
                    body["wait"] = opened.answer["waits"][0]
                    more = opened.events
            case FinishStep() | ReopenStep() if request.step:
                step = repair.step(request.step)
                if step.wait and (done := self._with_wait(command, step, request, body)):
                    return Decision(done, {"repair": repair.id})
            case HandOutRepair():
                instrument = journal.instruments.get(repair.instrument)
                if instrument is not None and instrument.here:
                    leave = LeaveInstrument(instrument=instrument.id, at_ms=body["at_ms"])
                    more = decide_instrument(_asking(command, leave)).events
        return Decision([*more, command.event(repair.id, body)], _answer(repair, body))

    def _with_wait(
        self, command: Command[Request], step: Step, request: Request, body: dict[str, Any]
    ) -> list[Any]:
        """Events of a finish or a reopening that is carried out on the wait of the step; those of
        the step follow from them. None where the wait itself is taken back."""
        if isinstance(request, FinishStep):
            release = ReleaseWait(wait=step.wait, at_ms=body["at_ms"], feel=request.feel)
            found = self._ask(command, release).events
            taken = {k: v for k, v in body.items() if k == "taken_min"}
            return [e._replace(body={**e.body, **taken}) if _of_repair(e) else e for e in found]
        if step.finished:
            return self._ask(command, ReopenWait(wait=step.wait)).events
        note = command.journal.waits[step.wait].note
        mistake = CorrectWait(wait=step.wait, note=f"{note}\n{MISTAKE}".strip())
        release = ReleaseWait(wait=step.wait, at_ms=UNSET)
        events = [*self._ask(command, mistake).events, *self._ask(command, release).events]
        # The step goes back to planned, and is not finished by the release.
        events = [event for event in events if not _of_repair(event)]
        return [*events, command.event(command.request.subject, body)]

    def _ask(self, command: Command[Request], request: WaitRequest) -> Decision:
        return self._decide_wait(_asking(command, request))


def _asking(command: Command[Request], request: R) -> Command[R]:
    """A command of the same person at the same time with another request."""
    return Command(request, command.by, command.now_ms, command.journal)


def _of_repair(event: Any) -> bool:
    return event.about == TakeInRepair.about


def _answer(repair: Repair, body: dict[str, Any]) -> dict[str, Any]:
    answer: dict[str, Any] = {"repair": repair.id}
    if "wait" in body:
        answer["waits"] = [body["wait"]]
    if isinstance(step := body.get("step"), dict):
        answer["step"] = step["id"]
    return answer


def _take_in(command: Command[Request], request: TakeInRepair) -> Decision:
    journal = command.journal
    instrument = journal.instruments.get(id_of(request.instrument))
    if instrument is None or not instrument.here:
        here = ", ".join(one.reference for one in journal.instruments.values() if one.here)
        allowed = f"one of {here}" if here else "an instrument in the shop: register it first"
        raise Rejected(Fault("", "instrument", request.instrument, allowed))
    for other in journal.repairs.values():
        if other.open and other.instrument == instrument.id:
            raise Rejected(
                f"{instrument.reference} has an open repair, {other.id} ({other.name}): add the "
                "steps or the template to it"
            )
    steps: tuple[Step, ...] = ()
    name = "Repair"
    if request.template:
        template = template_of(journal, request.template)
        steps, name = template.steps, template.name
    if faults := list(step_faults(steps, known(journal), field="steps")):
        raise Rejected(*faults)
    body = decisions.taken_in(request, steps, name, command.now_ms)
    own = str(1 + max((int(i) for i in journal.repairs), default=0))
    event = command.event(own, {"instrument": instrument.id} | body)
    return Decision([event], {"repair": own})


def _opening(
    journal: Journal, repair: Repair, step: Step, request: StartStep, body: dict[str, Any]
) -> OpenWait:
    """The request that opens the wait of a step."""
    instrument = journal.instruments[repair.instrument]
    clamps = sum(
        count
        for own, count in step.needs.items()
        if own in journal.stock and journal.stock[own].sort is Sort.CLAMPS
    )
    return OpenWait(
        kind=step.wait_kind,
        place=step.place or instrument.place,
        instrument=instrument.reference,
        what=step.name or str(step.kind),
        start_ms=body["at_ms"],
        clamps=clamps,
        glue=request.glue,
    )


def decide_template(command: Command[TemplateRequest]) -> Decision:
    """Carry out a request on a template."""
    request, journal = command.request, command.journal
    body: dict[str, Any] = {}
    if isinstance(request, SetTemplate):
        made = templates.changed(journal.templates, request, known(journal), command.now_ms)
        body = templates.body_of(made)
    elif isinstance(request, RestoreTemplate):
        if request.template not in journal.retired_templates:
            retired = ", ".join(journal.retired_templates) or "none is retired"
            raise Rejected(Fault("", "template", request.template, f"a retired one: {retired}"))
        body = templates.body_of(journal.retired_templates[request.template])
    elif isinstance(request, RetireTemplate):
        template_of(journal, request.template)
    return Decision([command.event(request.template, body)], {"template": request.template})


def decide_stock(command: Command[StockRequest]) -> Decision:
    """Carry out a request on the stock."""
    request, journal = command.request, command.journal
    body = stocks.decide(journal.stock, request, _steps_that_need(journal))
    return Decision([command.event(request.stock, body)], {"stock": request.stock})


def _steps_that_need(journal: Journal) -> Iterator[tuple[str, Step]]:
    for repair in journal.repairs.values():
        for step in repair.steps if repair.open else ():
            if not step.finished:
                yield f"repair {repair.id}", step
    for template in journal.templates.values():
        for step in template.steps:
            yield f"template {template.id}", step


def kind_of(journal: Journal, step: Step) -> WaitType | None:
    """Wait type of a step: that of its wait once it is open; None without a wait."""
    if step.wait:
        return from_mapping(journal.waits[step.wait].kind)
    return journal.book.get(step.wait_kind)


def known(journal: Journal) -> Known:
    """Wait types and stock that steps of repairs may refer to."""
    return Known(journal.book, stocks.counts(journal.stock))


def repair_of(journal: Journal, repair_id: str) -> Repair:
    """The repair with an id.

    Raises
    ------
    Rejected
        If there is none.
    """
    found = journal.repairs.get(repair_id)
    if found is None:
        there = ", ".join(one.id for one in journal.repairs.values() if one.open)
        raise Rejected(
            Fault("", "repair", repair_id[:40], f"one of {there}" if there else "taken in first")
        )
    return found


def template_of(journal: Journal, template_id: str) -> templates.Template:
    """The template with an id.

    Raises
    ------
    Rejected
        If there is none.
    """
    found = journal.templates.get(template_id)
    if found is None:
        there = f"one of {', '.join(journal.templates)}, or empty"
        raise Rejected(Fault("", "template", template_id[:40], there))
    return found
