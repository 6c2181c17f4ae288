"""People, their sessions and tokens, and entries of the history of access."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from monitor.core.errors import Fault, MonitorError, Rejected
from monitor.core.measurements import text_fault
from monitor.people.roles import Role

NAME_MAX = 40
"""Longest name of a person, a token or a wall. [characters]"""


class EntryKind(StrEnum):
    """Kind of a session or a token: how it came about. The store uses the value."""

    LINK = "link"
    PASSWORD = "password"  # noqa: S105 - no secret
    SHOP = "shop password"
    WALL_SESSION = "wall session"
    WALL = "wall"
    SCRIPT = "script"


SESSIONS = (EntryKind.LINK, EntryKind.PASSWORD, EntryKind.SHOP, EntryKind.WALL_SESSION)
"""Kinds that a browser's cookie holds."""
TOKENS = (EntryKind.SCRIPT, EntryKind.WALL)
"""Kinds that are made in advance and handed over."""


class Person(NamedTuple):
    """Person who may sign in. Times: ms since 1970-01-01 UTC."""

    person_id: int
    name: str
    role: Role
    added_ms: int
    changed_ms: int


class Credential(NamedTuple):
    """Session or token that holds. `name`: of its person, else its own. Times: ms since 1970-01-01
    UTC."""

    credential_id: int
    kind: EntryKind
    person_id: int | None
    name: str
    role: Role
    made_ms: int
    used_ms: int
    until_ms: int
    address: str
    browser: str
    mark: str

    @property
    def label(self) -> str:
        """Name of this session or token in the history."""
        return f"{'token' if self.kind in TOKENS else 'session'} {self.credential_id}"


class AuditEntry(NamedTuple):
    """Entry of the history: when, who, by which session or token, from where, and what.

    `at_ms`: ms since 1970-01-01 UTC.
    """

    at_ms: int
    who: str
    session: str
    address: str
    action: str
    detail: str


class NoSuchEntry(MonitorError):
    """Error that no person, session or token has this name or number."""


def checked_name(name: str) -> str:
    """A name as it is kept.

    Raises
    ------
    Rejected
        If it is empty, too long or has characters that no line of text has.
    """
    name = " ".join(name.split())
    if fault := text_fault(name, NAME_MAX):
        raise Rejected(Fault(fault, "name", name[: NAME_MAX + 1]))
    if not name:
        raise Rejected(Fault("is empty", "name"))
    return name


def name_key(name: str) -> str:
    """A name without the differences that make no other person."""
    return " ".join(name.split()).casefold()
