"""The evaluation cycle of each minute: evaluate the shop, raise and end alerts, publish states.

The slow part (the air, the waits, the wood, the brief) is worked out first. Alerts are then decided
and written in one transaction, with the notices that follow.
"""

from __future__ import annotations

import gc
import logging
import time
from collections import Counter
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from monitor.air.kept_looks import KeptLooks
from monitor.alerting import daily_digest, messages, observations
from monitor.alerting.notifications import sender
from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Journal
from monitor.core import clock
from monitor.core.errors import Rejected, StoreUnavailable
from monitor.core.measurements import BY_HAND, Quantity
from monitor.domain.alerts import rule_registry, state_machine
from monitor.domain.alerts.alert import AlertAction
from monitor.domain.events import Event
from monitor.domain.notification import Notice
from monitor.domain.own_proof import ProofState
from monitor.domain.shop_state import ShopState, matters
from monitor.outlook.kept_outlooks import KeptOutlooks
from monitor.planning import present
from monitor.planning.words import Names, last_start_sentences
from monitor.runtime.heartbeat import Round
from monitor.service.state_publisher import StatePublisher
from monitor.store import Reader, Writer, journal, outbox, rule_states, shop_states
from monitor.store.kept_rollups import KeptRollups
from monitor.waits.evaluation import WaitStatus, counting
from monitor.waits.proof_evaluation import result
from monitor.wood.evaluation import InstrumentStatus, instrument_statuses

if TYPE_CHECKING:
    from monitor.alerting.notifications.phones import Phones
    from monitor.domain.alerts.rule import Rule
    from monitor.domain.own_proof import Proof
    from monitor.settings import Settings

log = logging.getLogger(__name__)

UNWRITABLE_MS = 120_000
"""Alerts that cannot be stored for this long are reported. [ms]"""
WOOD_MS = 600_000
"""Cached lifetime of a wood evaluation. [ms]"""


