"""Queries of the pages about instruments: wood status, stay, those handed out.

How an instrument stands costs about a tenth of a second, so it is worked out again only when the
journal has more of any instrument or the answer is `FRESH_MS` old, once for all who look.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.data.journal import SharedAnswers
from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.domain.instrument import id_of
from monitor.planning.step_check import closing_statuses
from monitor.science.waits.air_ensemble import AirEnsemble
from monitor.wood.evaluation import InstrumentStatus, wood_ahead, wood_history

if TYPE_CHECKING:
    from dashboard.data.journal import CachedJournal
    from dashboard.data.outlook import OutlookQueries
    from dashboard.data.shop import Reader, ShopData
    from monitor.domain.instrument import Instrument
    from monitor.domain.wait import Wait
    from monitor.outlook.summary import PlaceOutlook
    from monitor.science.plates.history import MoistureHistory
    from monitor.science.plates.projection import PlatesProjection

HOUR_S = 3600.0
FRESH_MS = 60_000
"""Cached lifetime of the status of the wood, if nothing was done. [ms]"""


class WoodQueries:
    """The instruments of a shop, as its journal and its air have them. Shared by all threads."""

    def __init__(
        self, shop: ShopData, kept: CachedJournal, coming: OutlookQueries | None = None
    ) -> None:
        self._shop = shop
        self._coming = coming
        self._ask = kept.ask
        self._statuses: SharedAnswers[list[InstrumentStatus]] = SharedAnswers(kept, FRESH_MS)
        self._ahead: SharedAnswers[list[tuple[Instrument, PlatesProjection]]] = SharedAnswers(
            kept, None
        )

    def statuses(self) -> list[InstrumentStatus]:
        """Wood status of each instrument in the shop, the furthest from home moisture in front."""

        def answer(reader: Reader, journal: Journal) -> list[InstrumentStatus]:
            here = [one for one in journal.instruments.values() if one.here]
            found = closing_statuses(reader, self._shop.settings, journal, here, now_ms())
            return sorted(found, key=lambda one: (-off_pct(one), one.instrument.arrived_ms))

        def known(reader: Reader, journal: Journal) -> list[InstrumentStatus]:
            waits = sum(one.version for one in journal.waits.values() if one.instrument)
            return self._statuses.get((_grown(journal), waits), lambda: answer(reader, journal))

        return self._ask(known)

    def status(self, instrument_id: str) -> InstrumentStatus | None:
        """Wood status of one instrument; None if no such one is in the shop."""
        return next((s for s in self.statuses() if s.instrument.id == instrument_id), None)

    def instrument(self, instrument_id: str) -> Instrument | None:
        """An instrument with its history, in the shop or not."""
        return self._ask(lambda _, journal: journal.instruments.get(instrument_id))

    def here(self) -> list[Instrument]:
        """Instruments in the shop, the last to arrive in front."""

        def answer(_: Reader, journal: Journal) -> list[Instrument]:
            found = [one for one in journal.instruments.values() if one.here]
            return sorted(found, key=lambda one: -one.arrived_ms)

        return self._ask(answer)

    def left(self, limit: int) -> list[Instrument]:
        """Instruments handed out last, newest first."""

        def answer(_: Reader, journal: Journal) -> list[Instrument]:
            gone = [one for one in journal.instruments.values() if not one.here]
            return sorted(gone, key=lambda one: -(one.left_ms or 0))[:limit]

        return self._ask(answer)

    def history(self, instrument: Instrument) -> MoistureHistory | None:
        """The moisture of its parts over its stay; None if none of its air is known."""
        return self._ask(lambda reader, _: wood_history(reader, instrument, now_ms()))

    def ahead(self, one: PlaceOutlook) -> list[tuple[Instrument, PlatesProjection]]:
        """Effect of a place's outlook on the instruments there, the most strained first."""

        def answer(reader: Reader, journal: Journal) -> list[tuple[Instrument, PlatesProjection]]:
            coming = AirEnsemble(one.look.start_ms, HOUR_S, *one.look.air)
            here = [e for e in journal.instruments.values() if e.here and e.place == one.place.id]
            found = [(e, wood_ahead(reader, e, coming, now_ms())) for e in here]
            known = [(e, its) for e, its in found if its is not None and its.parts]
            return sorted(known, key=lambda item: -item[1].parts[0].yield_share)

        return self._ask(
            lambda reader, journal: self._ahead.get(
                (one.place.id, one.look.made_ms, _grown(journal)), lambda: answer(reader, journal)
            )
        )

    def outlook_and_plates(
        self, instrument: Instrument
    ) -> tuple[PlaceOutlook, PlatesProjection] | None:
        """The outlook of its place and what that does to it; None where there is none."""
        if self._coming is None or not instrument.here:
            return None
        place = next((p for p in self._coming.places() if p.id == instrument.place), None)
        one = self._coming.outlook_of(place) if place else None
        if one is None:
            return None
        found = next((its for each, its in self.ahead(one) if each.id == instrument.id), None)
        return None if found is None else (one, found)

    def waits(self, instrument: Instrument) -> list[Wait]:
        """The waits that name it, the newest first."""

        def answer(_: Reader, journal: Journal) -> list[Wait]:
            own = [w for w in journal.waits.values() if id_of(w.instrument) == instrument.id]
            return sorted(own, key=lambda wait: -wait.started_ms)

        return self._ask(answer)


def _grown(journal: Journal) -> int:
    """A number that rises whenever something was done to an instrument."""
    return sum(one.version for one in journal.instruments.values())


def off_pct(status: InstrumentStatus) -> float:
    """Distance from home moisture of an instrument's furthest part. [% MC]

    −1 where nothing can be said.
    """
    parts = status.answer.parts if status.answer else ()
    return max((abs(part.from_home_pct.median) for part in parts), default=-1.0)
