"""Queries of the pages about alerts: open and ended ones, the rules, and each value now.

What an open alert's rule sees just now costs a look at all the air, so it is kept until the journal
has grown or the answer is `FRESH_MS` old, once for all who look.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dashboard.data.journal import SharedAnswers
from monitor.alerting import observations
from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.domain.alerts import rule_registry
from monitor.domain.alerts.rule import Of
from monitor.domain.shop_clock import trouble_of
from monitor.planning import present
from monitor.planning.words import last_start_sentences
from monitor.runtime.service_troubles import broker_trouble

if TYPE_CHECKING:
    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import Reader, ShopData
    from dashboard.data.waits import WaitQueries
    from dashboard.data.wood import WoodQueries
    from monitor.domain.alerts.alert import Alert
    from monitor.domain.alerts.rule import Rule

MANY = 30
"""Most places that are looked at for values; of more, those of the gravest alerts."""
FRESH_MS = 10_000
"""Cached lifetime of the values that the rules of open alerts see. [ms]"""
Seen = dict[tuple[str, str], float]
"""A value by rule and subject, in the unit of the rule."""


class AlertQueries:
    """The alerts of a shop, as its journal has them. Shared by all threads."""

    def __init__(
        self, shop: ShopData, kept: CachedJournal, waits: WaitQueries, woods: WoodQueries
    ) -> None:
        self._shop = shop
        self._ask = kept.ask
        self._waits, self._woods = waits, woods
        self._seen: SharedAnswers[Seen] = SharedAnswers(kept, FRESH_MS)

    def open(self) -> list[Alert]:
        """The open alerts: the gravest first, of those what nobody has put to rest, then the newest."""

        def answer(_: Reader, journal: Journal) -> list[Alert]:
            now = now_ms()
            found = [one for one in journal.alerts.values() if one.open]
            return sorted(found, key=lambda one: (-one.urgency, one.rests(now), -one.raised_ms))

        return self._ask(answer)

    def calling(self) -> list[Alert]:
        """The open alerts that nobody has acknowledged or put off, the gravest first."""
        now = now_ms()
        return [alert for alert in self.open() if not alert.rests(now)]

    def over(self, since_ms: int) -> list[Alert]:
        """The alerts that ended since a moment, the last to end first. [ms]"""

        def answer(_: Reader, journal: Journal) -> list[Alert]:
            found = [a for a in journal.alerts.values() if (a.cleared_ms or 0) > since_ms]
            return sorted(found, key=lambda one: one.cleared_ms or 0, reverse=True)

        return self._ask(answer)

    def every(self) -> list[Alert]:
        """All alerts, open or not."""
        return self._ask(lambda _, journal: list(journal.alerts.values()))

    def alert(self, alert_id: str) -> Alert | None:
        """An alert with its journal, open or not."""
        return self._ask(lambda _, journal: journal.alerts.get(alert_id))

    def rules(self) -> dict[str, Rule]:
        """Every rule by id: the starting set, and over it the shop's own."""
        limits = self._shop.settings.limits
        return self._ask(lambda _, journal: rule_registry.in_use(limits, journal.rules))

    def changed(self) -> set[str]:
        """The ids of the rules that the shop has changed or added."""
        return self._ask(lambda _, journal: set(journal.rules))

    def filled_ms(self) -> dict[str, int]:
        """Time of each tank's last fill, by tank. [ms]"""
        return self._ask(lambda _, journal: dict(journal.filled_ms))

    def drying(self) -> dict[str, tuple[str, ...]]:
        """The open waits that give off solvent, by place."""
        return self._waits.drying()

    def values(self) -> Seen:
        """Values now by rule and subject, for the rules of open alerts; unknown ones left out.

        In a shop of many places only of the places of the gravest alerts, and not of rules that take
        all places together.
        """
        alerts, rules = self.open(), self.rules()
        only = None
        if len(self._shop.place_names()) > MANY:
            alerts = alerts[:MANY]
            rules = {i: rule for i, rule in rules.items() if not rule.together}
            only = {alert.subject.split("/")[0] for alert in alerts}
        needed = {alert.rule: rules[alert.rule] for alert in alerts if alert.rule in rules}
        if not needed:
            return {}
        of = {rule.of for rule in needed.values()}
        waits = self._waits.statuses() if Of.WAIT in of else []
        woods = self._woods.statuses() if Of.INSTRUMENT in of else []

        def answer(reader: Reader, journal: Journal) -> Seen:
            beat = self._shop.service_state().beat
            troubles = ServiceTroubles()
            if beat:
                broker = broker_trouble(beat.broker_trouble, beat.outage)
                clock = trouble_of(beat.clock)
                troubles = ServiceTroubles(broker, beat.store_trouble, clock, beat.backup_trouble)
            settings, at_ms = self._shop.settings, now_ms()
            sight = observations.snapshot(
                reader,
                settings,
                journal,
                waits,
                woods,
                troubles,
                at_ms,
                only,
                last_starts=last_start_sentences(
                    present.last_starts(reader, settings, at_ms), journal, at_ms, settings.zone
                ),
            )
            return {
                (rule_id, one.subject): one.value
                for rule_id, many in observations.observe(needed.values(), sight).items()
                for one in many
                if math.isfinite(one.value)
            }

        return self._ask(
            lambda reader, journal: self._seen.get(
                journal.version, lambda: answer(reader, journal)
            )
        )
