"""Commands on alerts and their rules, humidifiers, their tanks, and cautions that were read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, ClassVar, get_args

from msgspec import Meta

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, OutOfRange, Rejected, range_fault
from monitor.core.units import VOLUMES_L, litres
from monitor.core.validation import LINE, Request
from monitor.domain.alerts import alert, rule_registry
from monitor.domain.alerts.alert import AlertRequest
from monitor.domain.alerts.rule_registry import RuleRequest, SetRule
from monitor.domain.events import About
from monitor.domain.humidifier import HumidifierRequest
from monitor.domain.places import AirLimits, Kind

FILLED, PUT_AWAY = "filled", "put away"
AMOUNT_L = (0.02, 100.0)
"""Least and most water that can be filled into a tank at once. [L]  Ours."""

Line = Annotated[str, Meta(max_length=60, extra=LINE)]


class FillReservoir(Request, frozen=True, kw_only=True, tag=FILLED):
    """Note that a humidifier's tank was filled, and with how much if that was measured."""

    about: ClassVar[str] = About.RESERVOIR
    key: ClassVar[str] = "reservoir"
    reservoir: str
    amount: str = ""


class PutAwayCaution(Request, frozen=True, kw_only=True, tag=PUT_AWAY):
    """Note that a caution was read and hidden, and on which page."""

    about: ClassVar[str] = About.CAUTION
    key: ClassVar[str] = "caution"
    caution: Annotated[Line, Meta(min_length=1)]
    where: Line = ""


REQUESTS = (FillReservoir, PutAwayCaution)


def decide_alert(command: Command[AlertRequest]) -> Decision:
    """Carry out a request on an alert."""
    alert_id = command.request.alert
    found = command.journal.alerts.get(alert_id)
    if found is None:
        raise Rejected(f"there is no alert {alert_id[:40]!r}")
    body = alert.decide(found, command.request, command.now_ms)
    return Decision([command.event(alert_id, body)], {"alert": alert_id})


class DecideRule:
    """Carries out requests on rules. The starting set has the shop's limits in it; `places` are the
    ids of the places there are, for which alone a rule can be, besides their kinds."""

    def __init__(
        self, limits: AirLimits, places: Callable[[], Iterable[str]] | None = None
    ) -> None:
        self._limits, self._places = limits, places

    def __call__(self, command: Command[RuleRequest]) -> Decision:
        request, own = command.request, command.journal.rules
        body = {}
        if isinstance(request, SetRule):
            rule = rule_registry.changed(rule_registry.in_use(self._limits, own), request)
            known = {*get_args(Kind), *(self._places() if self._places else rule.only)}
            if unknown := sorted(set(rule.only) - known):
                allowed = f"one of {', '.join(sorted(known))}"
                raise Rejected(Fault("", "only", ", ".join(unknown), allowed))
            body = rule_registry.as_mapping(rule)
        elif request.rule not in own:
            raise Rejected(f"rule {request.rule[:40]!r} has no changes to undo")
        return Decision([command.event(request.rule, body)], {"rule": request.rule})


class DecideReservoir:
    """Carries out requests on the reservoirs of the settings."""

    def __init__(self, known: Mapping[str, object]) -> None:
        self._known = known

    def __call__(self, command: Command[FillReservoir]) -> Decision:
        name, amount = command.request.reservoir, command.request.amount
        if name not in self._known:
            known = ", ".join(self._known) or "none is in the settings"
            raise Rejected(f"there is no tank {name[:40]!r}: {known}")
        body = {}
        if amount:
            try:
                body["amount_l"] = litres(amount, *AMOUNT_L)
            except OutOfRange as exc:
                raise Rejected(range_fault("amount", amount, exc.low, exc.high, exc.unit)) from exc
            except ValueError as exc:
                units = ", ".join(VOLUMES_L)
                allowed = (
                    f"an amount of water such as 1.5 L, in {units}; fl oz, qt and gal as in the US"
                )
                raise Rejected(Fault("", "amount", amount, allowed)) from exc
        return Decision([command.event(name, body)], {"reservoir": name})


def decide_humidifier(command: Command[HumidifierRequest]) -> Decision:
    """Carry out an answer to the question whether a place has a humidifier."""
    place = command.request.place
    return Decision([command.event(place, {})], {"humidifier": place})


def decide_caution(command: Command[PutAwayCaution]) -> Decision:
    """Carry out a request on a caution: only the journal keeps it."""
    caution = command.request.caution
    return Decision(
        [command.event(caution, {"where": command.request.where})], {"caution": caution}
    )
