"""The pieces that the pages of Plan share: taps on a step, cautions, items, rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard.plan import agenda as agendas
from dashboard.plan import figure, text
from dashboard.plan.agenda import Do
from dashboard.plan.figure import Bar, Row
from dashboard.plan.forms import FREE
from dashboard.ui import formats
from dashboard.ui.controls import action_button
from dashboard.ui.markup import attributes, shape
from dashboard.ui.page_frame import MenuSection
from monitor.domain.repairs.step import CLAMPED, StepKind, StepState
from monitor.planning.step_check import air_rule, start_cautions
from monitor.planning.words import Names, last_start_sentence, planned_at
from monitor.waits.text import about

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.plan.agenda import AgendaStep, Planned
    from monitor.commands import Journal
    from monitor.domain.repairs.repair import Repair
    from monitor.domain.repairs.step import Step
    from monitor.planning.last_start import LastStart
    from monitor.planning.present import PresentPlan

PLAN = MenuSection(
    "Plan",
    "bench plan",
    (
        ("/plan", "Now and next"),
        ("/plan/what-if", "What if"),
        ("/plan/stock", "Clamps and places"),
    ),
)
CHECK_AIR = "The plan does not judge the air for this glue. Follow the glue maker's sheet."
_SHAPES = {
    StepState.FINISHED: "right",
    StepState.STARTED: "waiting",
    StepState.WAITING: "waiting",
    StepState.PLANNED: "paused",
}


def link_to(repair: Repair, words: str) -> Component:
    """A link to the page of a repair."""
    return dcc.Link(words, href=f"/plan/{repair.id}")


def cautions(journal: Journal, repair: Repair, step: Step, unit: formats.Unit) -> list[Component]:
    """Cautions to read before a step is started."""
    kind = journal.book.get(step.wait_kind)
    checks = [CHECK_AIR] if step.kind in CLAMPED and not air_rule(step, kind) else []
    found = start_cautions(journal, repair, step)
    words = [*checks, *(formats.in_reader_unit(one, unit) for one in found)]
    if not words:
        return []
    lines = [html.P(one) for one in words]
    return [html.Div(lines, className="may-cautions")]


def start_tap(repair: Repair, step: Step, *, main: bool = False) -> Component:
    """A tap that starts a step; its wait opens on the bench by itself."""
    said = f"Started: {step.label}."
    if step.wait_kind:
        said += " Its wait is open on the bench."
    return action_button(
        _start_word(step),
        "start",
        name="tap main" if main else "tap",
        about="repair",
        repair=repair.id,
        step=step.id,
        said=said,
    )


def _start_word(step: Step) -> str:
    """Word of the tap that starts a step: a wait begins when the work is done."""
    if not step.wait_kind:
        return "Start"
    done = "Clamps are on" if step.kind in CLAMPED else "Work is done"
    return f"{done}: start the wait"


def finish_tap(repair: Repair, step: Step, *, main: bool = False) -> Component:
    """A tap that finishes a step, and releases its wait."""
    clamped = step.state is StepState.WAITING and step.kind in CLAMPED
    return action_button(
        "Clamps off: finish" if clamped else "Finish",
        "finish",
        name="tap main" if main else "tap",
        about="repair",
        repair=repair.id,
        step=step.id,
        said=f"Finished: {step.label}.",
    )


def item(
    of: AgendaStep,
    journal: Journal,
    names: Names,
    now: int,
    zone: ZoneInfo,
    unit: formats.Unit,
    *,
    writer: bool,
    timed: bool = False,
    warning: str = "",
) -> Component:
    """A step to do, with its taps, its cautions and a warning."""
    repair, step = of.repair, of.step
    words = text.to_do(of)
    if timed:
        words = f"{planned_at(of.at_ms, now, zone)}: {words}"
    taps: list[Component] = []
    starts = of.do is Do.START and agendas.can_start(repair, step) and not timed
    if writer and starts:
        taps.append(start_tap(repair, step, main=True))
    if writer and of.do in (Do.FINISH, Do.TAKE_OFF) and not timed:
        taps.append(finish_tap(repair, step, main=True))
    if writer and of.do is Do.HAND_OUT and not timed:
        taps.append(dcc.Link("Hand it out", href=f"/plan/{repair.id}", className="tap"))
    return html.Li(
        [
            html.P(words, className="to-do"),
            html.P(link_to(repair, names.repair(repair.id)), className="of-repair"),
            html.P(warning, className="caution") if warning else None,
            html.Div(taps, className="taps") if taps else None,
            *(cautions(journal, repair, step, unit) if starts else []),
        ],
        key=f"{repair.id}-{step.id}-{of.do}",
    )


def last_start(
    one: LastStart,
    journal: Journal,
    names: Names,
    now: int,
    zone: ZoneInfo,
    unit: formats.Unit,
    *,
    writer: bool,
) -> Component:
    """A start before closing, or why not to start it."""
    repair = journal.repairs[one.repair]
    step = repair.step(one.step)
    return html.Li(
        [
            html.P(
                formats.in_reader_unit(last_start_sentence(one, names, now, zone), unit),
                className="to-do",
            ),
            html.Div(start_tap(repair, step), className="taps") if writer and one.good else None,
            *(cautions(journal, repair, step, unit) if one.good else []),
        ],
        key=f"{one.repair}-{one.step}",
    )


def step_row(
    repair: Repair,
    step: Step,
    journal: Journal,
    planned: Planned,
    usual_min: float,
    hours: Sequence[tuple[int, int]],
    now: int,
    zone: ZoneInfo,
    unit: formats.Unit,
    *,
    writer: bool,
    wrong_air: str = "",
) -> Component:
    """A step on the page of its repair: state, times, what it follows, taps."""
    of = planned.get((repair.id, step.id))
    follows = ", ".join(repair.step(one).label for one in step.after)
    can = agendas.can_start(repair, step)
    mark = shape(_SHAPES[step.state])
    details = [text.work_words(step, usual_min)] if not step.finished else []
    details += [f"after {follows}"] if follows and not step.finished else []
    starts = can and step.kind is not StepKind.HAND_OUT
    early = text.too_early(repair, step, planned, now, zone) if can else ""
    if can and wrong_air:
        early = early or f"Do not start this step now. {wrong_air}"
    return html.Li(
        [
            html.H3([mark, step.label]),
            html.P(text.step_state(step, of, now, zone)),
            html.P(", ".join(details), className="aside") if details else None,
            html.P(formats.in_reader_unit(early, unit), className="caution") if early else None,
            html.Div(
                step_taps(repair, step, hours, now, of.from_ms if of else None), className="taps"
            )
            if writer and repair.open
            else None,
            *(cautions(journal, repair, step, unit) if starts and repair.open else []),
        ],
        key=step.id,
        className="step",
        **attributes(data_step=step.id, data_state=str(step.state)),
    )


def step_taps(
    repair: Repair, step: Step, hours: Sequence[tuple[int, int]], now: int, planned_ms: int | None
) -> list[Component]:
    """Taps on a step, by its state."""
    own = {"about": "repair", "repair": repair.id, "step": step.id}
    if step.finished or step.started_ms is not None:
        taps = [] if step.finished else [finish_tap(repair, step, main=True)]
        if step.kind is not StepKind.HAND_OUT:
            sure = "Undo it? Tap again"
            taps.append(action_button("Undo", "reopen", sure=sure, said="Undone.", **own))
        return taps
    taps = []
    if step.consent_awaited:
        said = f"Consent noted: {step.label}."
        taps.append(action_button("Client agrees", "consent", name="tap main", said=said, **own))
    elif step.kind is not StepKind.HAND_OUT:
        if agendas.can_start(repair, step):
            taps.append(start_tap(repair, step))
            if not step.wait_kind:
                taps.append(finish_tap(repair, step))
        taps.append(
            action_button("Ask client", "change", on="yes", said="It awaits consent.", **own)
        )
    at = step.fixed_ms if step.fixed_ms is not None else planned_ms
    for word, by in (("Earlier", -1), ("Later", 1)):
        to = agendas.shifted(at, by, hours, now) if at is not None else None
        if to is not None:
            taps.append(action_button(word, "move", fixed=str(to), said=f"{word}.", **own))
    if step.fixed_ms is not None:
        said = "The plan chooses its time again."
        taps.append(action_button("Let the plan choose", "move", fixed=FREE, said=said, **own))
    taps.append(dcc.Link("Change", href=f"/plan/{repair.id}?step={step.id}", className="tap"))
    if step.kind is not StepKind.HAND_OUT:
        sure = "Remove it? Tap again"
        taps.append(action_button("Remove", "remove", sure=sure, said="Removed.", **own))
    return taps


def moves(
    journal: Journal, present: PresentPlan | None, now: int, zone: ZoneInfo
) -> list[figure.Move]:
    """Steps of the plan that may be dragged to another start."""
    planned, found = agendas.planned_steps(present), []
    for row, repair in enumerate(agendas.open_repairs(journal)):
        for step in repair.steps:
            of = planned.get((repair.id, step.id))
            if of is None or of.running or step.started_ms is not None or not of.may:
                continue
            first_ms, first = _first_start(repair, step, planned, now, zone)
            span = (of.from_ms, of.to_ms, of.may)
            found.append(figure.Move(repair.id, step.id, step.label, row, *span, first_ms, first))
    return found


def _first_start(
    repair: Repair, step: Step, planned: Planned, now: int, zone: ZoneInfo
) -> tuple[int, str]:
    """Time before which a step before it is not ready, and why; 0 and "" without one. [ms]"""
    ends = {
        one.id: of.off.usual_ms
        for one in map(repair.step, step.after)
        if (of := planned.get((repair.id, one.id))) and not one.finished
    }
    for one in repair.all_before(step) if step.loads else ():
        if of := planned.get((repair.id, one.id)):
            ends[one.id] = max(of.ready.usual_ms, ends.get(one.id, 0))
    if not ends:
        return 0, ""
    last = max(ends, key=lambda own: ends[own])
    at = planned_at(ends[last], now, zone)
    return ends[last], f"{repair.step(last).label} comes first. It is ready about {at}."


def rows(journal: Journal, present: PresentPlan | None, now: int, zone: ZoneInfo) -> list[Row]:
    """Rows of the plot: open repairs with what is under way and planned."""
    planned, ready = agendas.planned_steps(present), agendas.planned_repairs(present)
    names, found = Names(journal), []
    for repair in agendas.open_repairs(journal):
        bars = []
        for step in repair.steps:
            of = planned.get((repair.id, step.id))
            if of is None or step.finished:
                continue
            span = formats.between(about(of.from_ms), about(of.to_ms), now, zone)
            words = f"{step.label}: {span}"
            if of.off.usual_ms > of.to_ms:
                words += f", then waiting until {planned_at(of.off.usual_ms, now, zone)}"
            bars.append(Bar(of.from_ms, of.to_ms, of.off.usual_ms, words))
        end = ready.get(repair.id)
        found.append(
            Row(names.instrument(repair.id), bars, end.ready if end else None, repair.promised_ms)
        )
    return found
