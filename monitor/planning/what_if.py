"""Suppositions: another stock, more people, an open Saturday, held air, or one more repair."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from monitor.commands.closing import shop_hours
from monitor.commands.repairs import template_of
from monitor.core.errors import Fault, Rejected
from monitor.domain.opening_hours import DAYS
from monitor.domain.repairs.step import NEED_MAX
from monitor.planning.inputs import ShopWaits, opening, problem_of, repair_if_taken_in
from monitor.planning.problem import Plan, Problem

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.settings import Settings
    from monitor.store import Reader

NEW = "new"
"""Id of a repair that is not taken in."""
RUSH_WEIGHT = 5.0
"""Weight of a rush job against 1 of the others. [-]  Ours."""
HELD_PCT = (20.0, 80.0)
"""RH that air may be held at. [%]"""


class Changes(NamedTuple):
    """Changes to suppose. `held_pct`: RH by place [%]; `template`: of one more repair; `rush`:
    it goes before the others; `place`: where it would be."""

    stock: Mapping[str, int] = {}
    people: int | None = None
    saturday: bool = False
    held_pct: Mapping[str, float] = {}
    template: str = ""
    rush: bool = False
    place: str = ""


def problem_if(
    reader: Reader, settings: Settings, journal: Journal, now_ms: int, changes: Changes
) -> Problem:
    """The planning problem with changes supposed; without any, the present one.

    Raises
    ------
    Rejected
        If something is named that is not there, with what is.
    """
    for name, count in changes.stock.items():
        if not 0 <= count <= NEED_MAX:
            raise Rejected(Fault("", f"number of {name}", count, f"0 to {NEED_MAX}"))
    known = {place.id for place in settings.places if place.kind != "outdoors"}
    for place, held in changes.held_pct.items():
        if place not in known:
            raise Rejected(Fault("", "place", place, f"one of {', '.join(sorted(known))}"))
        if not HELD_PCT[0] <= held <= HELD_PCT[1]:
            raise Rejected(Fault("", f"RH of {place}", held, "20 to 80 %"))
    people = settings.shop.people if changes.people is None else changes.people
    problem = problem_of(
        reader, settings, journal, now_ms, people=people, held_pct=changes.held_pct
    ).problem
    hours = shop_hours(reader, settings)
    if changes.saturday:
        first = next((hours[day] for day in DAYS if hours.get(day)), "")
        hours = {**hours, "saturday": hours.get("saturday") or first}
        problem = replace(problem, open=tuple(opening(hours, settings.zone, now_ms)))
    if changes.template:
        steps = template_of(journal, changes.template).steps
        waits = ShopWaits(reader, settings, journal, now_ms, problem.open, changes.held_pct)
        made = repair_if_taken_in(journal, waits, steps, changes.place, id_=NEW)
        if changes.rush:
            made = replace(made, weight=RUSH_WEIGHT)
        problem = replace(problem, repairs=(*problem.repairs, made))
    stock = {stock_of(journal, name): count for name, count in changes.stock.items()}
    return replace(problem, stock={**problem.stock, **stock})


def stock_of(journal: Journal, name: str) -> str:
    """Id of a stock by its id or name, in any case.

    Raises
    ------
    Rejected
        If there is none.
    """
    wanted = name.strip().casefold()
    for own, one in journal.stock.items():
        if wanted in (own, one.name.casefold()):
            return own
    raise Rejected(Fault("", "stock", name, f"one of {', '.join(journal.stock)}"))


def later_ms(before: Plan, after: Plan) -> dict[str, int | None]:
    """Delay of each repair, by its id; below 0 it is ready sooner, None where it is not known. [ms]"""
    was = {one.repair: one.ready for one in before.repairs}
    found: dict[str, int | None] = {}
    for one in after.repairs:
        old = was.get(one.repair)
        if one.repair in was:
            known = old is not None and one.ready is not None
            found[one.repair] = one.ready.usual_ms - old.usual_ms if known else None  # type: ignore[union-attr] # both are known
    return found
