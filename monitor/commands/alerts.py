"""Commands on alerts and on the rules they come of, on reservoirs, and on cautions put away."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import get_args

from monitor.commands.request import CommandFault, Decision, Request
from monitor.core.errors import OutOfRange
from monitor.core.measurements import text_fault
from monitor.core.units import litres
from monitor.domain.alerts import alert, rule_registry
from monitor.domain.alerts.alert import HANDS, AlertAction, AlertFault
from monitor.domain.alerts.rule import RuleFault
from monitor.domain.places import AirLimits, Kind

FILLED, PUT_AWAY = "filled", "put away"


def of_alerts(asked: Request) -> Decision:
    if asked.do not in HANDS:
        raise CommandFault(f"do = {asked.do!r:.40}: must be one of {', '.join(HANDS)}")
    alert_id = asked.id_of("alert")
    found = asked.journal.alerts.get(alert_id)
    if found is None:
        raise AlertFault(f"there is no alert {alert_id[:40]!r}")
    body = alert.decide(found, AlertAction(asked.do), asked.rest("alert"), asked.now_ms)
    return Decision([asked.event(alert_id, body)], {"alert": alert_id})


class OfRules:
    """Changes rules. The starting set has the shop's limits in it; `places` are the ids of the
    places there are, for which alone a rule can be, besides their kinds."""

    def __init__(
        self, limits: AirLimits, places: Callable[[], Iterable[str]] | None = None
    ) -> None:
        self._limits, self._places = limits, places

    def __call__(self, asked: Request) -> Decision:
        rule_id = asked.id_of("rule")
        own = asked.journal.rules
        book = rule_registry.in_use(self._limits, own)
        if asked.do == rule_registry.SET:
            rule = rule_registry.changed(book, rule_id, asked.rest("rule"))
            known = {*get_args(Kind), *(self._places() if self._places else rule.only)}
            if unknown := sorted(set(rule.only) - known):
                raise RuleFault(
                    f"only: there is no place {', '.join(unknown)}: {', '.join(sorted(known))}"
                )
            return Decision(
                [asked.event(rule_id, rule_registry.as_mapping(rule))], {"rule": rule_id}
            )
        if asked.do != rule_registry.RESET:
            words = f"{rule_registry.SET}, {rule_registry.RESET}"
            raise CommandFault(f"do = {asked.do!r:.40}: must be one of {words}")
        if rule_id not in own:
            raise RuleFault(f"{rule_id!r:.40} is not changed: there is nothing to give up")
        return Decision([asked.event(rule_id, {})], {"rule": rule_id})


AMOUNT_L = (0.02, 100.0)
"""What may be filled into a tank at once. [L]  Ours."""


class OfReservoirs:
    """Notes that a humidifier was filled, and with how much, `amount`, if that was measured. Only
    those of the settings are known."""

    def __init__(self, known: Mapping[str, object]) -> None:
        self._known = known

    def __call__(self, asked: Request) -> Decision:
        if asked.do != FILLED:
            raise CommandFault(f"do = {asked.do!r:.40}: must be {FILLED}")
        named = asked.id_of("reservoir")
        if named not in self._known:
            known = ", ".join(self._known) or "none is in the settings"
            raise CommandFault(f"there is no reservoir {named[:40]!r}: {known}")
        if unknown := sorted(set(asked.wish) - {"reservoir", "amount"}):
            raise CommandFault(f"{FILLED} knows no {', '.join(unknown)}")
        body = {}
        if (amount := asked.wish.get("amount")) not in (None, ""):
            try:
                body["amount_l"] = litres(amount, *AMOUNT_L)
            except (OutOfRange, ValueError) as exc:
                raise CommandFault(f"amount: {exc}") from exc
        return Decision([asked.event(named, body)], {"reservoir": named})


def of_cautions(asked: Request) -> Decision:
    """A caution was read and put away: that is noted, with where."""
    if asked.do != PUT_AWAY:
        raise CommandFault(f"do = {asked.do!r:.40}: must be {PUT_AWAY}")
    caution = asked.id_of("caution")
    where = asked.wish.get("where", "")
    for name, text in (("caution", caution), ("where", where)):
        if fault := text_fault(text, 60):
            raise CommandFault(f"{name} {fault}")
    if not caution:
        raise CommandFault("caution is empty")
    return Decision([asked.event(caution, {"where": where})], {"caution": caution})
