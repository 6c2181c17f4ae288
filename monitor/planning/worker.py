"""Worker that plans all open repairs again whenever something has changed.

A first plan is written within a second. While it is looked for, a better one replaces it.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from monitor.commands import Journal
from monitor.core.errors import Rejected, StoreFault
from monitor.outlook import files
from monitor.planning import present
from monitor.planning.air_ahead import with_air_notes
from monitor.planning.inputs import Inputs, ShopWaits, problem_of
from monitor.planning.last_start import last_starts
from monitor.planning.planner import plan
from monitor.planning.present import PresentPlan
from monitor.planning.problem import TICK_MS, Plan
from monitor.planning.sensitivity import sensitivity
from monitor.planning.step_check import StepCheck

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.store import Reader

log = logging.getLogger(__name__)

FIRST_S, BEST_S, AGAIN_S = 0.0, 10.0, 2.0
"""Limits of the first plan, which is by rules only, of the best, and of one in which only time has
passed. [s]"""


def present_plan(
    reader: Reader,
    settings: Settings,
    journal: Journal,
    inputs: Inputs,
    plan: Plan,
    *,
    improving: bool = False,
) -> PresentPlan:
    """A plan with its last starts, its shifts, and notes on its times."""
    problem = inputs.problem
    check = StepCheck(reader, settings, journal, problem.now_ms)
    return PresentPlan(
        made_ms=problem.now_ms,
        version=journal.version,
        plan=with_air_notes(reader, settings, journal, inputs, plan),
        last_starts=check.verdicts(plan, last_starts(problem, plan)),
        shifts=() if improving else sensitivity(problem, plan),
        improving=improving,
        unknown=inputs.unknown,
    )


class Planner:
    """Plans the open repairs of a shop. For one thread."""

    def __init__(self, settings: Settings, reader: Reader) -> None:
        self._settings, self._reader = settings, reader
        self._journal = Journal(reader)
        self._seen: tuple[object, ...] = ()
        self._tick = 0
        self._plan: Plan | None = None
        self._waits: tuple[tuple[object, ...], ShopWaits] | None = None

    def look(self, now_ms: int) -> bool:
        """Plan again if something has changed, or five minutes have passed. True if it has planned."""
        self._journal.refresh()
        state = self._state()
        changed, tick = state != self._seen, now_ms // TICK_MS
        if not changed and tick == self._tick:
            return False
        self._make(now_ms, changed=changed)
        self._seen, self._tick = state, tick
        return True

    def _state(self) -> tuple[object, ...]:
        """Everything that calls for another plan at once."""
        places = {one.place for one in self._journal.instruments.values() if one.here}
        looked = tuple(files.looked_at(self._settings, place) for place in sorted(places))
        return (self._journal.version, looked)

    def _make(self, now_ms: int, *, changed: bool) -> None:
        version = self._journal.version
        try:
            inputs = self._inputs(now_ms)
            limits = (FIRST_S, BEST_S) if changed else (AGAIN_S,)
            for limit_s in limits:
                found = self._plan = plan(inputs.problem, limit_s=limit_s, hint=self._plan)
                improving = limit_s != limits[-1] and not found.proved
                judged = present_plan(
                    self._reader, self._settings, self._journal, inputs, found, improving=improving
                )
                self._keep(judged)
                if not improving or self._outdated(version):
                    break
        except Rejected as exc:
            why = tuple(map(str, exc.faults))
            self._keep(PresentPlan(made_ms=now_ms, version=version, plan=None, why_not=why))

    def _inputs(self, now_ms: int) -> Inputs:
        """The inputs as they are now. The times of waits cost most of a second, so they are kept for
        five minutes while no wait, wait type or outlook has changed."""
        journal, (_, looked) = self._journal, self._state()
        kinds = tuple(id(kind) for kind in journal.book.values())
        waits = sum(one.version for one in journal.waits.values())
        key = (now_ms // TICK_MS, looked, kinds, waits, len(journal.instruments))
        kept = self._waits[1] if self._waits and self._waits[0] == key else None
        people = self._settings.shop.people
        found = problem_of(
            self._reader, self._settings, journal, now_ms, people=people, waits=kept
        )
        self._waits = (key, found.waits)
        return found

    def _outdated(self, version: int) -> bool:
        """True if something was done meanwhile: a better plan of the old state helps nobody."""
        self._journal.refresh()
        return self._journal.version != version

    def _keep(self, found: PresentPlan) -> None:
        try:
            present.keep(self._settings, found)
        except (OSError, StoreFault) as exc:
            log.error("plan cannot be written reason=%s", exc)
