"""Phones that get notices by web push: added and removed at the board, kept in a file of secrets.

They are no part of the journal, which never forgets: a phone's address is a secret, and a phone that
was removed leaves nothing behind but its name.
"""

from __future__ import annotations

import json
import logging
import secrets
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from monitor.alerting.notifications import web_push
from monitor.alerting.notifications.sender import NotSent
from monitor.core.errors import BadPayload, Fault, Rejected, StoreFault
from monitor.core.json_documents import json_object
from monitor.core.measurements import text_fault
from monitor.domain.channel_test import TestLimit, notice_of_test
from monitor.domain.notification import Notice
from monitor.store import outbox
from monitor.store.outbox import Outcome
from monitor.store.secret_files import PHONES, PUSH_KEY, SecretFiles

if TYPE_CHECKING:
    from monitor.store import Writer

log = logging.getLogger(__name__)

ABOUT = "phone"
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


def read(files: SecretFiles) -> PhoneBook:
    """The phones of a shop; none if their file is damaged.

    Raises
    ------
    StoreFault
        If it cannot be read just now.
    """
    return _book(files.read(PHONES))


def _book(text: str | None) -> PhoneBook:
    try:
        kept = json_object((text or '{"phones": [], "gone": []}').encode())
        phones = tuple(Phone(**one) for one in kept["phones"])
        return PhoneBook(phones, tuple(GonePhone(**one) for one in kept["gone"]))
    except (BadPayload, KeyError, TypeError) as exc:
        log.warning("phones cannot be read reason=%s", type(exc).__name__)
        return PhoneBook()


class Phones:
    """The service's phones: it alone changes them. Threads may share it.

    Parameters
    ----------
    files : SecretFiles
        Where they are kept. They are read again for each use: another service may have worked before.
    writer : Writer
        Of the outbox.
    contact : str
        Address of a person for the push services, if the settings have one.
    way : mapping
        Further arguments of `web_push.send`, for tests.
    """

    def __init__(
        self,
        files: SecretFiles,
        writer: Writer,
        contact: str = "",
        way: Mapping[str, Any] | None = None,
    ) -> None:
        self._files, self._writer = files, writer
        self._way = dict(way or {})
        if "@" in contact:
            self._way.setdefault("contact", f"mailto:{contact}")
        self._limit = TestLimit()
        self._channels: list[str] = []
        self._away = False

    @property
    def book(self) -> PhoneBook:
        """The phones as they are now."""
        return read(self._files)

    def channels(self, urgency: int = LEAST) -> list[str]:
        """Channels of the phones that get notices of an urgency; while they cannot be read, those of
        before."""
        if urgency < LEAST:
            return []
        try:
            self._channels, self._away = [one.channel for one in self.book.phones], False
        except StoreFault as exc:
            if not self._away:
                log.warning("phones cannot be read reason=%s", exc)
            self._away = True
        return self._channels

    def has(self, channel: str) -> bool:
        """Return whether a channel is a phone's, also of one that was removed."""
        return channel.startswith(f"{ABOUT}-")

    def send(self, channel: str, notice: Notice, now_ms: int) -> None:
        """Send a notice to a phone; one that its push service no longer knows is removed.

        Raises
        ------
        NotSent
        """
        try:
            phones, key = self.book.phones, self._files.read(PUSH_KEY) or ""
        except StoreFault as exc:
            raise NotSent(f"phones cannot be read: {exc}", retryable=True) from exc
        phone = next((one for one in phones if one.channel == channel), None)
        if phone is None:
            raise web_push.SubscriptionGone("this phone was removed", retryable=False)
        browser = web_push.Browser(phone.endpoint, phone.key, phone.secret)
        try:
            web_push.send(browser, notice, key, **self._way)
        except web_push.SubscriptionGone:
            log.warning("phone removed: its push service no longer knows it phone=%s", phone.id)
            try:
                self._remove(phone.id, now_ms, GonePhone(phone.name, now_ms))
            except StoreFault as exc:
                log.warning("phones cannot be written reason=%s", exc)
            raise

    def carry_out(self, command: Mapping[str, Any], now_ms: int) -> Mapping[str, Any]:
        """Carry out a request: `key`, `add`, `remove` or `test`.

        Raises
        ------
        Rejected
        StoreFault
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
        key = self._files.change(PUSH_KEY, lambda text: text or web_push.new_key())
        try:
            return web_push.public_key(key)
        except ValueError:
            raise Rejected(f"{PUSH_KEY} is damaged: delete it and add the phones again") from None

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

        def added(book: PhoneBook) -> PhoneBook:
            others = tuple(p for p in book.phones if p.endpoint != browser.endpoint)
            if len(others) >= PHONES_MAX:
                raise Rejected(f"{PHONES_MAX} phones get notices already: remove one first")
            gone = tuple(one for one in book.gone if one.name != fresh.name)
            return PhoneBook((*others, fresh), gone)

        self._change(added)
        log.info("phone added phone=%s", fresh.id)
        return fresh

    def _named(self, command: Mapping[str, Any]) -> Phone:
        wanted = command.get("phone")
        for phone in self.book.phones:
            if wanted in (phone.id, phone.endpoint):
                return phone
        raise Rejected("there is no such phone: it may have been removed")

    def _remove(self, phone_id: str, now_ms: int, gone: GonePhone | None = None) -> str:
        added = (gone,) if gone else ()

        def left(book: PhoneBook) -> PhoneBook:
            kept = tuple(one for one in book.phones if one.id != phone_id)
            return PhoneBook(kept, (*book.gone, *added)[-GONE_KEPT:])

        leaving = next((one for one in self.book.phones if one.id == phone_id), None)
        self._change(left)
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

    def _change(self, change: Callable[[PhoneBook], PhoneBook]) -> None:
        self._files.change(PHONES, lambda text: json.dumps(asdict(change(_book(text)))))
