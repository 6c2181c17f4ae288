"""Password, access and configuration files for an outside broker, as mosquitto reads them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from monitor.mqtt.accounts import AccessRules, Account, May, write_private

PASSWORDS, ACCESS, CONFIGURATION = "benchweather.passwd", "benchweather.acl", "benchweather.conf"


def write_mosquitto_files(
    folder: Path,
    rules: AccessRules,
    accounts: Iterable[Account],
    service: tuple[str, str],
    *,
    anonymous: bool,
) -> list[Path]:
    """Write the files; returns their paths.

    Parameters
    ----------
    folder : Path
    rules : AccessRules
    accounts : iterable of Account
        Sensors and those for commands.
    service : (str, str)
        User of the service itself, and the hash of its password.
    anonymous : bool
        Let clients without a user publish readings.

    Raises
    ------
    BrokerFault
        If they cannot be written.
    """
    accounts = sorted(accounts)
    passwords = [f"{service[0]}:{service[1]}"]
    passwords += [f"{one.name}:{one.mosquitto}" for one in accounts]
    heard, said = (*rules.readings, *rules.commands), (*rules.states, *rules.agent_states)
    lines = ["# Written by benchweather; written again, what was changed here is gone."]
    if anonymous:
        lines += ["", "# Clients without a user", *_may(rules, May.READINGS)]
    lines += ["", f"user {service[0]}", *_topics("readwrite", (*heard, *said))]
    for one in accounts:
        lines += ["", f"user {one.name}", *_may(rules, one.may)]
    place = folder.absolute()
    configuration = [
        "# Add to mosquitto's configuration: include_dir, or these lines.",
        f"password_file {place / PASSWORDS}",
        f"acl_file {place / ACCESS}",
        f"allow_anonymous {'true' if anonymous else 'false'}",
        "persistence true",
        "max_queued_messages 1000000",
        "max_inflight_messages 1000",
    ]
    texts = {PASSWORDS: passwords, ACCESS: lines, CONFIGURATION: configuration}
    for name, text in texts.items():
        write_private(folder / name, "\n".join(text) + "\n")
    return [folder / name for name in texts]


def _may(rules: AccessRules, may: May) -> list[str]:
    return [*_topics("write", rules.publishes(may)), *_topics("read", rules.reads(may))]


def _topics(access: str, filters: Iterable[str]) -> list[str]:
    return [f"topic {access} {topic_filter}" for topic_filter in filters]
