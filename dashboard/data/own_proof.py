"""Queries of the pages about own proof: the experiments, and their results so far."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.science.waits.glue import GlueLaw
from monitor.waits.lap_times import release_words
from monitor.waits.proof_evaluation import ProofResult, result

if TYPE_CHECKING:
    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import Reader, ShopData
    from monitor.commands import Journal
    from monitor.domain.own_proof import Proof
    from monitor.domain.wait_types import WaitType


class ProofQueries:
    """The experiments of a shop. Shared by all threads."""

    def __init__(self, shop: ShopData, kept: CachedJournal) -> None:
        self._ask, self._settings = kept.ask, shop.settings

    def all(self) -> list[Proof]:
        """Every experiment, the last started in front."""
        return self._ask(lambda _, journal: list(journal.proofs.values())[::-1])

    def proof(self, proof_id: str) -> Proof | None:
        """An experiment with its history."""
        return self._ask(lambda _, journal: journal.proofs.get(proof_id))

    def joints(self) -> list[WaitType]:
        """Wait types whose time and hold an experiment can prove."""

        def answer(_: Reader, journal: Journal) -> list[WaitType]:
            kinds = journal.book.values()
            return [one for one in kinds if isinstance(one.law, GlueLaw) and one.spread]

        return self._ask(answer)

    def release_words(self, proof: Proof) -> str:
        """Times to release laps that are glued now, as a sentence; "" where they are not known."""
        return self._ask(
            lambda reader, journal: release_words(reader, self._settings, journal, proof, now_ms())
        )

    def result(self, proof: Proof) -> tuple[ProofResult, str]:
        """Result so far, and why there is none if the measurements cannot be."""

        def answer(reader: Reader, _: Journal) -> tuple[ProofResult, str]:
            try:
                return result(reader, proof), ""
            except Rejected as exc:
                return ProofResult(), f"{exc}."

        return self._ask(answer)
