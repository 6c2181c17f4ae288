"""Faults of changed settings that only this machine knows: its addresses, its ports, its channels."""

from __future__ import annotations

import socket
from dataclasses import replace

from monitor.alerting.notifications.outbox_worker import channel_details
from monitor.core.errors import Fault, Rejected
from monitor.core.ports import is_listening
from monitor.people.access_store import has_people, store_of
from monitor.people.passwords import check_password
from monitor.settings import Settings
from monitor.settings.addresses import LOOPBACK
from monitor.settings.network_groups import Board, Broker


def start_faults(running: Settings, changed: Settings) -> list[Fault]:
    """Reasons why a service that runs with some settings could not start with others."""
    faults = [*channel_details(changed), *_password_faults(running, changed)]
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


def _password_faults(running: Settings, changed: Settings) -> list[Fault]:
    """Faults of a shop's password that is new, and of a board that opens to others without one."""
    now, then = (one.board.password.get_secret_value() for one in (running, changed))
    if then and then != now:
        try:
            check_password(then, [changed.shop.name])
        except Rejected as exc:
            return [replace(fault, field="board.password") for fault in exc.faults]
    opens = changed.board.host not in LOOPBACK and running.board.host in LOOPBACK
    if opens and not then and not has_people(store_of(changed)):
        return [Fault("is needed before other devices are let in", "board.password")]
    return []


def _is_own(host: str) -> bool:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        socket.create_server((host, 0), family=family).close()
    except OSError:
        return False
    return True
