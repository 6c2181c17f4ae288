"""`benchweather plan` and `benchweather promise`: the plan of all open repairs, and what if."""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.output import out, print_json, print_table, when
from monitor.cli.shared import (
    Json,
    exit_on,
    in_reader_unit,
    journal_of,
    known,
    progress,
    store_of,
    wrong,
)
from monitor.core import formats
from monitor.core.clock import now_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.planning.present import PresentPlan
    from monitor.planning.problem import Plan, PlannedStep
    from monitor.planning.what_if import Changes
    from monitor.planning.words import Names
    from monitor.store import Reader

LIMIT_S = 10.0
"""Time that the solver may take for a what-if. [s]"""
SHIFTS_SHOWN = 4
"""Most sentences on what moves a repair."""
PROMISE = 0.9
"""Chance at which a date may be promised. [-]"""

StockIf = Annotated[
    list[str] | None, typer.Option("--stock", help="What if there were 'crack clamps=12'")
]
PeopleIf = Annotated[
    int | None, typer.Option("--people", min=1, max=20, help="What if so many people worked")
]
SaturdayIf = Annotated[bool, typer.Option("--work-saturday", help="What if you worked Saturdays")]
HoldIf = Annotated[
    list[str] | None,
    typer.Option("--hold", help="What if the air of a place were held: varnish-corner=45 [% RH]"),
]
RushIf = Annotated[
    str, typer.Option("--rush", help="What if you took in a rush job: a template, such as bar")
]


def plan(
    settings: Settings,
    stock: StockIf = None,
    people: PeopleIf = None,
    work_saturday: SaturdayIf = False,
    hold: HoldIf = None,
    rush: RushIf = "",
    as_json: Json = False,
) -> None:
    """Show the plan of all open repairs, or what a change would do to it."""
    from monitor.planning.what_if import Changes

    changes = Changes(
        stock={name: round(value) for name, value in _pairs(stock, "--stock", "12").items()},
        people=people,
        saturday=work_saturday,
        held_pct=_pairs(hold, "--hold", "45"),
        template=rush,
        rush=bool(rush),
    )
    with journal_of(settings) as (reader, journal):
        present = _present(reader, settings, journal)
        if changes == Changes():
            _print_present(present, journal, settings, as_json=as_json)
            return
        _print_change(present, changes, reader, settings, journal, as_json=as_json)


def promise(
    settings: Settings,
    template: Annotated[str, typer.Argument(help="Usual repair, from `template list`")],
    place: Annotated[str, typer.Option(help="Place where it would be worked on")] = "",
    stock: StockIf = None,
    people: PeopleIf = None,
    work_saturday: SaturdayIf = False,
    as_json: Json = False,
) -> None:
    """Show the earliest date to promise a client, for a repair that is not taken in yet."""
    from monitor.domain.repairs.learning import kept_promises
    from monitor.planning.what_if import NEW, Changes
    from monitor.planning.words import AS_PLANNED

    with journal_of(settings) as (reader, journal):
        known(template, journal.templates, "template")
        changes = Changes(
            stock={name: round(value) for name, value in _pairs(stock, "--stock", "12").items()},
            people=people,
            saturday=work_saturday,
            template=template,
            place=place,
        )
        found = _planned(reader, settings, journal, changes)
        kept = kept_promises(journal.repairs.values())
    ready = next(one.ready for one in found.repairs if one.repair == NEW)
    if ready is None:
        wrong("No time was found for all steps. `benchweather plan` says why.")
    day = promised_day(ready.high_ms, settings)
    if as_json:
        print_json(
            {"template": template, "promise": day.isoformat(), "chance": PROMISE}
            | {"ready": ready, "promises": kept}
        )
        return
    at = f"{formats.day(day)} or later"
    out.print(f"Promise {at}: ready by then in 9 of 10 cases, {AS_PLANNED}.")
    out.print(f"Usually ready {when(ready.usual_ms, settings)}, if you take it in now.")
    if kept.promised:
        out.print(f"Promises kept so far: {kept.kept} of {kept.promised}.")


