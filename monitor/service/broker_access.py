"""The service's broker, its way to it, and what accounts may publish and read there."""

from __future__ import annotations

from dataclasses import replace

from monitor.domain.topic_rules import AGENT_FILTER, COMMAND_FILTER, FORECAST_FILTER
from monitor.mqtt.accounts import AccessRules
from monitor.mqtt.client import Address, shared
from monitor.mqtt.embedded_broker import EmbeddedBroker, ingest_account
from monitor.readings.payload import Contract
from monitor.service.state_publisher import ALERTS_TOPIC, REPAIR_FILTER, STATE_FILTER
from monitor.settings import Settings
from monitor.settings.shop_broker import broker_address, embedded_broker, group


def broker_and_way(
    settings: Settings, contract: Contract
) -> tuple[EmbeddedBroker | None, Address]:
    """Our own broker, unless an outside one is set, and the ingest's way to it."""
    address = broker_address(settings)
    if settings.broker.url:
        return None, address
    door = ingest_account()
    own = embedded_broker(settings, door, access_rules(contract))
    return own, replace(address, user=door.user, password=door.password)


def access_rules(contract: Contract) -> AccessRules:
    """Rules of what accounts at the broker may publish and read."""
    commands = (COMMAND_FILTER, FORECAST_FILTER)
    return AccessRules(
        tuple(contract.filters),
        commands,
        (STATE_FILTER, REPAIR_FILTER, ALERTS_TOPIC),
        (AGENT_FILTER,),
    )


def read_filters(settings: Settings, contract: Contract) -> tuple[str, ...]:
    """Every topic filter that we read; commands and forecasts are not shared with other ingests."""
    return (*shared(group(settings), contract.filters), COMMAND_FILTER, FORECAST_FILTER)
