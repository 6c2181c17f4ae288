"""The rules a shop starts with, each with its reason, where it comes from, and what to do now."""

from __future__ import annotations

from monitor.domain.alerts.air_rules import air_rules, mould_rules, varnish_rules
from monitor.domain.alerts.outlook_rules import outlook_rules
from monitor.domain.alerts.rule import Rule
from monitor.domain.alerts.service_rules import sensors_rules, shop_rules
from monitor.domain.alerts.work_rules import glue_rules, repair_rules, waits_rules, wood_rules
from monitor.domain.places import AirLimits


def starting_set(limits: AirLimits) -> dict[str, Rule]:
    """The starting rules by id, with the shop's own limits in them."""
    rules = (
        *air_rules(limits),
        *outlook_rules(),
        *varnish_rules(limits),
        *mould_rules(),
        *wood_rules(),
        *waits_rules(),
        *glue_rules(),
        *repair_rules(),
        *sensors_rules(),
        *shop_rules(),
    )
    return {rule.id: rule for rule in rules}
