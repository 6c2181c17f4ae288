"""Names and sentences of the plan, for the board, the terminal, notices and calendars."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.core import formats
from monitor.core.errors import Rejected
from monitor.domain.repairs.step import CLAMPED
from monitor.planning.last_start import LastStart, StartVerdict
from monitor.planning.problem import Note, NoteKind
from monitor.waits.text import about

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from zoneinfo import ZoneInfo

    from monitor.commands import Journal
    from monitor.planning.present import PresentPlan
    from monitor.planning.problem import TimeRange
    from monitor.planning.sensitivity import Shift


class Names:
    """Names of the repairs and steps of a plan, by the journal."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal

    def instrument(self, repair: str) -> str:
        """Reference of the instrument of a repair."""
        found = self._journal.repairs.get(repair)
        if found is None:
            return repair
        instrument = self._journal.instruments.get(found.instrument)
        return instrument.reference if instrument else found.instrument

    def repair(self, repair: str) -> str:
        """Instrument and repair: `VN-31 violin, Top cracks`."""
        found = self._journal.repairs.get(repair)
        return f"{self.instrument(repair)}, {found.name}" if found else repair

    def waits(self, repair: str, step: str) -> bool:
        """True if a step has a wait."""
        try:
            return bool(self._journal.repairs[repair].step(step).wait_kind)
        except (KeyError, Rejected):
            return True

    def clamped(self, repair: str, step: str) -> bool:
        """True if a step ends in clamps."""
        try:
            return self._journal.repairs[repair].step(step).kind in CLAMPED
        except (KeyError, Rejected):
            return False

    def step(self, repair: str, step: str) -> str:
        """Step and instrument: `Glue crack, bass side: VN-31 violin`."""
        try:
            label = self._journal.repairs[repair].step(step).label
        except (KeyError, Rejected):
            label = step
        return f"{label}: {self.instrument(repair)}"


def planned_at(ms: int, now_ms: int, zone: ZoneInfo) -> str:
    """A planned time, rounded up to 5 minutes: `Thu 11:05`."""
    return formats.ahead(about(ms), now_ms, zone)


def range_words(of: TimeRange, now_ms: int, zone: ZoneInfo, cases: str = "") -> str:
    """A time with its range, to 5 minutes: `Thu 11:00, between Wed 16:00 and Fri 10:00`.

    `cases`: words on how often a time lies between the two, as only two ends have it.
    """
    low, middle, high = (
        planned_at(at, now_ms, zone) for at in (of.low_ms, of.usual_ms, of.high_ms)
    )
    if of.high_ms - of.low_ms < 10 * formats.MINUTE_MS:
        return middle
    if low == middle:
        return f"{middle}, almost surely by {high}"
    if middle == high:
        return f"{middle}, in 1 case of 10 already {low}"
    return f"{middle}, between {low} and {high}{cases}"


def shift_sentence(
    one: Shift, names: Names, places: Mapping[str, str], now_ms: int, zone: ZoneInfo
) -> str:
    """Sentence on what moves a repair: a late wait, or damp air at a place."""
    with_, without = (planned_at(at, now_ms, zone) for at in (one.with_ms, one.without_ms))
    whose = names.instrument(one.repair)
    effect = f"{whose} is usually ready {with_}, otherwise {without}."
    if one.air is None:
        return f"If “{names.step(one.of, one.step)}” takes long (1 case in 5), {effect}"
    air = one.air
    when = formats.between(air.from_ms, air.until_ms, now_ms, zone)
    place = places.get(air.place, air.place)
    return f"If the mean humidity at {place} is above {air.rh_pct:.0f} % {when}, {effect}"


def chance(share: float) -> str:
    """A chance that is never certain: `87 %`, `more than 99 %`. [-]"""
    if share > 0.99:
        return "more than 99 %"
    return "less than 1 %" if share < 0.01 else f"{100 * share:.0f} %"


AGAINST = frozenset((NoteKind.NOT_SAFE, NoteKind.AIR_AHEAD, NoteKind.FRESH_JOINT))
"""Kinds of notes that may move a step, and so the ready time."""
AS_PLANNED = "if each step starts as planned"
"""Condition of a ready time and a chance."""
ASSUMED = "The ready time and the chance assume that each step starts as planned. Against that:"
ASSUMED_IF = (
    "These times assume that each step starts as planned. For the repairs in the shop, Plan shows "
    "what is against it."
)
"""Sentence on times that are only supposed."""


def as_planned(present: PresentPlan | None, repair: str) -> str:
    """Condition to put behind the figures of a repair; "" where nothing is against a step of it."""
    if present is None or present.plan is None:
        return ""
    against = [one.repair for one in present.plan.notes if one.kind in AGAINST]
    against += [one.repair for one in present.last_starts if one.verdict is StartVerdict.AIR]
    return f", {AS_PLANNED}" if repair in against else ""


def note_texts(notes: Iterable[Note], said: Callable[[Note], str]) -> list[str]:
    """Texts of notes, those against a step last, under what the figures assume."""
    found = sorted(notes, key=lambda one: one.kind in AGAINST)
    texts = [said(one) for one in found]
    first = next((i for i, one in enumerate(found) if one.kind in AGAINST), None)
    return texts if first is None else [*texts[:first], ASSUMED, *texts[first:]]


BY_RULES = (
    "The plan is made by rules, because the solver is not installed. With "
    "`pip install 'benchweather[planner]'` it may be better."
)


def unknown_air(places: Iterable[str]) -> str:
    """Sentence on places whose air is not known; "" if there are none."""
    named = ", ".join(places)
    if not named:
        return ""
    return (
        f"The air of this place is not known: {named}. Waits there are planned with usual times."
    )


def last_start_sentences(
    starts: Iterable[LastStart], journal: Journal, now_ms: int, zone: ZoneInfo
) -> list[str]:
    """Verdicts on starts before closing, each as a sentence."""
    names = Names(journal)
    return [last_start_sentence(one, names, now_ms, zone) for one in starts]


def last_start_sentence(one: LastStart, names: Names, now_ms: int, zone: ZoneInfo) -> str:
    """Verdict on a start before closing as a sentence."""
    name = names.step(one.repair, one.step)
    off = planned_at(one.off.usual_ms, now_ms, zone)
    match one.verdict:
        case StartVerdict.NIGHT:
            done = (
                "its clamps may come off" if names.clamped(one.repair, one.step) else "it is ready"
            )
            return f"{name}. Start it now: {done} {off}."
        case StartVerdict.NO_TIME:
            return f"{name}. Do not start it: the work does not fit before closing."
        case StartVerdict.LEFT_ALONE:
            return f"{name}. Do not start it: it may not be left alone while the shop is closed."
        case StartVerdict.IN_THE_WAY:
            rival = names.step(*one.rival) if one.rival else "other work"
            return f"{name}. Do not start it: {rival} needs its clamps or its place first."
        case StartVerdict.AIR:
            return f"{name}. Do not start it. {one.why}"


def soft_sentence(label: str, ready_ms: int | None, now_ms: int, zone: ZoneInfo) -> str:
    """Sentence on a joint that may not be loaded yet; None: its ready time is not known. [ms]"""
    if ready_ms is None or ready_ms <= now_ms:
        until = "yet. Its ready time is not known"
    else:
        until = f"before about {planned_at(ready_ms, now_ms, zone)}"
    return f"“{label}” is not ready yet. Do not work, load or string it {until}."
