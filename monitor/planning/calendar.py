"""The plan as a calendar (RFC 5545): planned hands-on work, and when instruments are ready."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from monitor.core import formats
from monitor.core.clock import from_ms
from monitor.planning.words import Names, as_planned, chance, range_words
from monitor.waits.text import about

if TYPE_CHECKING:
    import icalendar

    from monitor.commands import Journal
    from monitor.planning.present import PresentPlan
    from monitor.planning.problem import PlannedRepair, PlannedStep
    from monitor.settings import Settings

AGAIN = timedelta(minutes=15)
"""Interval after which a phone is asked to look again."""
LASTS = timedelta(minutes=15)
"""Length of an event that marks a moment."""


def calendar_of(
    present: PresentPlan | None, journal: Journal, settings: Settings, now_ms: int
) -> bytes:
    """A calendar of the present plan; empty while there is none. [ms since 1970-01-01 UTC]"""
    import icalendar  # 80 modules, read when somebody asks for a calendar

    shop = settings.shop.name or "Benchweather"
    out = icalendar.Calendar()
    out.add("prodid", "-//Benchweather//Plan//EN")
    out.add("version", "2.0")
    out.add("method", "PUBLISH")
    out.add("name", f"{shop}: repairs")
    out.add("x-wr-calname", f"{shop}: repairs")
    out.add("refresh-interval", AGAIN, parameters={"VALUE": "DURATION"})
    if present is None or present.plan is None:
        return bytes(out.to_ical())
    names, host = Names(journal), host_of(settings)
    for step in present.plan.steps:
        if not step.running:
            out.add_component(_work(step, present, names, journal, settings, host, now_ms))
    for repair in present.plan.repairs:
        if repair.ready is not None:
            out.add_component(_ready(repair, present, names, journal, settings, host, now_ms))
    return bytes(out.to_ical())


def host_of(settings: Settings) -> str:
    """Half of a UID: the shop's, stable however the board is reached."""
    name = "".join(c if c.isascii() and c.isalnum() else "-" for c in settings.shop.name.lower())
    return f"{name.strip('-') or 'shop'}.benchweather.invalid"


def _event(uid: str, present: PresentPlan, now_ms: int, begin_ms: int) -> icalendar.Event:
    import icalendar

    event = icalendar.Event()
    event.add("uid", uid)
    event.add("sequence", present.made_ms // 60_000 % 2**31)
    event.add("dtstamp", from_ms(now_ms // 1000 * 1000))
    event.add("last-modified", from_ms(present.made_ms // 1000 * 1000))
    event.add("dtstart", from_ms(about(begin_ms)))
    return event


def _work(
    step: PlannedStep,
    present: PresentPlan,
    names: Names,
    journal: Journal,
    settings: Settings,
    host: str,
    now_ms: int,
) -> icalendar.Event:
    repair = journal.repairs.get(step.repair)
    event = _event(f"step-{step.repair}-{step.step}@{host}", present, now_ms, step.from_ms)
    event.add("dtend", from_ms(about(step.to_ms)))
    fixed = repair is not None and any(
        one.id == step.step and one.fixed_ms is not None for one in repair.steps
    )
    event.add("status", "CONFIRMED" if fixed else "TENTATIVE")
    event.add("summary", names.step(step.repair, step.step))
    lines = [names.repair(step.repair)]
    if step.ready.usual_ms > step.to_ms:
        ready = "May be worked or loaded" if names.clamped(step.repair, step.step) else "Ready"
        lines.append(f"{ready}: {range_words(step.ready, now_ms, settings.zone)}")
    lines.append(f"Planned: {formats.when(present.made_ms, now_ms, settings.zone)}")
    event.add("description", "\n".join(lines))
    return event


def _ready(
    repair: PlannedRepair,
    present: PresentPlan,
    names: Names,
    journal: Journal,
    settings: Settings,
    host: str,
    now_ms: int,
) -> icalendar.Event:
    assert repair.ready is not None  # noqa: S101 - for the type checker; asked by the caller
    event = _event(f"repair-{repair.repair}@{host}", present, now_ms, repair.ready.usual_ms)
    event.add("duration", LASTS)
    event.add("transp", "TRANSPARENT")
    event.add("status", "TENTATIVE")
    event.add("summary", f"Ready, about: {names.repair(repair.repair)}")
    only_if = as_planned(present, repair.repair)
    lines = [f"Ready: {range_words(repair.ready, now_ms, settings.zone)}{only_if}"]
    own = journal.repairs.get(repair.repair)
    if own is not None and own.promised_ms is not None:
        lines.append(f"Promised: {formats.ahead(own.promised_ms, now_ms, settings.zone)}")
        if repair.kept is not None:
            lines.append(f"Chance to keep the promise: {chance(repair.kept)}{only_if}")
    event.add("description", "\n".join(lines))
    return event
