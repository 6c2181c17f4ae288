"""Glue work that the plan would start now, in air or with parts that are not right for glue."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.core.errors import Rejected
from monitor.planning.last_start import LastStart, Verdict
from monitor.planning.today import SOON_MS
from monitor.science.waits.glue import GlueLaw
from monitor.waits.glue_answer import Answer
from monitor.waits.glue_now import GlueQuestion, glue_now

if TYPE_CHECKING:
    from collections.abc import Iterable

    from monitor.commands import Journal
    from monitor.planning.problem import Plan
    from monitor.settings import Settings
    from monitor.store import Reader


class GlueAir:
    """Answers on the glue work of a plan, each type at each place asked once. For one moment."""

    def __init__(self, reader: Reader, settings: Settings, journal: Journal, now_ms: int) -> None:
        self._reader, self._settings, self._journal = reader, settings, journal
        self._now_ms = now_ms
        self._wrong: dict[tuple[str, str], bool] = {}

    def verdicts(self, plan: Plan, starts: Iterable[LastStart]) -> tuple[LastStart, ...]:
        """Last starts, with those that the air forbids, and with what the plan starts now in such
        air."""
        found = [
            one._replace(verdict=Verdict.AIR)
            if one.good and self.wrong(one.repair, one.step)
            else one
            for one in starts
        ]
        known = {(one.repair, one.step) for one in found}
        for step in plan.steps:
            soon = not step.running and step.from_ms <= self._now_ms + SOON_MS
            new = (step.repair, step.step) not in known
            if soon and new and self.wrong(step.repair, step.step):
                found.append(LastStart(step.repair, step.step, Verdict.AIR, step.off, True))
        return tuple(found)

    def wrong(self, repair_id: str, step_id: str) -> bool:
        """True if a step is glue work that must not start in the present air of its place."""
        repair = self._journal.repairs.get(repair_id)
        if repair is None:
            return False
        try:
            step = repair.step(step_id)
        except Rejected:
            return False
        kind = self._journal.book.get(step.wait_kind)
        instrument = self._journal.instruments.get(repair.instrument)
        place = step.place or (instrument.place if instrument is not None else "")
        if kind is None or not isinstance(kind.law, GlueLaw) or not place:
            return False
        if (place, kind.id) not in self._wrong:
            self._wrong[place, kind.id] = self._asked(place, kind.id)
        return self._wrong[place, kind.id]

    def _asked(self, place: str, kind_id: str) -> bool:
        question = GlueQuestion(place=place, kind=kind_id)
        try:
            found = glue_now(self._reader, self._settings, self._journal, question, self._now_ms)
        except Rejected:  # outdoors, or a place that has sent nothing yet
            return False
        return found.answer is Answer.NO
