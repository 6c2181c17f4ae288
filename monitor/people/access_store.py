"""People, sessions, tokens and their history, apart from the readings, in either home.

The board and the command line write them; the service does not know them. So people can sign in while
the service is down, and a copy of the readings' store holds no secret. Secrets are kept as SHA-256
digests: each has 256 random bits, so that nothing is gained by guessing.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import secrets
from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Any, TypeVar

from monitor.core.errors import Fault, Rejected, StoreFault, StoreUnavailable
from monitor.people import passwords
from monitor.people.entries import (
    SESSIONS,
    TOKENS,
    AuditEntry,
    Credential,
    EntryKind,
    NoSuchEntry,
    Person,
    checked_name,
    name_key,
)
from monitor.people.homes import PeopleHome, home_of
from monitor.people.roles import Role
from monitor.store.connection import Cursor

if TYPE_CHECKING:
    from monitor.settings import Settings

PEOPLE_MAX, CREDENTIALS_MAX = 50, 1_000
"""Most people; most sessions and tokens, of which the one used longest ago ends first."""
SESSIONS_EACH = 20
"""Most sessions of a person, and of a wall's link; so nobody's sign-ins end another's session."""
AUDIT_MAX, AUDIT_EACH, AUDIT_STEP = 100_000, 20_000, 100
"""Most entries of the history, and of one person's in it; the oldest go, once in so many entries. So
nobody's requests push out what others did."""
USED_STEP_MS = 600_000
"""Least time after which the last use of a session is noted again. [ms]"""
SECRET_BYTES = 32


_CREDENTIAL = (
    "SELECT c.credential_id, c.kind, c.person_id, coalesce(p.name, c.name), "
    "coalesce(p.role, c.role), c.made_ms, c.used_ms, c.until_ms, c.address, c.browser, c.mark "
    "FROM credential c LEFT JOIN person p ON p.person_id = c.person_id "
    "WHERE c.until_ms > ? AND (c.idle_ms = 0 OR c.used_ms + c.idle_ms > ?)"
)
_IS_OF_PERSON = "SELECT 1 FROM person WHERE person_id = ? AND password = ?"
_PERSON = "SELECT person_id, name, role, added_ms, changed_ms FROM person"


W = TypeVar("W", bound=StrEnum)


