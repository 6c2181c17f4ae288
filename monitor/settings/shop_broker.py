"""The shop's broker as the settings have it: its address for us, and our own with its accounts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from monitor.mqtt.accounts import (
    LOCAL_USER,
    AccessRules,
    May,
    make_session_keys,
    read_session_keys,
)
from monitor.mqtt.broker_program import find_program
from monitor.mqtt.client import Address
from monitor.mqtt.embedded_broker import BrokerAccount, EmbeddedBroker
from monitor.mqtt.mosquitto_broker import MosquittoBroker

if TYPE_CHECKING:
    from monitor.settings import Settings


def broker_address(settings: Settings) -> Address:
    """Address where this machine's own commands find the broker.

    At our own broker they sign in with this machine's account, if they can read its password.
    """
    broker = settings.broker
    keys = None if broker.url else read_session_keys(settings.broker_keys_path)
    user, password = broker.user, broker.password.get_secret_value()
    own = Address(
        reachable(broker.host),
        broker.port,
        LOCAL_USER if keys else user,
        keys.local_password if keys else password,
        tls=bool(broker.cert_file and broker.key_file),
        ca_file=broker.ca_file,
    )
    return own.at(broker.url, broker.cert_file, broker.key_file) if broker.url else own


def embedded_broker(
    settings: Settings, ingest: BrokerAccount, rules: AccessRules
) -> EmbeddedBroker:
    """Our own broker, with every account of this shop; not started yet."""
    broker, keys = settings.broker, make_session_keys(settings.broker_keys_path)
    accounts = [BrokerAccount(LOCAL_USER, keys.local_password, May.COMMANDS)]
    if broker.user:
        accounts.append(BrokerAccount(broker.user, broker.password.get_secret_value()))
    program = find_program(broker.program) or ""
    kind = MosquittoBroker if Path(program).stem == "mosquitto" else EmbeddedBroker
    return kind(
        settings.data / "broker",
        broker.host,
        broker.port,
        ingest=ingest,
        rules=rules,
        accounts=accounts,
        anonymous=broker.admits_anonymous,
        accounts_file=settings.broker_accounts_path,
        cert_file=broker.cert_file,
        key_file=broker.key_file,
        store_mb=broker.store_mb,
        program=program,
        sync_s=settings.broker.sync_s,
    )


def client_id(settings: Settings) -> str:
    """Client id of the ingest's session: the owner's, else the one made for this data folder."""
    return settings.broker.client_id or make_session_keys(settings.broker_keys_path).client_id


def group(settings: Settings) -> str:
    """Name of the group in which ingests share the readings; empty if the service reads alone."""
    return "" if settings.demo else settings.broker.group


def reachable(host: str) -> str:
    """An address to connect to, for one to listen on."""
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - not bound here