def promised_day(at_ms: int, settings: Settings) -> date:
    """First day at whose closing time something that is ready at a moment can be handed out."""
    from monitor.commands.closing import shop_hours
    from monitor.domain.opening_hours import is_open, next_opening

    with store_of(settings) as reader:
        hours = shop_hours(reader, settings)
    opens_ms = next_opening(hours, settings.zone, at_ms)
    if is_open(hours, settings.zone, at_ms) or opens_ms is None:
        opens_ms = at_ms
    return formats.local(opens_ms, settings.zone).date()


def _pairs(given: list[str] | None, option: str, example: str) -> dict[str, float]:
    """Names with a number each, as typed: name=12."""
    found = {}
    for text in given or ():
        name, equals, value = text.rpartition("=")
        try:
            found[name.strip()] = float(value)
        except ValueError:
            equals = ""
        if equals and not math.isfinite(found[name.strip()]):
            equals = ""
        if not equals or not name.strip():
            wrong(f"{option} {text!r}: must be a name and a number such as name={example}")
    return found


def _present(reader: Reader, settings: Settings, journal: Journal) -> PresentPlan:
    """The plan that the service keeps; made here where it does not run, or is not there yet."""
    from monitor.planning import present
    from monitor.planning.inputs import problem_of
    from monitor.planning.planner import plan as make
    from monitor.planning.worker import present_plan

    now = now_ms()
    kept = present.read(settings)
    if kept is not None and kept.fresh(now) and kept.version == journal.version:
        return kept
    with exit_on(), progress() as bar:
        task = bar.add_task("calculating the waits", total=None)
        inputs = problem_of(reader, settings, journal, now, people=settings.shop.people)
        bar.update(task, description=f"planning, up to {LIMIT_S:.0f} s")
        found = make(inputs.problem, limit_s=LIMIT_S)
        return present_plan(reader, settings, journal, inputs, found)


def _planned(reader: Reader, settings: Settings, journal: Journal, changes: Changes) -> Plan:
    from monitor.planning.planner import plan as make
    from monitor.planning.what_if import problem_if

    with exit_on(), progress() as bar:
        task = bar.add_task("calculating the waits", total=None)
        problem = problem_if(reader, settings, journal, now_ms(), changes)
        bar.update(task, description=f"planning, up to {LIMIT_S:.0f} s")
        return make(problem, limit_s=LIMIT_S)


def _print_present(
    present: PresentPlan, journal: Journal, settings: Settings, *, as_json: bool
) -> None:
    from monitor.planning.last_start import StartVerdict, shown_from
    from monitor.planning.words import (
        BY_RULES,
        Names,
        last_start_sentence,
        note_texts,
        planned_at,
        shift_sentence,
        unknown_air,
    )

    if as_json:
        print_json(present)
        return
    found, now, names = present.plan, now_ms(), Names(journal)
    if found is None:
        wrong(" ".join(present.why_not))
    if not found.steps and not found.repairs:
        out.print("No open repairs. `benchweather repair take-in` takes one in.")
        return
    print_table(
        ("start", "what", "hands-on until", "ready, may be loaded"),
        [
            (
                "under way" if one.running else planned_at(one.from_ms, now, settings.zone),
                names.step(one.repair, one.step),
                "" if one.running else formats.clock(one.to_ms, settings.zone),
                _ready(one, names, now, settings),
            )
            for one in found.steps
        ],
    )
    _print_repairs(present, found, journal, names, settings)
    notes = note_texts(found.notes, lambda one: one.text)
    for note in (*notes, unknown_air(present.unknown)):
        if note:
            out.print(in_reader_unit(note, settings))
    places = {place.id: place.label for place in settings.places}
    for shift in present.shifts[:SHIFTS_SHOWN]:
        out.print(shift_sentence(shift, names, places, now, settings.zone))
    closes = closing_time(settings, now)
    late = closes is not None and now >= shown_from(closes)
    for start in present.last_starts:
        if late or start.verdict is StartVerdict.AIR:
            text = last_start_sentence(start, names, now, settings.zone)
            out.print(in_reader_unit(text, settings))
    if closes is not None and not late:
        at = formats.clock(shown_from(closes), settings.zone)
        out.print(f"What to start for the night is shown from {at}.")
    if present.by_rules:
        out.print(BY_RULES)
    if found.proved:
        out.print("No other order is better by these figures.")
    elif found.gap < 1:
        most = math.ceil(100 * found.gap)
        out.print(f"At most {most} % worse than the best possible order.")