class EvaluationCycle:
    """Evaluates the whole shop once a minute. For one thread.

    Parameters
    ----------
    reader : Reader
        Its own.
    writer : Writer
        The service's.
    publisher : StatePublisher
    troubles : callable
        The service's own troubles now.
    on_notice : callable
        Called when something is in the outbox.
    phones : Phones, optional
        Phones that get notices.
    """

    def __init__(
        self,
        settings: Settings,
        reader: Reader,
        writer: Writer,
        publisher: StatePublisher,
        troubles: Callable[[], ServiceTroubles],
        on_notice: Callable[[], None],
        phones: Phones | None = None,
    ) -> None:
        self._phones = phones
        self._settings, self._reader = settings, reader
        self._writer = writer
        self._publisher, self._troubles, self._on_notice = publisher, troubles, on_notice
        self._journal = Journal(reader)
        self._outlooks, self._looks = KeptOutlooks(settings), KeptLooks(KeptRollups())
        self._woods: tuple[int, int, list[InstrumentStatus]] | None = None
        self._unwritable_since_ms: int | None = None
        self._log_from_ms: int | None = None
        self._reported = False
        self._proof_troubles: dict[tuple[str, int], str] = {}
        self.last: Round | None = None
        """What the last round found."""
        self.rounds, self.rounds_s = 0, 0.0
        """Number of rounds since the start, and their duration in all. [-], [s]"""
        self.moved_s = time.monotonic()
        """When a round last began or ended, by the steady clock. [s]"""

    def run(self, now_ms: int) -> None:
        """Evaluate everything once. [ms since 1970-01-01 UTC]"""
        self.moved_s = began_s = time.monotonic()
        collecting = gc.isenabled()
        gc.disable()  # it would look at each place's values again and again, and find no garbage
        try:
            self._run(now_ms, began_s)
        finally:
            if collecting:
                gc.enable()
            self.moved_s = time.monotonic()
            self.rounds += 1
            self.rounds_s += self.moved_s - began_s

    def _run(self, now_ms: int, began_s: float) -> None:
        try:
            self._writer.connection.check_lease()  # before a state is published
        except StoreUnavailable as exc:
            log.debug("lease cannot be checked reason=%s", exc)
        self._journal.refresh()
        waits = self._journal.waits.values()
        found = counting(self._reader, self._settings, waits, now_ms)
        self._publisher.publish_waits(waits, found, now_ms)
        self._publish_repairs(now_ms)
        woods = self._wood(now_ms)
        sight = observations.snapshot(
            self._reader,
            self._settings,
            self._journal,
            found,
            woods,
            self._troubles(),
            now_ms,
            kept=self._outlooks,
            looks=self._looks,
            last_starts=last_start_sentences(
                present.last_starts(self._reader, self._settings, now_ms),
                self._journal,
                now_ms,
                self._settings.zone,
            ),
        )
        try:
            self._update_alerts(sight, now_ms)
            self._brief(found, now_ms)
            self._keep_state(sight)
        except StoreUnavailable as exc:
            self._report_unwritable(str(exc), now_ms)
            return
        self._unwritable_since_ms, self._reported = None, False
        self._publisher.publish_alerts(self._journal.alerts.values())
        self.last = self._report(sight, time.monotonic() - began_s)

    def _keep_state(self, sight: observations.Snapshot) -> None:
        """Keep the shop's state in a store on a server, where an overview of shops may read it."""
        now_ms = sight.now_ms
        if not isinstance(self._settings.store_address, str):
            return
        named, counts = matters(self._journal.alerts.values())
        heard = [one.heard_ms for one in sight.sensors if one.sensor != BY_HAND]
        state = ShopState(
            name=self._settings.shop.name,
            made_ms=now_ms,
            matters=named,
            alerts=counts,
            waits=sum(one.wait.open for one in sight.statuses),
            ready=sum(one.ready for one in sight.statuses),
            places=len(sight.airs),
            without_air=sum(one.old or one.heard_ms is None for one in sight.airs),
            newest_ms=max(heard, default=None),
        )
        with self._writer.connection.transaction() as run:
            shop_states.keep(run, state)

    def _report(self, sight: observations.Snapshot, took_s: float) -> Round:
        """Report of this round for programs that watch the service."""
        waiting = outbox.tally(self._reader).values()
        alerts = Counter(one.urgency for one in self._journal.alerts.values() if one.open)
        proofs = [p for p in self._journal.proofs.values() if p.state is ProofState.RUNNING]
        heard = [one.heard_ms for one in sight.sensors if one.sensor != BY_HAND]
        outlook_ms = self._outlooks.newest()
        if self._log_from_ms is None and not outlook_ms:
            self._log_from_ms = self._first_reading_ms(sight)
        return Round(
            ended_ms=clock.now_ms(),
            took_s=round(took_s, 3),
            waits=sum(wait.open for wait in self._journal.waits.values()),
            alerts=dict(alerts),
            outbox_waiting=sum(one.waiting for one in waiting),
            outbox_failing=sum(one.failing for one in waiting),
            outbox_oldest_ms=min((one.oldest_ms for one in waiting if one.failing), default=None),
            proofs=len(proofs),
            proof_trouble=next(filter(None, map(self._proof_trouble, proofs)), ""),
            outlook_ms=outlook_ms // 1_000_000 or None,
            log_from_ms=self._log_from_ms,
            outlook_apart=not self._settings.outlook.processes,
            newest_ms=max(heard, default=None),
        )

    def _first_reading_ms(self, sight: observations.Snapshot) -> int | None:
        """Time of the first reading of humidity indoors; None before it. [ms]"""
        indoors = {
            air.place.id for air in sight.airs if air.place.kind != "outdoors" and not air.old
        }
        found = (
            self._reader.span(series_id)
            for series, series_id in self._reader.series().items()
            if series.place in indoors
            and series.quantity is Quantity.HUMIDITY
            and series.sensor != BY_HAND
        )
        return min((span[0] for span in found if span is not None), default=None)

    def _proof_trouble(self, proof: Proof) -> str:
        """Reason why the result of a running experiment cannot be calculated; it is tried once for
        each new measurement."""
        key = (proof.id, proof.version)
        if key not in self._proof_troubles:
            self._proof_troubles = {
                k: v for k, v in self._proof_troubles.items() if k[0] != key[0]
            }
            try:
                result(self._reader, proof)
                self._proof_troubles[key] = ""
            except Rejected as exc:
                self._proof_troubles[key] = str(exc)
        return self._proof_troubles[key]

    def _publish_repairs(self, now_ms: int) -> None:
        repairs = self._journal.repairs.values()
        if repairs:
            plan = present.read(self._settings)
            plan = plan if plan is not None and plan.fresh(now_ms) else None
            self._publisher.publish_repairs(repairs, Names(self._journal), plan, now_ms)

    def _report_unwritable(self, reason: str, now_ms: int) -> None:
        """Send one notice directly when the store cannot be written: it cannot store an alert either."""
        log.warning("alerts cannot be stored reason=%s", reason)
        since = self._unwritable_since_ms
        self._unwritable_since_ms = now_ms if since is None else since
        if since is None or self._reported or now_ms - since < UNWRITABLE_MS:
            return
        self._reported = True
        notice = Notice(
            f"store-{since}",
            now_ms,
            now_ms,
            3,
            "Readings cannot be stored. Make room on the disk.",
            f"Alerts cannot be stored either, so this notice is sent once only.\n{reason}",
        )
        for channel in self._settings.channels:
            if channel.takes(notice.urgency):
                try:
                    sender.send(channel.url.get_secret_value(), notice)
                except sender.NotSent as exc:
                    log.error("notice not sent channel=%s reason=%s", channel.id, exc)

    def _wood(self, now_ms: int) -> list[InstrumentStatus]:
        here = [one for one in self._journal.instruments.values() if one.here]
        version = sum(one.version for one in self._journal.instruments.values())
        kept = self._woods
        if kept is None or kept[0] != version or not 0 <= now_ms - kept[1] < WOOD_MS:
            kept = (
                version,
                now_ms,
                instrument_statuses(self._reader, self._settings, here, now_ms),
            )
            self._woods = kept
        return kept[2]

    def _update_alerts(self, sight: observations.Snapshot, now_ms: int) -> None:
        """Decide one step of the alerts and write it with the notices it makes.

        If a command changed something before it could be written, it is decided again.
        """
        while not self._stepped(sight, now_ms):
            log.debug("alerts decided again: the journal has grown")

    def _stepped(self, sight: observations.Snapshot, now_ms: int) -> bool:
        """Try `_update_alerts` once. Returns False if the journal has grown meanwhile."""
        self._journal.refresh()
        known = self._journal.alerts
        rules = rule_registry.in_use(self._settings.limits, self._journal.rules)
        before = rule_states.read(self._writer)
        step = state_machine.step(
            rules.values(),
            before,
            [alert for alert in known.values() if alert.open],
            observations.observe(rules.values(), sight),
            now_ms,
            1 + max((int(i) for i in known), default=0),
            quiet=self._quiet(now_ms),
        )
        if not step.events and step.states == before:
            return True
        breaks = {rule.id: rule.breaks_quiet for rule in rules.values()}
        sent = messages.notices(step.events, known, self._settings, now_ms, breaks)
        withdrawn = self._withdrawn(step.events, rules, now_ms)
        with self._writer.connection.transaction() as run:
            if journal.last(run) != self._journal.version:
                return False
            journal.append(run, _with_notices(step.events, sent))
            rule_states.keep(run, before, step.states)
            for one in sent:
                outbox.add(run, [one.notice], self._channels(one.notice.urgency))
            outbox.withdraw(run, withdrawn, now_ms)
        self._journal.refresh()
        if sent:
            self._on_notice()
        return True

    def _withdrawn(self, events: Sequence[Event], rules: dict[str, Rule], now_ms: int) -> set[str]:
        """Unsent notices of the night whose alerts have ended; the morning brief has them."""
        if not self._quiet(now_ms):
            return set()
        known = self._journal.alerts
        over = {event.subject for event in events if event.action == AlertAction.CLEAR}
        still_open = {a.notice for a in known.values() if a.open and a.id not in over}
        ended = {
            known[i].notice
            for i in over
            if not (known[i].rule in rules and rules[known[i].rule].breaks_quiet)
        }
        return ended - still_open - {""}

    def _brief(self, found: Sequence[WaitStatus], now_ms: int) -> None:
        """Put the morning's brief into the outbox, once."""
        channels = [channel.id for channel in self._settings.channels if channel.brief]
        channels += self._phones.channels() if self._phones else []
        notice_id = daily_digest.due(self._settings, now_ms)
        if not channels or notice_id is None or outbox.known(self._writer, notice_id):
            return
        notice = daily_digest.brief(
            self._reader, self._settings, self._journal, found, notice_id, now_ms
        )
        with self._writer.connection.transaction() as run:
            outbox.add(run, [notice], channels)
        self._on_notice()

    def _quiet(self, now_ms: int) -> bool:
        return self._settings.quiet_until(now_ms) is not None

    def _channels(self, urgency: int) -> list[str]:
        of_settings = [one.id for one in self._settings.channels if one.takes(urgency)]
        return of_settings + (self._phones.channels(urgency) if self._phones else [])


def _with_notices(events: Sequence[Event], sent: Sequence[messages.Message]) -> list[Event]:
    """The events, each with the id of its notice."""
    ids = {
        (event.subject, event.action): one.notice.notice_id for one in sent for event in one.events
    }
    return [
        event._replace(body={**event.body, "notice": ids[event.subject, event.action]})
        if (event.subject, event.action) in ids
        else event
        for event in events
    ]
