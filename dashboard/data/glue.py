"""Queries of the pages about glue: the batches, and whether a joint may be glued now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.data.journal import SharedAnswers
from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.waits.glue_answer import WoodNow
from monitor.waits.glue_now import GlueNow, GlueQuestion, glue_now, joint_kinds
from monitor.wood.evaluation import instrument_statuses, instrument_temp_c

if TYPE_CHECKING:
    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import Reader, ShopData
    from monitor.domain.glue import Glue
    from monitor.domain.wait_types import WaitType

FRESH_MS = 20_000
"""Cached lifetime of an answer, if nothing was done. [ms]"""
ANSWERS_KEPT = 24


class GlueQueries:
    """The batches of a shop, and answers on joints. Shared by all threads."""

    def __init__(self, shop: ShopData, kept: CachedJournal) -> None:
        self._shop = shop
        self._ask = kept.ask
        self._answers: SharedAnswers[GlueNow] = SharedAnswers(kept, FRESH_MS, ANSWERS_KEPT)

    def here(self) -> list[Glue]:
        """The batches that are not discarded, the last mixed in front."""

        def answer(_: Reader, journal: Journal) -> list[Glue]:
            found = [one for one in journal.glues.values() if one.here]
            return sorted(found, key=lambda one: -one.mixed_ms)

        return self._ask(answer)

    def discarded(self, limit: int) -> list[Glue]:
        """The batches discarded last, newest first."""

        def answer(_: Reader, journal: Journal) -> list[Glue]:
            gone = [one for one in journal.glues.values() if not one.here]
            return sorted(gone, key=lambda one: -(one.discarded_ms or 0))[:limit]

        return self._ask(answer)

    def glue(self, glue_id: str) -> Glue | None:
        """A batch with its history."""
        return self._ask(lambda _, journal: journal.glues.get(glue_id))

    def labels(self) -> dict[str, str]:
        """Label of every batch, by its id."""
        return self._ask(lambda _, journal: {one.id: one.label for one in journal.glues.values()})

    def joints(self) -> list[WaitType]:
        """The wait types of joints."""
        return self._ask(lambda _, journal: joint_kinds(journal.book.values()))

    def may_glue(self, question: GlueQuestion, instrument_id: str = "") -> GlueNow:
        """The answer for a joint now.

        Raises
        ------
        Rejected
            If the question cannot be.
        """

        def answer(reader: Reader, journal: Journal) -> GlueNow:
            settings, now = self._shop.settings, now_ms()
            wood = None
            one = journal.instruments.get(instrument_id)
            if one is not None and one.here:
                (found,) = instrument_statuses(reader, settings, [one], now)
                temp_c = instrument_temp_c(reader, settings, one, now)
                wood = WoodNow(one.reference, one.place, found.answer, found.why_not, temp_c)
            return glue_now(reader, settings, journal, question, now, wood)

        return self._ask(
            lambda reader, journal: self._answers.get(
                (question, instrument_id, journal.version), lambda: answer(reader, journal)
            )
        )