def closing_time(settings: Settings, now: int) -> int | None:
    """Closing time of the shop; None while it is closed. [ms]"""
    from monitor.commands.closing import shop_hours
    from monitor.planning.inputs import opening

    with store_of(settings) as reader:
        spans = opening(shop_hours(reader, settings), settings.zone, now)
        return next((end for begin, end in spans if begin <= now), None)


def _ready(one: PlannedStep, names: Names, now: int, settings: Settings) -> str:
    """Range of the time from which a joint may be loaded; "" without a wait."""
    from monitor.planning.words import range_words

    if not names.waits(one.repair, one.step):
        return ""
    return range_words(one.ready, now, settings.zone) if one.known else "not known"


def _print_repairs(
    present: PresentPlan, found: Plan, journal: Journal, names: Names, settings: Settings
) -> None:
    from monitor.planning.words import as_planned, chance, range_words

    rows = []
    for one in found.repairs:
        own = journal.repairs.get(one.repair)
        promised_ms = own.promised_ms if own is not None else None
        promised = formats.ahead(promised_ms, now_ms(), settings.zone) if promised_ms else ""
        only_if = as_planned(present, one.repair)
        kept = "" if one.kept is None else f"{chance(one.kept)}{only_if}"
        ready = "not known"
        if one.ready is not None:
            ready = f"{range_words(one.ready, now_ms(), settings.zone)}{only_if}"
        rows.append((names.repair(one.repair), ready, promised, kept))
    print_table(("repair", "ready about", "promised", "chance to keep it"), rows)


def _print_change(
    present: PresentPlan,
    changes: Changes,
    reader: Reader,
    settings: Settings,
    journal: Journal,
    *,
    as_json: bool,
) -> None:
    from monitor.planning.what_if import NEW, later_ms
    from monitor.planning.words import ASSUMED_IF, Names, planned_at, range_words

    after = _planned(reader, settings, journal, changes)
    if present.plan is None:
        wrong(" ".join(present.why_not))
    moved = later_ms(present.plan, after)
    if as_json:
        days = {own: None if ms is None else ms / 86_400_000 for own, ms in moved.items()}
        print_json({"changes": changes, "later_days": days, "before": present.plan, "plan": after})
        return
    names, now = Names(journal), now_ms()
    before = {one.repair: one for one in present.plan.repairs}
    rows = []
    for one in after.repairs:
        ready = "not known" if one.ready is None else range_words(one.ready, now, settings.zone)
        was = before.get(one.repair)
        old = ""
        if was is not None and was.ready is not None:
            old = planned_at(was.ready.usual_ms, now, settings.zone)
        name = f"New: {changes.template}" if one.repair == NEW else names.repair(one.repair)
        rows.append((name, old, ready, days_words(moved.get(one.repair))))
    print_table(("repair", "ready now", "ready then", "difference"), rows)
    out.print(ASSUMED_IF)


def days_words(later_by_ms: int | None) -> str:
    """A shift of a ready time in words: `2 days sooner`, `3 h later`, `no change`."""
    if later_by_ms is None:
        return ""
    size, word = abs(later_by_ms), "later" if later_by_ms > 0 else "sooner"
    if size < 2_700_000:
        return "no change"
    days = timedelta(milliseconds=size) / timedelta(days=1)
    if days < 0.75:
        return f"{formats.counted(round(24 * days), 'hour')} {word}"
    return f"{formats.counted(round(days), 'day')} {word}"