class AccessStore:
    """The database of people. Threads and processes may share it.

    Every method may raise `StoreUnavailable` (full, locked or away) or `StoreFault` (damaged).
    """

    def __init__(self, home: PeopleHome) -> None:
        self.home = home

    # People

    def people(self) -> list[Person]:
        """Everybody, by name."""
        rows = self._rows(_PERSON)
        return sorted(map(_person, rows), key=lambda one: name_key(one.name))

    def person(self, name: str) -> Person:
        """The person with a name, in small or capital letters.

        Raises
        ------
        NoSuchEntry
        """
        if rows := self._rows(f"{_PERSON} WHERE name_key = ?", (name_key(name),)):
            return _person(rows[0])
        known = ", ".join(one.name for one in self.people()) or "nobody yet"
        raise NoSuchEntry(f"There is no person {name!r}. People: {known}.")

    def add_person(self, name: str, role: Role, password: str, now_ms: int) -> None:
        """Add a person, whose password is kept hashed.

        Raises
        ------
        Rejected
            If the name cannot be, or is taken; or there are too many.
        """
        name = checked_name(name)
        kept = passwords.hashed(password)
        with self.home.writing().transaction() as run:
            if run.execute(
                "SELECT 1 FROM person WHERE name_key = ?", (name_key(name),)
            ).fetchone():
                raise Rejected(Fault("is taken by another person", "name", name))
            if run.execute("SELECT count(*) FROM person").fetchone()[0] >= PEOPLE_MAX:
                raise Rejected(f"there are {PEOPLE_MAX} people already: remove one first")
            run.execute(
                "INSERT INTO person (name, name_key, role, password, added_ms, changed_ms) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (name, name_key(name), str(role), kept, now_ms, now_ms),
            )

    def set_password(self, name: str, password: str, now_ms: int) -> None:
        """Give a person another password; all their sessions end."""
        kept, person = passwords.hashed(password), self.person(name)
        with self.home.writing().transaction() as run:
            run.execute(
                "UPDATE person SET password = ?, changed_ms = ? WHERE person_id = ?",
                (kept, now_ms, person.person_id),
            )
            run.execute("DELETE FROM credential WHERE person_id = ?", (person.person_id,))

    def set_role(self, name: str, role: Role) -> None:
        """Give a person another role, in their open sessions too."""
        person = self.person(name)
        with self.home.writing().transaction() as run:
            run.execute(
                "UPDATE person SET role = ? WHERE person_id = ?", (str(role), person.person_id)
            )

    def remove_person(self, name: str) -> None:
        """Remove a person with all their sessions."""
        person = self.person(name)
        with self.home.writing().transaction() as run:
            run.execute("DELETE FROM person WHERE person_id = ?", (person.person_id,))

    def password_of(self, name: str) -> tuple[Person, str] | None:
        """A person with the hash of their password; None if there is nobody of this name."""
        rows = self._rows(
            "SELECT person_id, name, role, added_ms, changed_ms, password FROM person "
            "WHERE name_key = ?",
            (name_key(name),),
        )
        return (_person(rows[0][:5]), rows[0][5]) if rows else None

    # Sessions and tokens

    def issue(
        self,
        kind: EntryKind,
        role: Role,
        now_ms: int,
        lasts_ms: int,
        *,
        idle_ms: int = 0,
        name: str = "",
        person_id: int | None = None,
        parent_id: int | None = None,
        password: str = "",
        shared: str = "",
        address: str = "",
        browser: str = "",
    ) -> tuple[str, int]:
        """Make a session or token and return its secret, which is kept nowhere, and its number.

        `password`: hash of the person's password that was given. `shared`: what it was opened with, if
        that is shared by all: once it is another, this ends.

        Raises
        ------
        NoSuchEntry
            If the person has another password by now, or is removed.
        """
        secret = secrets.token_urlsafe(SECRET_BYTES)
        with self.home.writing().transaction() as run:
            if password and not run.execute(_IS_OF_PERSON, (person_id, password)).fetchone():
                raise NoSuchEntry("This password was changed, or this person removed.")
            _forget_ended(run, now_ms)
            for column, of in (("person_id", person_id), ("parent_id", parent_id)):
                run.execute(
                    f"DELETE FROM credential WHERE {column} = ? AND credential_id NOT IN "  # noqa: S608 - our own column
                    f"(SELECT credential_id FROM credential WHERE {column} = ? "
                    "ORDER BY used_ms DESC, credential_id DESC LIMIT ?)",
                    (of, of, SESSIONS_EACH - 1),
                )
            number = run.execute(
                "INSERT INTO credential (kind, secret, person_id, parent_id, name, role, made_ms, "
                "used_ms, until_ms, idle_ms, mark, address, browser) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING credential_id",
                (
                    str(kind),
                    _digest(secret),
                    person_id,
                    parent_id,
                    name,
                    str(role),
                    now_ms,
                    now_ms,
                    now_ms + lasts_ms,
                    idle_ms,
                    _mark(secret, shared),
                    address,
                    browser,
                ),
            ).fetchone()[0]
        return secret, int(number)

    def credential(
        self,
        secret: str,
        kinds: Sequence[EntryKind],
        now_ms: int,
        *,
        shared: Callable[[EntryKind], str] = lambda _: "",
        used: bool = True,
    ) -> Credential | None:
        """The session or token with this secret; None if it has ended or never was.

        `shared`: what sessions of a kind are opened with at present. `used`: note that it was used,
        so that it does not end for lack of use.
        """
        if not secret:
            return None
        rows = self._rows(f"{_CREDENTIAL} AND c.secret = ?", (now_ms, now_ms, _digest(secret)))
        found = _credential(rows[0]) if rows else None
        if found is None or found.kind not in kinds:
            return None
        if not hmac.compare_digest(found.mark, _mark(secret, shared(found.kind))):
            return None
        if used and now_ms - found.used_ms > USED_STEP_MS:
            with contextlib.suppress(StoreUnavailable), self.home.writing().transaction() as run:
                run.execute(
                    "UPDATE credential SET used_ms = ? WHERE credential_id = ?",
                    (now_ms, found.credential_id),
                )
        return found

    def credentials(self, kinds: Sequence[EntryKind], now_ms: int) -> list[Credential]:
        """All sessions or tokens that hold, the one used last first."""
        rows = self._rows(f"{_CREDENTIAL} ORDER BY c.used_ms DESC", (now_ms, now_ms))
        return [one for one in map(_credential, rows) if one.kind in kinds]

    def withdraw(
        self, number: int, now_ms: int, kinds: Sequence[EntryKind] = (*SESSIONS, *TOKENS)
    ) -> Credential:
        """End a session or token at once, and a wall's sessions with it.

        Raises
        ------
        NoSuchEntry
        """
        found = {one.credential_id: one for one in self.credentials(kinds, now_ms)}
        if number not in found:
            what = "session" if kinds == SESSIONS else "token" if kinds == TOKENS else "entry"
            raise NoSuchEntry(f"There is no {what} {number}. It may have ended.")
        with self.home.writing().transaction() as run:
            run.execute("DELETE FROM credential WHERE credential_id = ?", (number,))
        return found[number]

    # History

    def record(self, entry: AuditEntry) -> None:
        """Add an entry to the history. It must hold no secret; characters that cannot be printed are
        replaced, as it is shown in a terminal."""
        entry = AuditEntry(entry.at_ms, *map(_printable, entry[1:]))
        with self.home.writing().transaction() as run:
            number = run.execute(
                "INSERT INTO audit (at_ms, who, session, address, action, detail) "
                "VALUES (?, ?, ?, ?, ?, ?) RETURNING audit_id",
                entry,
            ).fetchone()[0]
            if number % AUDIT_STEP == 0:
                _forget_oldest(run, entry.who)

    def history(
        self, most: int, *, start_ms: int = 0, end_ms: int = 2**53, who: str = ""
    ) -> list[AuditEntry]:
        """The newest entries of a span, of everybody or of one person, newest first."""
        rows = self._rows(
            "SELECT at_ms, who, session, address, action, detail FROM audit "
            "WHERE at_ms >= ? AND at_ms < ? AND (? = '' OR who = ?) "
            "ORDER BY audit_id DESC LIMIT ?",
            (start_ms, end_ms, who, who, most),
        )
        return [AuditEntry(*row) for row in rows]

    def _rows(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """Rows of a query; none while there is no database."""
        connection = self.home.reading()
        return connection.rows(sql, values) if connection else []


def store_of(settings: Settings) -> AccessStore:
    """The people of a shop."""
    return AccessStore(home_of(settings))


def has_people(store: AccessStore) -> bool:
    """True if there are people who sign in by name; False if that cannot be read."""
    try:
        return bool(store.people())
    except StoreFault:
        return False


def _forget_ended(run: Cursor, now_ms: int) -> None:
    """Delete what has ended, and make room if there is too much."""
    run.execute(
        "DELETE FROM credential WHERE until_ms <= ? OR (idle_ms > 0 AND used_ms + idle_ms <= ?)",
        (now_ms, now_ms),
    )
    run.execute(
        "DELETE FROM credential WHERE kind NOT IN (?, ?) AND credential_id NOT IN "
        "(SELECT credential_id FROM credential WHERE kind NOT IN (?, ?) "
        "ORDER BY used_ms DESC, credential_id DESC LIMIT ?)",
        (*map(str, TOKENS), *map(str, TOKENS), CREDENTIALS_MAX - 1),
    )


def _forget_oldest(run: Cursor, who: str) -> None:
    """Delete the oldest entries of the history: of one person, then of all."""
    run.execute(
        "DELETE FROM audit WHERE who = ? AND audit_id <= (SELECT audit_id FROM audit "
        "WHERE who = ? ORDER BY audit_id DESC LIMIT 1 OFFSET ?)",
        (who, who, AUDIT_EACH),
    )
    run.execute(
        "DELETE FROM audit WHERE audit_id <= (SELECT audit_id FROM audit "
        "ORDER BY audit_id DESC LIMIT 1 OFFSET ?)",
        (AUDIT_MAX,),
    )


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def _digest(secret: str) -> bytes:
    return hashlib.sha256(secret.encode()).digest()


def _mark(secret: str, shared: str) -> str:
    """Mark of a shared password or key, which shows nothing without the session's secret."""
    return hmac.new(secret.encode(), shared.encode(), "sha256").hexdigest() if shared else ""


def _person(row: Any) -> Person:
    person_id, name, role, added_ms, changed_ms = row
    return Person(person_id, name, _known(Role, role, name), added_ms, changed_ms)


def _credential(row: Any) -> Credential:
    number, kind, person_id, name, role, *rest = row
    known = _known(EntryKind, kind, name), person_id, name, _known(Role, role, name)
    return Credential(number, *known, *rest)


def _known(words: type[W], text: str, name: str) -> W:
    """A word of the store. Raises `StoreFault` if this version has none such."""
    try:
        return words(text)
    except ValueError:
        raise StoreFault(f"people: {text!r:.40} of {name!r:.60} is unknown") from None
