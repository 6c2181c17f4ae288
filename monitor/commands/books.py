"""The shop's books: what the journal makes of waits, kinds, instruments, rules and alerts."""

from __future__ import annotations

from monitor import kind_book, waits
from monitor.events import About, Event
from monitor.kinds import KINDS, Kind
from monitor.science.waits.learning import Evidence, Learned, Prior, Verdict, learn
from monitor.store import Reader, Writer, journal
from monitor.waits import Feel, Wait

_FEEL = {
    Feel.SOFT: Verdict.SOFT,
    Feel.RIGHT: Verdict.RIGHT,
    Feel.LONG_BEFORE: Verdict.LONG_BEFORE,
}


class Journal:
    """The books as the journal has them; `refresh` takes in what was added since."""

    def __init__(self, store: Reader | Writer) -> None:
        self._store = store
        self._last = 0
        self.waits: dict[str, Wait] = {}
        self.book: dict[str, Kind] = dict(KINDS)
        self.refresh()

    def refresh(self) -> None:
        new, self._last = journal.events(self._store, self._last)
        for event in new:
            self._apply(event)

    def _apply(self, event: Event) -> None:
        match event.about:
            case About.WAIT:
                self.waits[event.subject] = waits.apply(self.waits.get(event.subject), event)
            case About.KIND:
                self.book = kind_book.apply(self.book, event)

    def learned(self, kind_id: str) -> Learned | None:
        """What the releases of a kind have taught of its basis; None where nothing can be learned."""
        kind = self.book.get(kind_id)
        if kind is None or not kind.spread:
            return None
        evidence = [
            Evidence(_FEEL[wait.feel], wait.equivalent_s)
            for wait in self.waits.values()
            if wait.kind["id"] == kind_id and wait.feel is not None and wait.equivalent_s
        ]
        return learn(Prior(kind.basis_s, kind.spread, kind.minimum_s), evidence)
