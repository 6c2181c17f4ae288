"""The service's broker, its way to it, and what accounts may publish and read there."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from monitor.domain.topic_rules import AGENT_FILTER, COMMAND_FILTER, FORECAST_FILTER
from monitor.mqtt.accounts import AccessRules
from monitor.mqtt.client import Address, shared
from monitor.mqtt.embedded_broker import EmbeddedBroker, ingest_account
from monitor.readings.payload import Contract
from monitor.service.ingest_session import IngestSession
from monitor.service.state_publisher import ALERTS_TOPIC, REPAIR_FILTER, STATE_FILTER
from monitor.settings import Settings
from monitor.settings.shop_broker import broker_address, embedded_broker, group


class MessageWay(NamedTuple):
    """Way of the messages: our own broker, if we have one, the address of the broker, our session
    there, and the id of a session of before that may hold messages, empty if there is none."""

    contract: Contract
    broker: EmbeddedBroker | None
    address: Address
    session: IngestSession
    former_id: str


def message_way(settings: Settings, session_id: str) -> MessageWay:
    """Way of the messages by the settings. Our own broker is not started yet."""
    contract = Contract(settings.topics)
    broker, address = None, broker_address(settings)
    if not settings.broker.url:
        door = ingest_account()
        broker = embedded_broker(settings, door, access_rules(contract))
        address = replace(address, user=door.user, password=door.password)
    session = IngestSession(
        settings.data / "session.json",
        settings.broker.url or settings.broker.program,
        session_id,
        read_filters(settings, contract),
    )
    used = settings.store_path if broker is None else broker.kept
    former_id = session.former_id(
        used_before=used.exists(), configured_id=settings.broker.client_id
    )
    return MessageWay(contract, broker, address, session, former_id)


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
