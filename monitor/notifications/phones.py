"""Phones that get notices by web push: added and removed at the board, kept in a file of the service.

They are no part of the journal, which never forgets: a phone's address is a secret, and a phone that
was removed leaves nothing behind but its name.
"""

from __future__ import annotations

import json
import logging
import secrets
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.core.durable_file import write_durably
from monitor.core.errors import BadPayload, Fault, Rejected, StoreUnavailable
from monitor.core.json_documents import json_object
from monitor.core.measurements import text_fault
from monitor.domain.channel_test import TestLimit, notice_of_test
from monitor.domain.notification import Notice
from monitor.notifications import web_push
from monitor.store import outbox
from monitor.store.outbox import Outcome

if TYPE_CHECKING:
    from monitor.store import Writer

log = logging.getLogger(__name__)

ABOUT = "phone"
KEY_FILE, PHONES_FILE = "push-key.pem", "phones.json"
PHONES_MAX = 30
"""Most phones; each costs a request for each notice."""
NAME_MAX = 40
LEAST = 2
"""Least urgency that a phone gets."""
GONE_KEPT = 5
"""So many removed phones are remembered by name."""


@dataclass(frozen=True)
class Phone:
    """A phone, or any other browser, that gets notices. `by`: who added it, if known."""

    id: str
    name: str
    by: str
    added_ms: int
    endpoint: str
    key: str
    secret: str

    @property
    def channel(self) -> str:
        """Channel of its notices in the outbox."""
        return f"{ABOUT}-{self.id}"


@dataclass(frozen=True)
class GonePhone:
    """A phone that its push service no longer knows."""

    name: str
    at_ms: int


@dataclass(frozen=True)
class PhoneBook:
    """All phones, and those that went by themselves, newest last."""

    phones: tuple[Phone, ...] = ()
    gone: tuple[GonePhone, ...] = ()


def read(folder: Path) -> PhoneBook:
    """The phones of a data folder; none if their file cannot be read."""
    try:
        kept = json_object((folder / PHONES_FILE).read_bytes())
        phones = tuple(Phone(**one) for one in kept["phones"])
        return PhoneBook(phones, tuple(GonePhone(**one) for one in kept["gone"]))
    except FileNotFoundError:
        return PhoneBook()
    except (OSError, BadPayload, KeyError, TypeError) as exc:
        log.warning("phones cannot be read reason=%s", type(exc).__name__)
        return PhoneBook()


