"""Queries of the Plan page: opening hours, hands-on times, kept promises and what a change would do."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from dashboard.data.journal import SharedAnswers
from monitor.commands.closing import shop_hours
from monitor.core.clock import now_ms
from monitor.core.formats import MINUTE_MS
from monitor.domain.repairs.learning import KeptPromises, LearnedHandsOn, kept_promises
from monitor.planning.inputs import opening
from monitor.planning.planner import plan
from monitor.planning.what_if import Changes, problem_if

if TYPE_CHECKING:
    from dashboard.data.journal import CachedJournal
    from dashboard.data.repairs import RepairQueries
    from dashboard.data.shop import Reader, ShopData
    from monitor.commands import Journal
    from monitor.planning.problem import TimeRange

FRESH_MS, KEPT = 5 * MINUTE_MS, 12
"""Cached lifetime of an answer to what-if, and how many are kept. [ms]"""
HOURS_FRESH_MS = MINUTE_MS
"""Cached lifetime of the opening hours. [ms]"""
LIMIT_S = 2.0
"""Time for each of the two plans of an answer. [s]"""


class WhatIf(NamedTuple):
    """A change to ask about.

    `template`: a repair to take in from it, `rush`: before others; `more`: pieces of stock to add,
    as (id, number); `saturday`: Saturdays are worked; `place`: one whose air is held at
    `rh_pct`; "" for none.
    """

    template: str = ""
    rush: bool = False
    more: tuple[tuple[str, int], ...] = ()
    saturday: bool = False
    place: str = ""
    rh_pct: float = 45.0


class Effect(NamedTuple):
    """Ready times of a repair before and after a change; None where one is not known."""

    repair: str
    before: TimeRange | None
    after: TimeRange | None


class PlanQueries:
    """Answers on the plan of a shop. Shared by all threads."""

    def __init__(self, shop: ShopData, kept: CachedJournal, repairs: RepairQueries) -> None:
        self._shop, self._ask, self._repairs = shop, kept.ask, repairs
        self.journal, self.plan = repairs.journal, repairs.plan
        self._answers: SharedAnswers[tuple[Effect, ...]] = SharedAnswers(kept, FRESH_MS, KEPT)
        self._hours: SharedAnswers[tuple[tuple[int, int], ...]] = SharedAnswers(
            kept, HOURS_FRESH_MS
        )

    def hours(self) -> tuple[tuple[int, int], ...]:
        """Opening hours from now on. [ms]"""

        def answer(reader: Reader, journal: Journal) -> tuple[tuple[int, int], ...]:
            hours = shop_hours(reader, self._shop.settings)
            return self._hours.get(
                journal.version, lambda: tuple(opening(hours, self._shop.settings.zone, now_ms()))
            )

        return self._ask(answer)

    def hands_on(self) -> LearnedHandsOn:
        """Hands-on times of steps, with what finished steps have taught."""
        return LearnedHandsOn(self.journal().repairs.values())

    def kept_promises(self) -> KeptPromises:
        """Promises kept, of all that were made."""
        return kept_promises(self.journal().repairs.values())

    def what_if(self, asked: WhatIf) -> tuple[Effect, ...]:
        """Ready times of all repairs before and after a change.

        Raises
        ------
        Rejected
            If it cannot be planned, or the change names something that is not there.
        """

        def answer(reader: Reader, journal: Journal) -> tuple[Effect, ...]:
            key = (asked, journal.version)
            return self._answers.get(key, lambda: self._effects(reader, journal, asked))

        return self._ask(answer)

    def _effects(self, reader: Reader, journal: Journal, asked: WhatIf) -> tuple[Effect, ...]:
        settings, now = self._shop.settings, now_ms()
        held = {asked.place: asked.rh_pct} if asked.place else {}
        changes = Changes(
            stock={
                own: journal.stock[own].count + n for own, n in asked.more if own in journal.stock
            },
            saturday=asked.saturday,
            held_pct=held,
            template=asked.template,
            rush=asked.rush,
            place=asked.place or next(iter(self._shop.place_names(indoors=True)), ""),
        )
        present = self.plan()
        hint = present.plan if present is not None else None
        # Each plan is the beginning of the next, so that both are equally good.
        before = problem_if(reader, settings, journal, now, Changes())
        first = plan(before, limit_s=LIMIT_S, hint=hint)
        after = problem_if(reader, settings, journal, now, changes)
        second = plan(after, limit_s=LIMIT_S, hint=first)
        was = {one.repair: one.ready for one in first.repairs}
        return tuple(Effect(one.repair, was.get(one.repair), one.ready) for one in second.repairs)

    def instrument_refs(self) -> list[str]:
        """References of the instruments in the shop that have no open repair."""
        journal = self.journal()
        busy = {one.instrument for one in journal.repairs.values() if one.open}
        return [
            one.reference
            for one in journal.instruments.values()
            if one.here and one.id not in busy
        ]
