"""Accounts of the broker: who may sign in, and what each may do. Passwords are kept as hashes only.

A sensor's account may publish readings and nothing else. An account for commands may publish
commands and forecasts too, and read the states that the service publishes.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import re
import secrets
from collections.abc import Iterable, Mapping
from enum import StrEnum
from pathlib import Path
from typing import Any, NamedTuple

import bcrypt

from monitor.core.durable_file import write_durably
from monitor.core.errors import BrokerFault, Fault, Rejected

PASSWORD_MIN, PASSWORD_MAX = 12, 72
"""Length of a password that a person chose [characters], [bytes]. Ours; bcrypt reads 72 bytes."""
ROUNDS, PBKDF2_ROUNDS = 8, 20_000
"""Work factors of the hashes: 2 to this power; iterations of SHA-512. Ours: some 20 ms, as
each sensor that connects costs one."""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_OURS = "benchweather"


class May(StrEnum):
    """Rights of an account."""

    READINGS = "readings"
    COMMANDS = "commands"


class Account(NamedTuple):
    """An account with the hashes of its password: bcrypt for the embedded broker, and salt and
    PBKDF2-SHA-512 as mosquitto reads them."""

    name: str
    may: May
    bcrypt: str
    mosquitto: str


class AccessRules(NamedTuple):
    """MQTT filters of what can be published or read: readings, commands and forecasts, and the states
    that the service and the agents publish."""

    readings: tuple[str, ...]
    commands: tuple[str, ...] = ()
    states: tuple[str, ...] = ()
    agent_states: tuple[str, ...] = ()

    def publishes(self, may: May) -> tuple[str, ...]:
        """Filters that an account may publish under."""
        sensor = (*self.readings, *self.agent_states)
        return (*sensor, *self.commands) if may is May.COMMANDS else sensor

    def reads(self, may: May) -> tuple[str, ...]:
        """Filters that an account may subscribe to."""
        return (*self.states, *self.agent_states) if may is May.COMMANDS else ()


def read_accounts(path: Path) -> dict[str, Account]:
    """The accounts by name; none while there is no file.

    Raises
    ------
    BrokerFault
        If the file cannot be read.
    """
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        return {
            name: Account(name, May(one["may"]), str(one["bcrypt"]), str(one["mosquitto"]))
            for name, one in found.items()
        }
    except FileNotFoundError:
        return {}
    except OSError as exc:
        raise BrokerFault(f"{path}: {exc.strerror}") from exc
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as exc:
        raise BrokerFault(
            f"{path} is not a file of broker accounts: restore it from a copy or move it away"
        ) from exc


def add_account(path: Path, name: str, may: May, password: str = "") -> str:
    """Add an account, and return its password: the one given, else a new one.

    Raises
    ------
    Rejected
        If the name or the password is not allowed, or the name is taken.
    """
    accounts = read_accounts(path)
    if not _NAME.fullmatch(name) or name.startswith(_OURS):
        allowed = f"1 to 40 letters without accents, digits, - or _, not beginning with {_OURS}"
        raise Rejected(Fault("", "name", name[:80], allowed))
    if name in accounts:
        raise Rejected(Fault("", "name", name, "a name that is not taken, or change its password"))
    return _keep(path, accounts, name, may, password)


def change_password(path: Path, name: str, password: str = "") -> str:
    """Give an account another password, and return it."""
    accounts = read_accounts(path)
    return _keep(path, accounts, name, _known(accounts, name).may, password)


def remove_account(path: Path, name: str) -> None:
    """Remove an account; the embedded broker ends its connections."""
    accounts = read_accounts(path)
    _known(accounts, name)
    write_private(path, _text(a for a in accounts.values() if a.name != name))


def _known(accounts: Mapping[str, Account], name: str) -> Account:
    if name not in accounts:
        raise Rejected(
            Fault("", "name", name[:80], f"one of {', '.join(sorted(accounts)) or 'none'}")
        )
    return accounts[name]


def _keep(path: Path, accounts: Mapping[str, Account], name: str, may: May, password: str) -> str:
    password = password or new_password()
    bytes_ = len(password.encode())
    if len(password) < PASSWORD_MIN or bytes_ > PASSWORD_MAX or not password.isprintable():
        allowed = f"{PASSWORD_MIN} printable characters to {PASSWORD_MAX} bytes"
        raise Rejected(Fault("", "password", f"{len(password)} characters", allowed))
    account = Account(name, may, bcrypt_hash(password), mosquitto_hash(password))
    write_private(path, _text({**accounts, name: account}.values()))
    return password


def _text(accounts: Iterable[Account]) -> str:
    kept: dict[str, Any] = {
        a.name: {"may": a.may, "bcrypt": a.bcrypt, "mosquitto": a.mosquitto} for a in accounts
    }
    return json.dumps(kept, indent=1) + "\n"


def new_password() -> str:
    """A password that nobody can guess: 144 random bits."""
    return secrets.token_urlsafe(18)


def bcrypt_hash(password: str, rounds: int = ROUNDS) -> str:
    """Hash of a password as the embedded broker reads it."""
    return bcrypt.hashpw(password.encode(), bcrypt.gensalt(rounds)).decode()


def mosquitto_hash(password: str) -> str:
    """Hash of a password as mosquitto's password file has it: PBKDF2-SHA-512."""
    salt = secrets.token_bytes(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, PBKDF2_ROUNDS)
    salt_text, digest_text = (base64.b64encode(b).decode() for b in (salt, digest))
    return f"$7${PBKDF2_ROUNDS}${salt_text}${digest_text}"


def write_private(path: Path, text: str) -> None:
    """Write a file that this user alone can read; a reader sees the old text or the new.

    Raises
    ------
    BrokerFault
        If it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_durably(path, text)
    except OSError as exc:
        raise BrokerFault(f"{path}: {exc.strerror}") from exc


class SessionKeys(NamedTuple):
    """Keys that the service makes once: the client id of the ingest's session, which nobody can
    guess, and the password of this machine's own commands."""

    client_id: str
    local_password: str


LOCAL_USER = f"{_OURS}-local"
"""Account of this user's own commands, whose password lies in the data folder."""


def read_session_keys(path: Path) -> SessionKeys | None:
    """The keys; None while the service has not made them, or for who may not read them."""
    with contextlib.suppress(OSError, ValueError, RecursionError):
        found = json.loads(path.read_text(encoding="utf-8"))
        known = found if isinstance(found, dict) else {}
        keys = [k for n in SessionKeys._fields if isinstance(k := known.get(n), str) and k]
        if len(keys) == len(SessionKeys._fields):
            return SessionKeys(*keys)
    return None


def make_session_keys(path: Path) -> SessionKeys:
    """The keys, made if they are not there yet."""
    if keys := read_session_keys(path):
        return keys
    keys = SessionKeys(f"{_OURS}-{secrets.token_hex(16)}", new_password())
    write_private(path, json.dumps(keys._asdict()))
    return keys