class Phones:
    """The service's phones: it alone changes them. Threads may share it.

    Parameters
    ----------
    folder : Path
        The data folder.
    writer : Writer
        Of the outbox.
    contact : str
        Address of a person for the push services, if the settings have one.
    way : mapping
        Further arguments of `web_push.send`, for tests.
    """

    def __init__(
        self, folder: Path, writer: Writer, contact: str = "", way: Mapping[str, Any] | None = None
    ) -> None:
        self._folder, self._writer = folder, writer
        self._way = dict(way or {})
        if "@" in contact:
            self._way.setdefault("contact", f"mailto:{contact}")
        self._lock = threading.Lock()
        self._limit = TestLimit()
        self.book = read(folder)

    def channels(self, urgency: int = LEAST) -> list[str]:
        """Channels of the phones that get notices of an urgency."""
        return [phone.channel for phone in self.book.phones] if urgency >= LEAST else []

    def has(self, channel: str) -> bool:
        """Return whether a channel is a phone's, also of one that was removed."""
        return channel.startswith(f"{ABOUT}-")

    def send(self, channel: str, notice: Notice, now_ms: int) -> None:
        """Send a notice to a phone; one that its push service no longer knows is removed.

        Raises
        ------
        NotSent
        """
        phone = next((one for one in self.book.phones if one.channel == channel), None)
        if phone is None:
            raise web_push.SubscriptionGone("this phone was removed", retryable=False)
        browser = web_push.Browser(phone.endpoint, phone.key, phone.secret)
        try:
            web_push.send(browser, notice, self._folder / KEY_FILE, **self._way)
        except web_push.SubscriptionGone:
            log.warning("phone removed: its push service no longer knows it phone=%s", phone.id)
            try:
                self._remove(phone.id, now_ms, GonePhone(phone.name, now_ms))
            except StoreUnavailable as exc:
                log.warning("phones cannot be written reason=%s", exc)
            raise

    def carry_out(self, command: Mapping[str, Any], now_ms: int) -> Mapping[str, Any]:
        """Carry out a request: `key`, `add`, `remove` or `test`.

        Raises
        ------
        Rejected
        StoreUnavailable
        """
        match command.get("do"):
            case "key":
                return {"key": self._key()}
            case "add":
                return {"phone": self._add(command, now_ms).id}
            case "remove":
                return {"removed": self._remove(self._named(command).id, now_ms)}
            case "test":
                return {"notice": self._test(self._named(command), now_ms)}
        raise Rejected(Fault("", "do", command.get("do"), "one of key, add, remove, test"))

    def _key(self) -> str:
        try:
            return web_push.make_key(self._folder / KEY_FILE)
        except OSError as exc:
            raise StoreUnavailable(f"{KEY_FILE}: {exc.strerror}") from exc
        except ValueError:
            raise Rejected(
                f"{KEY_FILE} in the data folder is damaged: delete it and add the phones again"
            ) from None

    def _add(self, command: Mapping[str, Any], now_ms: int) -> Phone:
        name, by = command.get("name"), command.get("by", "")
        for field, text, most in (("name", name, NAME_MAX), ("by", by, 60)):
            if fault := text_fault(text, most):
                raise Rejected(Fault(fault, field))
        if not str(name).strip():
            raise Rejected(Fault("is empty", "name"))
        given = [command.get(field) for field in ("endpoint", "key", "secret")]
        if not all(isinstance(text, str) for text in given):
            raise Rejected("this is not a browser's subscription")
        browser = web_push.Browser(*map(str, given))
        try:
            web_push.checked(browser)
        except web_push.BadSubscription as exc:
            raise Rejected(str(exc)) from None
        self._key()  # a browser cannot have subscribed without it
        fresh = Phone(secrets.token_hex(4), str(name).strip(), str(by), now_ms, *browser)
        with self._lock:
            others = tuple(p for p in self.book.phones if p.endpoint != browser.endpoint)
            if len(others) >= PHONES_MAX:
                raise Rejected(f"{PHONES_MAX} phones get notices already: remove one first")
            gone = tuple(one for one in self.book.gone if one.name != fresh.name)
            self._keep(PhoneBook((*others, fresh), gone))
        log.info("phone added phone=%s", fresh.id)
        return fresh

    def _named(self, command: Mapping[str, Any]) -> Phone:
        wanted = command.get("phone")
        for phone in self.book.phones:
            if wanted in (phone.id, phone.endpoint):
                return phone
        raise Rejected("there is no such phone: it may have been removed")

    def _remove(self, phone_id: str, now_ms: int, gone: GonePhone | None = None) -> str:
        with self._lock:
            book = self.book
            leaving = next((one for one in book.phones if one.id == phone_id), None)
            kept = tuple(one for one in book.phones if one.id != phone_id)
            added = (gone,) if gone else ()
            self._keep(replace(book, phones=kept, gone=(*book.gone, *added)[-GONE_KEPT:]))
        if leaving is not None and gone is None:
            outbox.end_channel(self._writer, leaving.channel, Outcome.WITHDRAWN, now_ms)
        return phone_id

    def _test(self, phone: Phone, now_ms: int) -> str:
        self._limit.check(now_ms)
        notice = notice_of_test(phone.name, LEAST, "", now_ms)
        with self._writer.connection.transaction() as run:
            outbox.add(run, [notice], [phone.channel])
        self._limit.sent(now_ms)
        return notice.notice_id

    def _keep(self, book: PhoneBook) -> None:
        try:
            write_durably(self._folder / PHONES_FILE, json.dumps(asdict(book)))
        except OSError as exc:
            raise StoreUnavailable(f"{PHONES_FILE}: {exc.strerror}") from exc
        self.book = book
