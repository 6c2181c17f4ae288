"""Faults of changed settings that only this machine knows: its addresses, its ports, its channels."""

from __future__ import annotations

import socket

from monitor.core.errors import Fault
from monitor.mqtt.embedded_broker import is_listening
from monitor.notifications.outbox_worker import channel_details
from monitor.settings import Settings
from monitor.settings.groups import Board, Broker


def start_faults(running: Settings, changed: Settings) -> list[Fault]:
    """Reasons why a service that runs with some settings could not start with others."""
    faults = channel_details(changed)
    parts: list[tuple[str, Board | Broker, Board | Broker]] = [
        ("board", running.board, changed.board)
    ]
    if not changed.broker.url:
        parts.append(("broker", running.broker, changed.broker))
    for name, now, then in parts:
        if then.host != now.host and not _is_own(then.host):
            faults.append(Fault("is not an address of this computer", f"{name}.host", then.host))
        elif then.port != now.port and is_listening(then.host, then.port):
            faults.append(Fault("is used by another program", f"{name}.port", then.port))
    return faults


def _is_own(host: str) -> bool:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        socket.create_server((host, 0), family=family).close()
    except OSError:
        return False
    return True
