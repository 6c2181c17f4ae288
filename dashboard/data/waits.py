"""Queries of the pages about waits: states, finished ones, the types, the latest starts.

The journal is read on, never anew. How waits stand costs tenths of a second, so it is worked out
again only when the journal has grown or the answer is `FRESH_MS` old, once for all who look.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

from dashboard.data.journal import SharedAnswers
from monitor.commands import Journal
from monitor.commands.waits import wait_if_opened
from monitor.core.clock import now_ms
from monitor.core.steady_clock import cautious_ms
from monitor.domain.situation import drying
from monitor.domain.wait import OpenWait
from monitor.domain.wait_type_registry import from_mapping
from monitor.waits.evaluation import WaitStatus, counting_in_doubt, ready_by
from monitor.waits.starts import Starts, starts
from monitor.waits.why import WaitAccount, account

if TYPE_CHECKING:
    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import Reader, ShopData
    from monitor.domain.wait import Wait
    from monitor.domain.wait_types import WaitType
    from monitor.science.waits.latest_start import LatestStart
    from monitor.science.waits.learning import LearnedUsualTime

FRESH_MS = 10_000
"""Cached lifetime of the status of waits, if nothing was done to them. [ms]"""
PLAN_FRESH_MS = 60_000
"""Cached lifetime of an answer on latest starts. [ms]"""
STARTS_FRESH_MS = 20_000
"""Cached lifetime of the ready times of what could be started now. [ms]"""
ENDED_FRESH_MS = 600_000
"""The same of the account of a finished wait, whose air changes only by late readings. [ms]"""
PLANS_KEPT = 24
"""Most answers on latest starts that are kept."""


class ReadyByRequest(NamedTuple):
    """Request for the latest starts."""

    place: str
    wanted_ms: int
    warmer_k: float
    drier_pct: float


class StartRequest(NamedTuple):
    """Request for the ready times of what could be started: where, with which glue, since when."""

    places: tuple[str, ...]
    glue: str = ""
    start_ms: int | None = None


class WaitQueries:
    """The waits of a shop, as its journal and its air have them. Shared by all threads."""

    def __init__(self, shop: ShopData, kept: CachedJournal) -> None:
        self._shop = shop
        self._ask = kept.ask
        self._statuses: SharedAnswers[list[WaitStatus]] = SharedAnswers(kept, FRESH_MS)
        self._plans: SharedAnswers[dict[str, LatestStart | None]] = SharedAnswers(
            kept, PLAN_FRESH_MS, PLANS_KEPT
        )
        self._accounts: SharedAnswers[WaitAccount] = SharedAnswers(kept, FRESH_MS, PLANS_KEPT)
        self._ended: SharedAnswers[WaitAccount] = SharedAnswers(kept, ENDED_FRESH_MS, PLANS_KEPT)
        self._starts: SharedAnswers[Starts] = SharedAnswers(kept, STARTS_FRESH_MS, PLANS_KEPT)

    def statuses(self) -> list[WaitStatus]:
        """Status of each wait that counts, the first to be ready in front.

        While the clock is in doubt, only what was ready without its jump has a ready time.
        """
        jump = self._shop.doubted_jump()

        def answer(reader: Reader, journal: Journal) -> list[WaitStatus]:
            waits = journal.waits.values()
            found = counting_in_doubt(reader, self._shop.settings, waits, now_ms(), jump)
            return sorted(found, key=_order)

        def grown(journal: Journal) -> tuple[object, ...]:
            return jump, sum(wait.version for wait in journal.waits.values())

        return self._ask(
            lambda reader, journal: self._statuses.get(
                grown(journal), lambda: answer(reader, journal)
            )
        )

    def starts(self, asked: StartRequest) -> Starts:
        """Status of each kind at each place, if it were started; none while the clock is in
        doubt."""
        if self._shop.doubted_jump() is not None:
            return {}
        learned = tuple(self.bases().items())

        def answer(reader: Reader, journal: Journal) -> Starts:
            return starts(
                reader,
                self._shop.settings,
                journal,
                asked.places,
                now_ms(),
                glue=asked.glue if asked.glue in journal.glues else "",
                start_ms=asked.start_ms,
            )

        def key(journal: Journal) -> tuple[object, ...]:
            glue = journal.glues.get(asked.glue)
            return asked, learned, glue and glue.version, *journal.book.values()

        return self._ask(
            lambda reader, journal: self._starts.get(key(journal), lambda: answer(reader, journal))
        )

    def usual_places(self) -> dict[str, str]:
        """The place where each kind was opened last, by its id."""
        return self._ask(
            lambda _, journal: {
                str(wait.kind["id"]).partition(":")[0]: wait.places[0][1]
                for wait in _by_opening(journal)
            }
        )

    def recent_instruments(self, most: int) -> list[str]:
        """The instruments of the waits opened last, newest first."""

        def answer(_: Reader, journal: Journal) -> list[str]:
            named = (wait.instrument for wait in reversed(_by_opening(journal)))
            return list(dict.fromkeys(filter(None, named)))[:most]

        return self._ask(answer)

    def account(self, wait: Wait) -> WaitAccount:
        """Account of a wait: its lost time by cause."""
        jump = self._shop.doubted_jump()
        return self._ask(
            lambda reader, _: (self._accounts if wait.open else self._ended).get(
                (wait.id, wait.version, jump),
                lambda: account(reader, self._shop.settings, wait, cautious_ms(now_ms(), jump)),
            )
        )

    def drying(self) -> dict[str, tuple[str, ...]]:
        """The open waits that give off solvent, by place."""
        return self._ask(lambda _, journal: drying(journal.waits.values()))

    def status(self, wait_id: str) -> WaitStatus | None:
        """Status of one wait; None if it counts no more."""
        return next((s for s in self.statuses() if s.wait.id == wait_id), None)

    def wait(self, wait_id: str) -> Wait | None:
        """A wait with its history, open or not."""
        return self._ask(lambda _, journal: journal.waits.get(wait_id))

    def every(self) -> list[Wait]:
        """All waits, open or not."""
        return self._ask(lambda _, journal: list(journal.waits.values()))

    def finished(self, limit: int) -> list[Wait]:
        """The waits released last, newest first."""

        def answer(_: Reader, journal: Journal) -> list[Wait]:
            done = [wait for wait in journal.waits.values() if not wait.open]
            return sorted(done, key=lambda wait: wait.released_ms or 0, reverse=True)[:limit]

        return self._ask(answer)

    def kinds(self) -> list[WaitType]:
        """The kinds in use, the most used first."""

        def answer(_: Reader, journal: Journal) -> list[WaitType]:
            used = Counter(wait.kind["id"] for wait in journal.waits.values())
            return sorted(journal.book.values(), key=lambda kind: -used[kind.id])

        return self._ask(answer)

    def kind(self, kind_id: str) -> WaitType | None:
        return self._ask(lambda _, journal: journal.book.get(kind_id))

    def retired(self) -> dict[str, WaitType]:
        """The kinds that were taken off the list, by id."""
        return self._ask(lambda _, journal: journal.retired)

    def learned(self, kind_id: str) -> LearnedUsualTime | None:
        """Usual time learned from the releases of a type; None where nothing can be learned."""
        return self._ask(lambda _, journal: journal.learned(kind_id))

    def taught(self, wait: Wait) -> tuple[float, float] | None:
        """Usual time of new waits before and after the answer on a wait; None without one. [s]"""
        return self._ask(lambda _, journal: journal.taught(wait))

    def bases(self) -> dict[str, float]:
        """The basis a new wait of each kind gets, by its id: what releases have taught counts. [s]"""

        def answer(_: Reader, journal: Journal) -> dict[str, float]:
            found = {kind.id: kind.basis_s for kind in journal.book.values()}
            for kind_id in found:
                taught = journal.learned(kind_id)
                if taught is not None and taught.evidence:
                    found[kind_id] = taught.used_s
            return found

        return self._ask(answer)

    def ready_by(self, plan: ReadyByRequest) -> dict[str, LatestStart | None]:
        """The latest start of each kind, as it would be opened, by its id; None where the coming air
        is not known."""
        learned = tuple(self.bases().items())

        def answer(reader: Reader, journal: Journal) -> dict[str, LatestStart | None]:
            now = now_ms()
            asked = (OpenWait(kind=kind, place=plan.place) for kind in journal.book)
            kinds = [from_mapping(wait_if_opened(journal, one, now).kind) for one in asked]
            starts = ready_by(
                reader,
                self._shop.settings,
                kinds,
                plan.place,
                now,
                plan.wanted_ms,
                warmer_k=plan.warmer_k,
                drier_pct=plan.drier_pct,
            )
            return {kind.id: one for kind, one in zip(kinds, starts, strict=True)}

        return self._ask(
            lambda reader, journal: self._plans.get(
                (plan, learned, *journal.book.values()), lambda: answer(reader, journal)
            )
        )


def _order(status: WaitStatus) -> tuple[int, int]:
    """Sort key by ready time; waits without one come last, by their start."""
    found = status.readiness
    if found is None or found.ready_ms is None:
        return 1, status.wait.started_ms
    return 0, found.ready_ms


def _by_opening(journal: Journal) -> list[Wait]:
    """Every wait, the one opened last at the end."""
    return sorted(journal.waits.values(), key=lambda wait: wait.events[0].recorded_ms)
